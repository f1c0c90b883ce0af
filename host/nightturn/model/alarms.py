"""What ends the cause of an alarm, one table for the core that knows it, and an alarm as people see it."""

from collections.abc import Mapping
from enum import StrEnum

import msgspec

from nightturn.model.trends import Urgency


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
    "temperature_moved": EndsWith.TREND,
    "signal_bad": EndsWith.TREND,
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


HOST = "host"
"""Whose an alarm is that belongs to no fixture; no fixture may have this name."""
SET_ASIDE_S_MAX = 12 * 3600
"""An alarm is set aside until the end of a shift, not for ever."""


class AlarmState(StrEnum):
    """What an alarm waits for. `NORMAL`: nothing, so it is in no list.

    `ACTIVE`: its cause is there and nobody has acknowledged it. `ACKNOWLEDGED`: its cause is there, somebody knows. `RETURNED`: its
    cause is gone, and nobody has acknowledged it. `LATCHED`: acknowledged and gone, but a person has to confirm that.
    """

    NORMAL = "normal"
    ACTIVE = "active"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned"
    LATCHED = "latched"


CALL = frozenset({AlarmState.ACTIVE, AlarmState.RETURNED, AlarmState.LATCHED})
"""States in which an alarm waits for somebody who says that he knows."""


class Put(msgspec.Struct, frozen=True, kw_only=True):
    """Who has put an alarm, or a whole fixture, where it calls nobody: set aside until a time, or out of service until it is put back.

    Times are UTC, ns; `until_ts` is None of what is out of service.
    """

    by: str
    reason: str
    since_ts: int
    until_ts: int | None = None


class AlarmRow(msgspec.Struct, frozen=True, kw_only=True):
    """One alarm as people see it: emitted at each of its changes, and in every list of those that are open.

    Attributes:
        id: the condition's word, of which a fixture has one alarm at most. fixture: whose, or `host`.
        number: of this alarm since the log began; one that comes back behind its end has another number.
        severity: `act now`, `today` or `note`. title: the condition in a few words.
        said: what happened, a sentence with its numbers. todo: what a person does, a sentence.
        since_ts: since when its cause is there; newest_ts: when it was last said to be. Times are UTC, ns.
        times: how often its cause came. run: of the fixture then; empty for the host's.
        acknowledged_by, acknowledged_ts: who knows of it, since when; empty and None while nobody does.
        returned_ts: when its cause went; None while it is there.
        latched: whether a person has to confirm that the cause is gone.
        passing: whether its cause is a moment of which nobody reports an end: `returned` then says nothing of the cause.
        explained_by: the id of the open alarm that is its cause, `fixture/id`, so that it calls nobody by itself; empty without one.
        set_aside, out_of_service: who has put it where it calls nobody; None where nobody has.
        gathers: of the alarm `flood`, how many others it stands for.
    """

    id: str
    fixture: str
    number: int
    severity: Urgency
    title: str
    state: AlarmState
    said: str
    todo: str
    since_ts: int
    newest_ts: int
    times: int = 1
    run: str = ""
    acknowledged_by: str = ""
    acknowledged_ts: int | None = None
    returned_ts: int | None = None
    latched: bool = False
    passing: bool = False
    explained_by: str = ""
    set_aside: Put | None = None
    out_of_service: Put | None = None
    gathers: int = 0

    @property
    def calls(self) -> bool:
        """Whether it waits for a person who knows of it, now or behind its return."""
        return self.state in CALL and not self.quiet

    @property
    def quiet(self) -> bool:
        """Whether something else keeps it from calling anybody."""
        return bool(self.explained_by) or self.set_aside is not None or self.out_of_service is not None

    @property
    def known(self) -> bool:
        """Whether somebody has acknowledged it while its cause lasts."""
        return self.state is AlarmState.ACKNOWLEDGED and not self.quiet
