"""Alarms that an earlier daemon of this host left with the broker: which go on, and which are over.

What the core of now raises by itself needs no taking over. What it cannot know again is an alarm that waits for a
person: for a `go` in a run that goes on, or for another run. Everything else is cleared.
"""

from collections.abc import Mapping
from typing import Any

import msgspec

from nightturn.model.alarms import EndsWith
from nightturn.model.rows import NO_RUN, StandingRow, StateRow
from nightturn.motion.permission import MotionState


def decoded(payload: bytes) -> dict[str, Any] | None:
    """An alarm's payload; None when it is none of this version."""
    try:
        found = msgspec.json.decode(payload)
    except msgspec.MsgspecError:
        return None
    return found if isinstance(found, dict) else None


def goes_on(alarm: Mapping[str, Any], row: StateRow | StandingRow) -> bool:
    """Whether an alarm of an earlier daemon still needs a person, by what its fixture does now."""
    if not row.run or alarm.get("run") != row.run:
        return False
    ends_with = alarm.get("ends_with")
    if isinstance(row, StateRow):
        waits = ends_with == EndsWith.GO and bool(row.locks)
        return waits or (ends_with == EndsWith.NEXT_RUN and row.state == MotionState.ENDED)
    return ends_with == EndsWith.NEXT_RUN and row.state == NO_RUN
