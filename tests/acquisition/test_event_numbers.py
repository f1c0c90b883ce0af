"""The numbers of a device's events: a hole is one that nobody has seen, and only until it comes."""

from hypothesis import given
from hypothesis import strategies as st

from nightturn.acquisition.greeting import NO_EVENT, Memory
from nightturn_protocol.messages import EVENTS_KEPT, Event, EventCode, Severity


def event(number: int) -> Event:
    return Event(number, number, 0, 0, EventCode.INPUT_CHANGED, Severity.INFO, 0)


def hole(memory: Memory) -> bool:
    return memory.newest_event > memory.events_through


def test_the_first_event_that_is_seen_begins_the_count() -> None:
    memory = Memory()
    assert (memory.events_through, hole(memory)) == (NO_EVENT, False)
    assert memory.first_told(event(57))
    assert (memory.events_through, hole(memory)) == (57, False)


def test_a_hole_is_there_until_what_is_missing_comes() -> None:
    memory = Memory()
    for number, missing in ((7, False), (9, True), (9, True), (10, True), (8, False), (11, False)):
        memory.first_told(event(number))
        assert hole(memory) == missing
    assert memory.events_through == 11


def test_a_new_boot_counts_from_one_and_its_first_event_must_be_that() -> None:
    memory = Memory(boot_id=1)
    memory.first_told(event(40))
    memory.forget_boot()
    assert not hole(memory)
    memory.first_told(event(2))
    assert hole(memory)
    memory.first_told(event(1))
    assert not hole(memory)


@given(st.permutations(range(20, 20 + EVENTS_KEPT)), st.integers(0, EVENTS_KEPT - 1))
def test_in_any_order_a_hole_is_what_has_not_come(order: list[int], left_out: int) -> None:
    memory = Memory(events_through=19)
    for number in order:
        if number != 20 + left_out:
            memory.first_told(event(number))
    assert hole(memory) == (left_out != EVENTS_KEPT - 1)
    memory.first_told(event(20 + left_out))
    assert not hole(memory)
    assert memory.events_through == 19 + EVENTS_KEPT
