"""A worker's queue to the first process: the order stays, the newest word on each state and alarm is never lost, losses are counted."""

from hypothesis import given
from hypothesis import strategies as st
from tests.daemon.speaking import state

from nightturn.daemon.outbound import Outbound, slot_of, thinned
from nightturn.daemon.worker_messages import Info, Item, Line, Row
from nightturn.model.records import Emit
from nightturn.model.rows import (
    ALARM_OVER,
    EVENTS,
    RUN_ENDED,
    SLOW,
    STATE,
    AlarmOver,
    EventRow,
    RunEnded,
    SlowRow,
)

FIXTURES = st.sampled_from(["pan-a1", "pan-a2"])
KINDS = st.sampled_from(["torque_trip", "disk_short"])


def event(fixture: str, kind: str, severity: str = "alarm") -> Row:
    return Row(fixture, Emit(EVENTS, EventRow(0, 0, 0, kind, severity, "detail")))


ITEMS = st.lists(
    st.one_of(
        st.builds(
            lambda fixture, no: Row(fixture, Emit(STATE, state(cycle_no=no))), FIXTURES, st.integers(1, 9)
        ),
        st.builds(event, FIXTURES, KINDS),
        st.builds(lambda fixture, kind: Row(fixture, Emit(ALARM_OVER, AlarmOver(0, kind))), FIXTURES, KINDS),
        st.builds(lambda fixture, kind: event(fixture, kind, "info"), FIXTURES, KINDS),
        st.builds(lambda no: Line({"event": "waits", "level": "info", "no": no}), st.integers(0, 99)),
        st.builds(lambda fixture, run: Info(fixture, {"run": run}), FIXTURES, st.sampled_from(["r1", "r2"])),
    ),
    max_size=60,
)


def newest_words(items: list[Item]) -> dict[object, Item]:
    """What a reader believes in the end of each state and alarm."""
    return {slot: item for item in items if (slot := slot_of(item)) is not None}


@given(items=ITEMS, most=st.integers(0, 20))
def test_whoever_reads_what_is_left_believes_the_same_in_the_end(items: list[Item], most: int) -> None:
    kept = thinned(items, most)
    assert newest_words(kept) == newest_words(items)
    facts = [item for item in items if slot_of(item) is None]
    assert [item for item in kept if slot_of(item) is None] == facts[max(len(facts) - most, 0) :]
    left = iter(items)
    assert all(any(each is item for each in left) for item in kept)  # in their order


@given(items=ITEMS, most=st.integers(20, 40))
def test_every_item_is_taken_or_counted(items: list[Item], most: int) -> None:
    outbound = Outbound(lambda: None, most=most)
    for item in items:
        if isinstance(item, Line):
            outbound.line(item.fields)
        elif isinstance(item, Info):
            outbound.announce(item.fixture, item.info)
        else:
            outbound.offer(item.fixture, item.emit)
    taken: list[Item] = []
    while part := outbound.take(7):
        taken += part
    assert len(taken) + outbound.dropped == len(items)
    assert len(taken) <= most
    assert newest_words(taken) == newest_words(items)


def test_rows_for_files_only_stay_here_and_where_nobody_publishes_all_that_no_alarm_follows_from() -> None:
    waits: list[bool] = []
    outbound = Outbound(lambda: waits.append(True))
    outbound.offer("pan-a1", Emit(SLOW, SlowRow(0, 0, 0, "frame", 21.0)))
    assert (outbound.take(9), waits) == ((), [])
    quiet = Outbound(lambda: None, rows=False)
    quiet.offer("pan-a1", Emit(STATE, state()))  # alarms follow from it
    quiet.offer("pan-a1", Emit(RUN_ENDED, RunEnded(0, "20261126T180000Z-24a9", "plan done", "plan")))
    quiet.line({"event": "waits", "level": "info"})
    assert quiet.take(9) == (Row("pan-a1", Emit(STATE, state())), Line({"event": "waits", "level": "info"}))
