"""Events of the C core: told until acknowledged, bounded, latched until cleared; PROTOCOL.md section 7."""

from itertools import pairwise

from tests.device.device import BOOT_ID, MS, SAFE_INPUTS, Device, drive, lease

from nightturn_protocol import messages as wire
from nightturn_protocol.messages import EventCode, Input, Severity

USER = [SAFE_INPUTS, int(SAFE_INPUTS | Input.USER_1)]


def opened() -> Device:
    device = Device()
    device.open()
    device.sample(after=0)
    device.tell(wire.EventAck(1))
    device.drain()
    return device


def test_the_first_event_of_a_boot_says_why_it_started() -> None:
    device = Device(tick=777)
    device.start(cause=wire.ResetCause.WATCHDOG)
    device.tell(wire.Open(0, 1, 0, 0, 0, 5, 0, 1), session=5)
    events = device.events()
    assert events == [wire.Event(777, 1, wire.ResetCause.WATCHDOG, 0, EventCode.BOOT, Severity.INFO, 0)]


def test_a_change_of_inputs_is_an_event_with_both_words_and_its_tick() -> None:
    device = opened()
    device.sample(inputs=USER[1], after=150 * MS)
    (event,) = device.events()
    assert event == wire.Event(device.now, 2, USER[0], USER[1], EventCode.INPUT_CHANGED, Severity.INFO, 0)


def test_an_event_is_repeated_until_it_is_acknowledged() -> None:
    device = opened()
    device.sample(inputs=USER[1])
    seen = []
    for _ in range(1000):
        device.poll(MS)
        seen += [(device.now, event.event_no) for event in device.events()]
    ticks = [tick for tick, _ in seen]
    assert {number for _, number in seen} == {2}
    assert [b - a for a, b in pairwise(ticks)] == [wire.EVENT_REPEAT_MS * MS] * (len(ticks) - 1)
    assert len(ticks) == 5
    device.tell(wire.EventAck(3))
    device.poll(300 * MS)
    assert [event.event_no for event in device.events()] == [2]
    device.tell(wire.EventAck(2))
    device.poll(1000 * MS)
    assert device.events() == []


def test_an_event_keeps_its_number_as_sequence_number() -> None:
    device = opened()
    device.sample(inputs=USER[1])
    frames = [frame for frame in device.drain() if frame.kind == wire.Event.KIND]
    assert [frame.seq for frame in frames] == [2]


def test_the_same_code_is_raised_at_most_every_tenth_of_a_second() -> None:
    device = opened()
    for number in range(1, 400):
        device.sample(inputs=USER[number % 2])
    ticks = [event.tick for event in device.events()]
    assert len(ticks) == 4
    assert all(b - a == 100 * MS for a, b in pairwise(ticks))
    assert device["events_suppressed"] == 399 - 4


def test_the_newest_unacknowledged_events_survive_a_lost_link() -> None:
    device = opened()
    for number in range(1, wire.EVENTS_KEPT + 9):
        device.sample(inputs=USER[number % 2], after=100 * MS)
    assert device["events_kept"] == wire.EVENTS_KEPT
    device.tell(lease(device.now))
    numbers = [event.event_no for event in device.events()]
    assert numbers == list(range(10, 10 + wire.EVENTS_KEPT))
    for number in numbers[5:]:
        device.tell(wire.EventAck(number))
    device.poll(200 * MS)
    assert [event.event_no for event in device.events()] == numbers[:5]


def test_acknowledging_is_not_clearing() -> None:
    device = opened()
    device.sample(7_000_000)
    device.sample()
    (trip,) = device.events(EventCode.TORQUE_TRIP)
    device.tell(wire.EventAck(trip.event_no))
    device.poll(1000 * MS)
    assert device.events() == []
    assert device.forbidden()
    assert device.ask(wire.Clear(trip.event_no)) == wire.Done(0, wire.Clear.KIND)
    assert not device.forbidden()


def test_clear_names_the_newest_event_seen_and_clears_nothing_newer() -> None:
    device = opened()
    device.sample(7_000_000, inputs=0)
    device.sample()
    latched = {event.code: event.event_no for event in device.events() if event.latched}
    assert set(latched) == {EventCode.TORQUE_TRIP, EventCode.GUARD_OPENED, EventCode.STOP_CHAIN}
    assert device.ask(wire.Clear(1)) == wire.Done(3, wire.Clear.KIND)
    for left, event_no in zip((2, 1, 0), sorted(latched.values()), strict=True):
        assert device.ask(wire.Clear(event_no)) == wire.Done(left, wire.Clear.KIND)


def test_clear_without_a_number_clears_a_lapsed_lease_and_nothing_else() -> None:
    device = opened()
    device.tell(lease(device.now, window_ms=100))
    device.ask(drive())
    device.run(100)
    device.sample(7_000_000)
    device.sample()
    assert {event.code for event in device.events() if event.latched} == {
        EventCode.LEASE_LAPSED,
        EventCode.TORQUE_TRIP,
    }
    assert device.ask(wire.Clear(0)) == wire.Done(1, wire.Clear.KIND)
    assert device["lease_state"] == wire.LeaseState.OFF
    assert device.forbidden()


