"""What ends an alarm: one table for the core that knows the cause and for whoever publishes it."""

from collections.abc import Mapping
from enum import StrEnum


class EndsWith(StrEnum):
    """What an alarm waits for.

    `GO`: a person's `go`, or the run's end. `NEXT_RUN`: another run, which only a person's `mount` begins. `DISK`: a sync
    that succeeds, on a disk with room. `DEVICE`: a device that streams. `RUN`: the run's end; the next start makes up for what is missing.
    `TREND`: courses of which none asks to act now any more; behind the run's end another run.
    """

    GO = "go"
    NEXT_RUN = "next_run"
    DISK = "disk"
    DEVICE = "device"
    RUN = "run"
    TREND = "trend"


OTHER_THAN_GO: Mapping[str, EndsWith] = {
    "limit_exceeded": EndsWith.NEXT_RUN,
    "trend_stopped": EndsWith.NEXT_RUN,
    "trend_changed": EndsWith.TREND,
    "slope_steep": EndsWith.TREND,
    "limit_near": EndsWith.TREND,
    "shaft_still_moves": EndsWith.NEXT_RUN,
    "rest_unseen": EndsWith.NEXT_RUN,
    "journal_failed": EndsWith.DISK,
    "sync_failed": EndsWith.DISK,
    "tape_failed": EndsWith.DISK,
    "disk_short": EndsWith.DISK,
    "room_unread": EndsWith.DISK,
    "tape_off": EndsWith.DISK,
    "recording_failed": EndsWith.DEVICE,
    "device_unfit": EndsWith.DEVICE,
    "seal_failed": EndsWith.RUN,
}


def ends_with(kind: str) -> EndsWith:
    """What ends the alarm of this kind of event; one that is not in the table locks motion, so a `go` does."""
    return OTHER_THAN_GO.get(kind, EndsWith.GO)
