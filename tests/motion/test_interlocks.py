"""The input word against turning, and what a rig file says is not wired."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.fixture.stations import station

from nightturn.motion.interlocks import interlock, unwired
from nightturn.motion.permission import Cause
from nightturn_protocol.messages import Input

GOOD = int(Input.GUARD_CLOSED | Input.STOP_CHAIN_HEALTHY | Input.DRIVE_READY)


@pytest.mark.parametrize(
    ("word", "cause", "text"),
    [
        (GOOD & ~int(Input.GUARD_CLOSED), Cause.INTERVENTION, "the guard is open"),
        (GOOD & ~int(Input.STOP_CHAIN_HEALTHY), Cause.INTERVENTION, "the stop chain is open"),
        (GOOD | int(Input.DRIVE_FAULT), Cause.TRIPPED, "the turning drive reports a fault"),
        (0, Cause.INTERVENTION, "the guard is open"),
    ],
)
def test_each_input_that_stands_against_turning_has_a_sentence(word: int, cause: Cause, text: str) -> None:
    found = interlock(word, station())
    assert found is not None
    assert (found.cause, found.text) == (cause, text)


@given(word=st.integers(0, 0xFFFF))
def test_only_a_closed_guard_a_healthy_chain_and_no_fault_let_turn(word: int) -> None:
    good = bool(
        word & Input.GUARD_CLOSED and word & Input.STOP_CHAIN_HEALTHY and not word & Input.DRIVE_FAULT
    )
    assert (interlock(word, station()) is None) == good


def test_what_is_said_not_to_be_wired_is_not_looked_at_and_said_at_every_start() -> None:
    bare = station(guard="none", stop_chain="none", lamp="none")
    assert interlock(0, bare) is None
    assert unwired(bare) == "bench.toml says that there is no guard, no stop chain, no warning lamp"
    assert unwired(station()) == ""