def test_a_latched_event_outlives_its_session() -> None:
    device = opened()
    device.sample(7_000_000)
    device.sample()
    device.ask(wire.Close())
    device.open(9)
    assert device.forbidden()


def test_a_new_session_is_told_what_is_latched_though_another_host_has_acknowledged_it() -> None:
    device = opened()
    device.sample(7_000_000)
    device.sample()
    (trip,) = device.events(EventCode.TORQUE_TRIP)
    device.tell(wire.EventAck(trip.event_no))
    device.poll(1000 * MS)
    assert device.events() == []
    device.tell(wire.Open(0, 9, 0, 0, 0, 9, 0, 1), session=9)
    device.session = 9
    assert device.events() == [trip]
    device.tell(wire.EventAck(trip.event_no))
    device.poll(1000 * MS)
    assert device.events() == []
    assert device.ask(wire.Clear(trip.event_no)) == wire.Done(0, wire.Clear.KIND)
    device.open(10)
    device.poll(1000 * MS)
    assert device.events() == []


def test_who_takes_up_a_session_is_not_told_again() -> None:
    device = opened()
    device.sample(7_000_000)
    device.sample()
    (trip,) = device.events(EventCode.TORQUE_TRIP)
    device.tell(wire.EventAck(trip.event_no))
    device.open(9, fresh=0, last_session=device.session, last_boot_id=BOOT_ID, nonce=2)
    device.poll(1000 * MS)
    assert device.events() == []


def test_chatter_that_nobody_acknowledges_never_pushes_a_trip_out() -> None:
    device = opened()
    device.sample(7_000_000, after=150 * MS)  # latched
    device.sample(8_388_607, after=150 * MS)  # a warning, the first kick into the rail
    for number in range(3 * wire.EVENTS_KEPT):
        device.sample(inputs=USER[1 - number % 2], after=100 * MS)
    assert device["events_kept"] == wire.EVENTS_KEPT
    device.tell(lease(device.now))
    told = device.events()
    assert [event.event_no for event in told] == sorted(event.event_no for event in told)
    assert [event.code for event in told[:2]] == [EventCode.TORQUE_TRIP, EventCode.ADC_SATURATED]
    newest = device["next_event_no"] - 1
    assert [event.event_no for event in told[2:]] == list(range(newest - wire.EVENTS_KEPT + 3, newest + 1))


def test_what_was_cleared_matters_less_than_what_is_latched() -> None:
    device = opened()
    device.sample(7_000_000, after=150 * MS)
    device.sample()
    (first,) = device.events(EventCode.TORQUE_TRIP)
    assert device.ask(wire.Clear(first.event_no)) == wire.Done(0, wire.Clear.KIND)
    device.sample(inputs=0, after=150 * MS)
    for number in range(wire.EVENTS_KEPT + 5):  # alarms that latch anew, each cleared, none acknowledged
        device.sample(7_000_000, inputs=0, after=100 * MS)
        device.sample(inputs=0)
        trips = [event.event_no for event in device.events(EventCode.TORQUE_TRIP)]
        assert device.ask(wire.Clear(max(trips))).detail == 2, number
    device.tell(lease(device.now))
    device.poll(300 * MS)
    told = device.events()
    assert {EventCode.GUARD_OPENED, EventCode.STOP_CHAIN} <= {event.code for event in told}
    assert first.event_no not in [event.event_no for event in told]
    assert all(event.severity == Severity.ALARM for event in told)
    device.sample(after=150 * MS)  # the guard closes: chatter beside 32 alarms
    assert device["next_event_no"] == told[-1].event_no + 2, "it has a number"
    device.poll(300 * MS)
    assert EventCode.INPUT_CHANGED not in [event.code for event in device.events()]


def test_what_is_told_again_stands_where_its_number_belongs() -> None:
    device = opened()
    device.sample(7_000_000, after=150 * MS)
    device.sample()
    (trip,) = device.events(EventCode.TORQUE_TRIP)
    device.tell(wire.EventAck(trip.event_no))
    device.sample(inputs=USER[1], after=150 * MS)
    device.tell(wire.Open(0, 9, 0, 0, 0, 9, 0, 1), session=9)
    assert [event.code for event in device.events()] == [EventCode.TORQUE_TRIP, EventCode.INPUT_CHANGED]


def test_events_from_before_open_are_told_after_it() -> None:
    device = Device()
    device.sample()
    device.sample(inputs=USER[1], after=500 * MS)
    assert device.events() == []
    device.tell(wire.Open(0, 1, 0, 0, 0, 5, 0, 1), session=5)
    assert [event.code for event in device.events()] == [EventCode.BOOT, EventCode.INPUT_CHANGED]
