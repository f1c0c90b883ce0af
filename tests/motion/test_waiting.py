"""What motion waits for: each state names the command that ends its wait, and none says that there is no danger."""

import re

import pytest

from nightturn.motion.permission import Cause, MotionState, Permission
from nightturn.motion.waiting import waits_for

GO = "`nightturn go pan-a1 --unit Q-0117 --operator NAME`"


def said(state: MotionState, stands: str = "") -> str:
    return waits_for(Permission(state=state), "pan-a1", "Q-0117", stands)


@pytest.mark.parametrize(
    ("state", "sentence"),
    [
        (MotionState.LOCKED, f"nothing turns; waits for {GO}"),
        (MotionState.PAUSED, f"paused; {GO} ends the wait"),
        (MotionState.ALLOWED, "about to be announced"),
        (MotionState.ANNOUNCED, "about to turn; `nightturn stop pan-a1` prevents it"),
        (MotionState.TURNING, ""),  # waits for nothing
        (MotionState.STOPPING, "waits until the shaft stands"),
        (MotionState.ENDED, "the run is over and its card used up; `nightturn mount` begins another"),
    ],
)
def test_every_state_says_what_ends_its_wait(state: MotionState, sentence: str) -> None:
    assert said(state) == sentence


def test_the_states_that_wait_for_a_person_name_a_command() -> None:
    for state in (MotionState.LOCKED, MotionState.PAUSED, MotionState.ANNOUNCED, MotionState.ENDED):
        assert re.search(r"`nightturn (go|stop|mount)\b", said(state)), state


def test_a_lock_names_every_reason_in_order() -> None:
    permission = Permission()
    for text in ("the guard is open", "torque trip"):
        permission.take(Cause.TRIPPED, text, at_ns=1, ts=1)
    sentence = waits_for(permission, "pan-a1", "Q-0117", "")
    assert sentence == f"nothing turns: the guard is open; torque trip; waits for {GO}"


def test_a_permission_that_cannot_be_used_names_what_keeps_it() -> None:
    assert (
        said(MotionState.ALLOWED, "the timebase is not locked yet") == "waits: the timebase is not locked yet"
    )


def test_no_state_calls_anything_free_of_danger() -> None:
    for state in MotionState:
        assert not re.search(r"safe|danger", said(state), re.IGNORECASE)
