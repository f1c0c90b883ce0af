"""The table of conditions: all that can be an alarm, and nothing that a person need not act on.

A word is that of the event that raises it, where an event does. What is not in the table and comes as an event of severity
`alarm` is `OTHER`: it is never lost because somebody forgot a row. Delays and what explains what are common practice without a source
where no other is named.
"""

from collections.abc import Mapping

from nightturn.alarms.condition import Condition
from nightturn.model.trends import ACT_NOW, NOTE

FLOOD = "flood"
FIGURES = "figures"
WAITS = "waits_for_go"
LINE = "line_down"
SIGNAL = "torque_signal"
CLOCK = "clock_stepped"
BROKER, REFUSED, DROPPED = "broker_away", "broker_refuses", "messages_dropped"
UNRECORDED, FAILED = "unrecorded", "fixture_failed"
REJECTED = "night_rejected"
CALIBRATION = "calibration_due"
LEASES, SHUNT, SELF_TEST = "lease_lapses", "shunt_check_missed", "self_test_failed"
LOG_BROKEN, UNDELIVERED = "alarm_log_broken", "notice_undelivered"

SAFE = "Drive off and rig made safe: "
SEE = f"{SAFE}look at unit, cable and transducer"
PERSON_S = 600.0  # a person who is at the rig has done it by then
LINE_S = 60.0  # a plugged cable and the session behind it
BROKER_S = 60.0
QUIET_S = 900.0  # as long as signs of one cause are counted together
DEVICE = ("device_unfit", "device_restarted", "recording_failed", LINE)
STOPS = (
    "limit_exceeded",
    "trend_stopped",
    "overload_remembered",
    "torque_trip",
    "over_temperature",
    "drive_fault",
)
STANDS = ("shaft_still_moves", "rest_unseen")
DISK = ("disk_short", "room_unread", "journal_failed", "sync_failed", "tape_failed", UNRECORDED)

_GO = "Find out why, then give `go`; nothing turns before"
_MAKE_ROOM = "Make room on the disk of the data root, or move old runs away; recording goes on by itself, motion waits for `go`"

