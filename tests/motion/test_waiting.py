"""What motion waits for: each state names the command that ends the wait."""

import pytest

from nightturn.motion.permission import Cause, LockReason, MotionState, Permission
from nightturn.motion.waiting import waits_for


@pytest.mark.parametrize(
    ("state", "words"),
    [
        (MotionState.LOCKED, "`nightturn go pan-a1 --unit Q-0117 --operator NAME`"),
        (MotionState.PAUSED, "`nightturn go pan-a1 --unit Q-0117 --operator NAME`"),
        (MotionState.ANNOUNCED, "`nightturn stop pan-a1`"),
        (MotionState.ENDED, "`nightturn mount`"),
        (MotionState.ALLOWED, "waits: the guard is open"),
        (MotionState.STOPPING, "until the shaft stands"),
    ],
)
def test_a_state_says_what_it_waits_for(state: MotionState, words: str) -> None:
    assert words in waits_for(Permission(state=state), "pan-a1", "Q-0117", "the guard is open")


def test_turning_waits_for_nothing() -> None:
    assert waits_for(Permission(state=MotionState.TURNING), "pan-a1", "Q-0117", "") == ""


def test_a_lock_names_every_reason_in_order() -> None:
    reasons = [
        LockReason(Cause.TRIPPED, "torque trip", 1),
        LockReason(Cause.NEW_BOOT, "the device restarted", 2),
    ]
    text = waits_for(Permission(reasons=reasons), "pan-a1", "Q-0117", "")
    assert text.startswith("nothing turns: torque trip; the device restarted; waits for ")


@pytest.mark.parametrize("state", list(MotionState))
def test_no_sentence_says_that_anything_is_safe(state: MotionState) -> None:
    assert "safe" not in waits_for(Permission(state=state), "pan-a1", "Q-0117", "")
