"""What the input word says against turning, by what the rig file says is wired."""

import itertools

import pytest
from tests.fixture.stations import STATION, station

from nightturn.motion.interlocks import (
    UNTRIED,
    Obstacle,
    closed_again,
    interlock,
    untried,
    unwired,
    watched_inputs,
)
from nightturn.motion.permission import Cause
from nightturn_protocol.messages import Input

GOOD = int(Input.GUARD_CLOSED | Input.STOP_CHAIN_HEALTHY | Input.DRIVE_READY)
GUARD_OPEN = Obstacle(Cause.INTERVENTION, "the guard is open")
CHAIN_OPEN = Obstacle(Cause.INTERVENTION, "the stop chain is open")
FAULT = Obstacle(Cause.TRIPPED, "the turning drive reports a fault")


def test_closed_guard_healthy_chain_and_no_fault_are_no_obstacle() -> None:
    assert interlock(GOOD, STATION) is None


@pytest.mark.parametrize(
    ("word", "found"),
    [
        (0, GUARD_OPEN),  # nothing wired and nothing known reads as open
        (GOOD & ~Input.GUARD_CLOSED, GUARD_OPEN),
        (GOOD & ~Input.STOP_CHAIN_HEALTHY, CHAIN_OPEN),
        (GOOD | Input.DRIVE_FAULT, FAULT),
        (GOOD & ~Input.GUARD_CLOSED | Input.DRIVE_FAULT, GUARD_OPEN),
    ],
)
def test_what_the_word_says_against_turning(word: int, found: Obstacle) -> None:
    assert interlock(word, STATION) == found


def test_no_word_turns_without_guard_and_chain_as_long_as_the_rig_has_them() -> None:
    needed = int(Input.GUARD_CLOSED | Input.STOP_CHAIN_HEALTHY)
    for word in range(1 << 12):
        assert (interlock(word, STATION) is None) == (
            word & needed == needed and not word & Input.DRIVE_FAULT
        )


def test_a_guard_or_chain_that_is_not_wired_is_not_looked_at_and_the_other_still_is() -> None:
    no_guard, no_chain = station(guard="none"), station(stop_chain="none")
    assert interlock(GOOD & ~Input.GUARD_CLOSED, no_guard) is None
    assert interlock(0, no_guard) == CHAIN_OPEN
    assert interlock(GOOD & ~Input.STOP_CHAIN_HEALTHY, no_chain) is None
    assert interlock(0, no_chain) == GUARD_OPEN
    assert interlock(int(Input.DRIVE_FAULT), station(guard="none", stop_chain="none")) == FAULT


@pytest.mark.parametrize(
    ("guard", "stop_chain", "watched", "over"),
    [
        (
            "input",
            "input",
            Input.GUARD_CLOSED | Input.STOP_CHAIN_HEALTHY,
            "guard and stop chain are closed again",
        ),
        ("none", "input", Input.STOP_CHAIN_HEALTHY, "stop chain is closed again"),
        ("input", "none", Input.GUARD_CLOSED, "guard is closed again"),
    ],
)
def test_only_what_the_rig_has_is_watched_and_said_to_be_closed_again(
    guard: str, stop_chain: str, watched: Input, over: str
) -> None:
    settings = station(guard=guard, stop_chain=stop_chain)
    assert watched_inputs(settings) == int(watched)
    assert closed_again(settings) == over
    assert watched_inputs(station(guard="none", stop_chain="none")) == 0


def test_every_start_repeats_what_is_not_wired() -> None:
    assert unwired(STATION) == ""
    assert unwired(station(lamp="none")) == "bench.toml says that there is no warning lamp"
    names = {"guard": "guard", "stop_chain": "stop chain", "lamp": "warning lamp"}
    for missing in itertools.chain.from_iterable(itertools.combinations(names, n) for n in (1, 2, 3)):
        sentence = unwired(station(**dict.fromkeys(missing, "none")))
        for key, name in names.items():
            assert (name in sentence) == (key in missing)


@pytest.mark.parametrize(
    ("guard", "seen_open", "text"),
    [("input", False, UNTRIED), ("input", True, ""), ("none", False, ""), ("none", True, "")],
)
def test_a_guard_that_the_rig_has_is_tried_before_the_first_go(
    guard: str, seen_open: bool, text: str
) -> None:
    assert untried(station(guard=guard), seen_open=seen_open) == text


def test_the_refusal_says_what_to_do_and_what_it_cannot_find() -> None:
    assert UNTRIED.startswith(
        "the guard has not been seen open since the last run ended: open and close it, then go"
    )
    assert "cannot detect a jumper" in UNTRIED