CONDITIONS: Mapping[str, Condition] = {
    # ---- the shaft
    "shaft_still_moves": Condition(
        title="the shaft still moves",
        severity=ACT_NOW,
        latched=True,
        todo="Use the emergency stop at the rig, then find out why the drive did not listen",
    ),
    "rest_unseen": Condition(
        title="nobody has seen the shaft stand",
        severity=ACT_NOW,
        latched=True,
        explained_by=("shaft_still_moves",),
        todo="Use the emergency stop at the rig unless you see the shaft stand",
    ),
    "limit_exceeded": Condition(
        title="a protective limit was passed",
        severity=ACT_NOW,
        latched=True,
        explained_by=(SIGNAL, *STANDS),
        todo=f"{SEE}; `mount` begins the next run",
    ),
    "trend_stopped": Condition(
        title="a change of a figure ended the run",
        severity=ACT_NOW,
        latched=True,
        explained_by=(SIGNAL, "limit_exceeded"),
        todo=f"{SEE}; the report says what moved and what did not",
    ),
    "overload_remembered": Condition(
        title="torque beyond its limit while nothing was recorded",
        severity=ACT_NOW,
        explained_by=(SIGNAL, "limit_exceeded", *STANDS),
        todo=f"{SEE}, and find out who or what turned the shaft; then `go`",
    ),
    "torque_trip": Condition(
        title="the device stopped at its torque limit",
        severity=ACT_NOW,
        explained_by=(SIGNAL, "limit_exceeded"),
        todo=f"{SEE}; then `go`, which clears the trip",
    ),
    "over_temperature": Condition(
        title="the device stopped at its temperature limit",
        severity=ACT_NOW,
        todo="Find out what heats it, let it cool, then `go`",
    ),
    "drive_fault": Condition(
        title="the drive reports a fault",
        severity=ACT_NOW,
        todo="Read the drive's own display, clear its fault, then `go`",
    ),
    "encoder_fault": Condition(
        title="the encoder reports a fault",
        severity=ACT_NOW,
        explained_by=DEVICE,
        todo=f"{SAFE}look at encoder and its cable; then `go`",
    ),
    "stop_chain": Condition(
        title="the stop chain is open",
        on_s=PERSON_S,
        todo="Find out who opened it and why, reset it at the rig, then `go`",
    ),
    "guard_opened": Condition(
        title="the guard was opened",
        on_s=PERSON_S,
        todo="Ask who opened it; close it, then `go`",
        explained_by=("stop_chain",),
    ),
    "lease_lapsed": Condition(
        title="the motion lease ran out",
        on_s=180.0,
        explained_by=(*DEVICE, *DISK, *STOPS),
        todo=_GO,
    ),
    LEASES: Condition(
        title="the motion lease runs out again and again",
        passes=True,
        off_s=3600.0,
        times=3,
        within_s=3600.0,
        explained_by=(*DEVICE, *DISK),
        todo="Look at the line with `linktest`, and at what else the host computes",
    ),
    WAITS: Condition(
        title="motion waits for a person",
        on_s=PERSON_S,
        todo=_GO,
        explained_by=(
            *STANDS,
            *STOPS,
            *DISK,
            *DEVICE,
            "guard_opened",
            "stop_chain",
            "lease_lapsed",
            "encoder_fault",
            FAILED,
            "other",
        ),
    ),
    # ---- the device and its line
    "device_restarted": Condition(
        title="the device restarted",
        explained_by=("device_unfit",),
        todo="Look at its supply and its reset cause; confirm the travel zero if it is asked for, then `go`",
    ),
    "device_unfit": Condition(
        title="the device cannot be used",
        severity=ACT_NOW,
        todo="Read the sentence, put the device or the rig file right; it is tried again by itself",
    ),
    "recording_failed": Condition(
        title="nothing is recorded",
        severity=ACT_NOW,
        off_s=15.0,
        explained_by=DISK,
        todo="Look at the line with `linktest`, and at the device",
    ),
    LINE: Condition(
        title="the line to the device is down",
        on_s=LINE_S,
        off_s=15.0,
        explained_by=("device_restarted", "device_unfit", "recording_failed", UNRECORDED, FAILED),
        todo="Look at plug, cable and supply of the device; it is opened again by itself",
    ),
    SIGNAL: Condition(
        title="the torque signal leaves its range",
        off_s=QUIET_S,
        todo=f"{SAFE}look at the bridge cable and its plug; figures meanwhile cannot be judged",
    ),
    SHUNT: Condition(
        title="the shunt check was not met",
        passes=True,
        latched=True,
        explained_by=(SIGNAL, *DEVICE),
        todo="Compare bridge, cable and amplifier with the last certificate before these figures are believed",
    ),
    SELF_TEST: Condition(
        title="the device's self test failed",
        passes=True,
        latched=True,
        explained_by=("device_unfit",),
        todo="Read what failed; do not believe figures of this device before it is explained",
    ),
    # ---- figures
    FIGURES: Condition(
        title="figures have moved",
        severity=NOTE,
        off_s=1.0,
        explained_by=("trend_stopped", "limit_exceeded", SIGNAL, *DEVICE),
        todo="Look at the fixture's page or `history`: since when, how steep, what else moved",
    ),
    REJECTED: Condition(
        title="the night does not pass",
        explained_by=(FIGURES, "limit_exceeded", "trend_stopped", SIGNAL),
        todo="Do not release the unit; read the report",
    ),
    "figures_failed": Condition(
        title="figures could not be worked out",
        severity=NOTE,
        passes=True,
        todo="Send the log's line to who looks after nightturn; samples are kept",
    ),
    CALIBRATION: Condition(
        title="a calibration is due",
        todo="Have the transducer calibrated and append its record; figures go on under the old one",
    ),
    # ---- disk and host
    "disk_short": Condition(title="the disk is short", severity=ACT_NOW, off_s=15.0, todo=_MAKE_ROOM),
    "room_unread": Condition(
        title="room on the disk cannot be read",
        severity=ACT_NOW,
        off_s=15.0,
        explained_by=("disk_short",),
        todo=_MAKE_ROOM,
    ),
    "tape_off": Condition(
        title="samples are not recorded", severity=ACT_NOW, off_s=15.0, explained_by=DISK, todo=_MAKE_ROOM
    ),
    "journal_failed": Condition(
        title="the tape took no records",
        severity=ACT_NOW,
        off_s=15.0,
        explained_by=("disk_short",),
        todo=f"Look at the disk of the data root. {_GO}",
    ),
    "sync_failed": Condition(
        title="the disk did not keep what was written",
        severity=ACT_NOW,
        off_s=15.0,
        explained_by=("disk_short", "journal_failed"),
        todo=f"Look at the disk of the data root. {_GO}",
    ),
    "tape_failed": Condition(
        title="a part of the tape is lost",
        severity=ACT_NOW,
        off_s=15.0,
        explained_by=("journal_failed", "sync_failed"),
        todo=f"Run `verify`. {_GO}",
    ),
    "seal_failed": Condition(
        title="samples could not be put into files",
        explained_by=DISK,
        todo="Look at the disk; the next start makes up for it from the tape",
    ),
    UNRECORDED: Condition(
        title="nothing is recorded",
        severity=ACT_NOW,
        off_s=15.0,
        explained_by=("disk_short",),
        todo="Look at the disk of the data root",
    ),
    FAILED: Condition(
        title="a fault of nightturn ended a fixture",
        severity=ACT_NOW,
        todo="Start `serve` again, and send the log's line to who looks after nightturn",
    ),
    CLOCK: Condition(
        title="the host's clock is wrong or was",
        passes=True,
        off_s=60.0,  # every fixture says so
        latched=True,
        todo="Put the clock right; correct runs that began under a wrong one with `redate`",
    ),
    BROKER: Condition(
        title="the MQTT broker is away",
        on_s=BROKER_S,
        off_s=15.0,
        todo="Look at broker and network; what waits is delivered by itself",
    ),
    REFUSED: Condition(
        title="the broker refuses messages",
        passes=True,
        off_s=QUIET_S,
        explained_by=(BROKER,),
        todo="Compare the broker's access list with `nightturn broker-config`; what was refused is kept aside",
    ),
    DROPPED: Condition(
        title="messages were dropped",
        severity=NOTE,
        passes=True,
        explained_by=(BROKER,),
        todo="Fill the reader's gaps from the files; nothing is missing there",
    ),
    UNDELIVERED: Condition(
        title="a notice could not be delivered",
        passes=True,
        off_s=QUIET_S,
        todo="Look at the address under [notify], and at the network",
    ),
    LOG_BROKEN: Condition(
        title="the log of alarms is not whole",
        latched=True,
        passes=True,
        severity=ACT_NOW,
        todo="Find out who changed the file; `nightturn alarms --verify` says where",
    ),
    FLOOD: Condition(
        title="many alarms at once", todo="Begin with the first of them; `nightturn alarms` lists all"
    ),
    "other": Condition(
        title="something needs a person",
        severity=ACT_NOW,
        todo="Read the sentence and look at the rig before `go`",
    ),
}

FROM_WARNINGS = frozenset({"figures_failed", SELF_TEST})
"""Events that are alarms of their own name although they come as warnings."""
SIGNAL_EVENTS = frozenset({"adc_saturated", "bridge_open"})
CLOCK_EVENTS = frozenset({"wall_clock_stepped", "wall_clock_behind"})
OF_TRENDS = frozenset({"trend_changed", "slope_steep", "limit_near", "temperature_moved", "signal_bad"})
"""Events of what the state says too, as long as it lasts: the state is believed."""
OF_THE_HOST = frozenset({"disk_short", "room_unread", CLOCK})
"""What all fixtures have from one disk or clock: one alarm of the host."""


def condition_of(word: str) -> Condition:
    """The row of a condition; of a word that has none, what holds of everything else."""
    return CONDITIONS.get(word, CONDITIONS["other"])
