"""What motion waits for: each state names the command that ends its wait, and none says that there is no danger."""

import re

import pytest

from nightturn.model.clocks import ClockOffset
from nightturn.motion.permission import Cause, MotionState, Permission
from nightturn.motion.waiting import waits_for

BEGAN_TS = 1_795_638_600_000_000_000  # 2026-11-25 20:30:00 UTC
GO = "`nightturn go pan-a1 --unit Q-0117 --operator NAME`"


def said(state: MotionState, stands: str = "") -> str:
    return waits_for(Permission(state=state), "pan-a1", "Q-0117", stands, BEGAN_TS, ())


@pytest.mark.parametrize(
    ("state", "sentence"),
    [
        (MotionState.LOCKED, f"nothing turns; waits for {GO}"),
        (MotionState.PAUSED, f"paused since 2026-11-25 20:30:00 +00:00; {GO} ends the wait"),
        (MotionState.ALLOWED, "about to be announced"),
        (MotionState.ANNOUNCED, "about to turn; `nightturn stop pan-a1` prevents it"),
        (MotionState.TURNING, ""),  # waits for nothing
        (MotionState.STOPPING, "waits until the shaft is at rest"),
        (MotionState.ENDED, "the run is over and its card used up; `nightturn mount` begins another"),
    ],
)
def test_every_state_says_what_ends_its_wait(state: MotionState, sentence: str) -> None:
    assert said(state) == sentence


def test_the_states_that_wait_for_a_person_name_a_command() -> None:
    for state in (MotionState.LOCKED, MotionState.PAUSED, MotionState.ANNOUNCED, MotionState.ENDED):
        assert re.search(r"`nightturn (go|stop|mount)\b", said(state)), state


def test_a_lock_names_every_reason_in_order_and_since_when_by_the_clocks_of_the_bench() -> None:
    permission, ts = Permission(), 1_795_640_400_000_000_000  # 2026-11-25 21:00:00 UTC
    changed = ts + 60_000_000_000
    clocks = (ClockOffset(0, 3600), ClockOffset(changed, 7200))
    permission.take(Cause.TRIPPED, "the guard is open", at_ns=1, ts=ts)
    permission.take(Cause.TRIPPED, "torque trip", at_ns=1, ts=changed)
    sentence = waits_for(permission, "pan-a1", "Q-0117", "", BEGAN_TS, clocks)
    assert sentence == (
        "nothing turns: the guard is open (since 2026-11-25 22:00:00 +01:00); "
        f"torque trip (since 2026-11-25 23:01:00 +02:00); waits for {GO}"
    )


def test_a_pause_says_since_when_by_the_clocks_of_the_bench_also_beside_what_stands_in_the_way() -> None:
    permission = Permission(state=MotionState.PAUSED)
    clocks = (ClockOffset(0, 3600),)
    assert waits_for(permission, "pan-a1", "Q-0117", "the guard is open", BEGAN_TS, clocks) == (
        f"paused since 2026-11-25 21:30:00 +01:00: the guard is open; waits for {GO}"
    )


def test_a_permission_that_cannot_be_used_names_what_keeps_it() -> None:
    assert (
        said(MotionState.ALLOWED, "the device's clock is not aligned with the host's yet")
        == "waits: the device's clock is not aligned with the host's yet"
    )


def test_no_state_calls_anything_free_of_danger() -> None:
    for state in MotionState:
        assert not re.search(r"safe|danger", said(state), re.IGNORECASE)
