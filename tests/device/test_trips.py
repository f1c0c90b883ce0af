"""What the C core stops the drive for by itself: PROTOCOL.md sections 6 and 7. No safety function; tested all the same."""

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.device.device import DRIVE_OFF, MS, SAFE_INPUTS, Device, drive, lease, setup
from tests.device.library import core

from nightturn_protocol import messages as wire
from nightturn_protocol.messages import Axis, EventCode, Input, LeaseState, Reason, SampleFlag, Severity

TRIP = 6_000_000
BRIDGE, BLIND = int(SampleFlag.BRIDGE_FAULT), int(SampleFlag.ENCODER_FAULT)


def turning(**board: object) -> Device:
    """A device whose two axes are on, with a lease that lasts a second."""
    device = Device(**board)  # type: ignore[arg-type]  # numbers of the board and limits
    device.open()
    device.sample()
    device.tell(lease(device.now, window_ms=1000))
    assert device.ask(drive(ramp=2.0)).accepted == 1
    assert device.ask(drive(wire.DriveMode.TORQUE, 3.0, axis=Axis.ACTUATOR)).accepted == 1
    device.ask(setup())
    device.drain()
    device.calls()
    return device


def assert_stopped(device: Device, code: EventCode) -> wire.Event:
    """Both axes are off as hard as the board can, and one latched alarm says why."""
    assert device["driven"] == 0
    stops = [(call.which, call.ramp) for call in device.calls(DRIVE_OFF)]
    assert stops == [(Axis.ACTUATOR, 0.0), (Axis.DRIVE, 50.0)]
    (event,) = [event for event in device.events() if event.code == code and event.latched]
    assert event.severity == Severity.ALARM
    assert device.ask(drive(command=7)).reason in {Reason.LATCHED, Reason.INTERLOCK}
    return event


@pytest.mark.parametrize(("torque", "trips"), [(TRIP, 0), (-TRIP, 0), (TRIP + 1, 1), (-TRIP - 1, 1)])
def test_torque_beyond_the_limit_stops_at_the_first_sample(torque: int, trips: int) -> None:
    device = turning()
    device.sample(torque)
    if not trips:
        assert device["driven"] == 3
        return
    event = assert_stopped(device, EventCode.TORQUE_TRIP)
    assert (event.tick, event.value_a, event.value_b) == (device.now, torque, TRIP)


def test_a_tick_that_was_once_wrong_does_not_blind_the_trips() -> None:
    device = turning()
    now = device.now
    device.sample(after=10_000 * MS)  # from then on every sample comes too early to have a number
    device.now = now
    device.sample(TRIP + 1)
    assert device["misplaced"] == 1
    assert device["driven"] == 0


def test_a_board_without_a_torque_limit_has_no_such_trip() -> None:
    device = turning(trip_counts=0)
    device.sample(8_000_000)
    assert device["driven"] == 3


@pytest.mark.parametrize("rail", [8_388_607, -8_388_608])
def test_a_kick_into_the_rail_is_told_and_a_saturated_converter_stops(rail: int) -> None:
    device = turning(trip_counts=0)
    for _ in range(20):
        device.sample(rail)
    assert device["driven"] == 3
    (told,) = device.events(EventCode.ADC_SATURATED)
    assert (told.latched, told.severity, told.value_a) == (0, Severity.WARNING, rail)
    device.tell(wire.EventAck(told.event_no))
    device.sample(rail)
    assert_stopped(device, EventCode.ADC_SATURATED)
    assert device["overrange"] == 21


@pytest.mark.parametrize(
    ("flag", "code"), [(BRIDGE, EventCode.BRIDGE_OPEN), (BLIND, EventCode.ENCODER_FAULT)]
)
def test_a_fault_that_lasts_stops(flag: int, code: EventCode) -> None:
    device = turning()
    for _ in range(5):
        device.sample(5, flags=flag)
    assert device["driven"] == 3
    device.sample(77, flags=flag)
    assert assert_stopped(device, code).value_a == 77


@pytest.mark.parametrize("flag", [BRIDGE, BLIND])
def test_a_fault_that_comes_and_goes_stops_nothing(flag: int) -> None:
    device = turning()
    for _ in range(50):
        for _ in range(4):
            device.sample(flags=flag)
        device.sample()
        device.tell(lease(device.now, window_ms=1000))
    assert device["driven"] == 3


@pytest.mark.parametrize(
    ("inputs", "code"),
    [
        (SAFE_INPUTS & ~Input.GUARD_CLOSED, EventCode.GUARD_OPENED),
        (SAFE_INPUTS & ~Input.STOP_CHAIN_HEALTHY, EventCode.STOP_CHAIN),
        (SAFE_INPUTS | Input.DRIVE_FAULT, EventCode.DRIVE_FAULT),
    ],
)
def test_an_input_that_forbids_motion_stops_it(inputs: int, code: EventCode) -> None:
    device = turning()
    device.sample(inputs=int(inputs))
    assert device.forbidden()
    event = assert_stopped(device, code)
    assert (event.tick, event.value_a) == (device.now, 3)


@pytest.mark.parametrize(
    ("board", "inputs"),
    [
        ({"inputs_for_motion": SAFE_INPUTS | Input.DRIVE_READY}, SAFE_INPUTS),
        ({"inputs_against": Input.USER_2}, SAFE_INPUTS | Input.USER_2 | Input.DRIVE_READY),
    ],
)
def test_every_input_that_the_board_names_stops(board: dict[str, int], inputs: int) -> None:
    device = Device(**{name: float(value) for name, value in board.items()})  # type: ignore[arg-type]  # numbers of the board
    device.open()
    device.sample(inputs=int(SAFE_INPUTS | Input.DRIVE_READY))
    device.tell(lease(device.now))
    assert device.ask(drive()).accepted == 1
    device.sample(inputs=int(inputs))
    assert device["driven"] == 0
    assert device.ask(drive(command=2)).reason == Reason.INTERLOCK
    assert [event.code for event in device.events()] == []


@pytest.mark.parametrize("limits", [{"inputs_for_motion": 0, "inputs_against": 0}])
def test_an_input_that_the_board_does_not_name_stops_nothing(limits: dict[str, int]) -> None:
    device = turning(**limits)
    device.sample(inputs=int(Input.DRIVE_FAULT))
    assert device["driven"] == 3
    assert [event.code for event in device.events()] == [EventCode.INPUT_CHANGED]


def test_what_stands_at_power_on_forbids_motion_and_surprises_nobody() -> None:
    device = Device()
    device.open()
    for _ in range(3):
        device.sample(inputs=0)
    assert device.events() == []
    assert device.ask(drive()).reason == Reason.INTERLOCK
    device.sample()
    device.sample(inputs=0, after=200 * MS)
    assert {event.code for event in device.events()} >= {EventCode.GUARD_OPENED, EventCode.STOP_CHAIN}


def hot(value: float, *, then: float = 20.0) -> Device:
    device = turning(limits=((1, 80.0),))
    device.slow(1, value)
    device.run(100)
    device.tell(lease(device.now, window_ms=1000))
    device.slow(1, then)
    return device


@pytest.mark.parametrize("value", [80.5, math.nan, math.inf])
def test_what_is_too_hot_or_cannot_be_measured_stops(value: float) -> None:
    device = hot(value)
    event = assert_stopped(device, EventCode.OVER_TEMPERATURE)
    assert (event.value_a, event.value_b) == (1, 80)


@pytest.mark.parametrize("value", [80.0, -300.0, -math.inf])
def test_what_is_cool_enough_stops_nothing(value: float) -> None:
    assert hot(value)["driven"] == 3


def test_a_temperature_without_a_limit_stops_nothing() -> None:
    device = turning(limits=((1, 80.0),))
    device.slow(0, 500.0)
    device.run(300)
    assert device["driven"] == 3


def test_a_temperature_stops_however_seldom_the_host_wants_status() -> None:
    device = turning(limits=((1, 80.0),))
    device.ask(setup(status_ms=10_000))
    device.run(300)
    device.slow(1, 90.0)
    device.run(100)
    assert_stopped(device, EventCode.OVER_TEMPERATURE)


def test_two_limits_are_one_trip_that_stands_until_both_are_met() -> None:
    device = turning(limits=((0, 50.0), (1, 80.0)))
    device.slow(0, 60.0)
    device.slow(1, 90.0)
    device.run(200)
    (event,) = [event for event in device.events() if event.latched]
    device.slow(1, 20.0)
    device.run(100)
    assert device.ask(wire.Clear(event.event_no)).reason == Reason.INTERLOCK
    device.slow(0, 20.0)
    device.run(1000)
    assert device.ask(wire.Clear(event.event_no)) == wire.Done(0, wire.Clear.KIND)


def test_a_converter_that_stops_converting_counts_as_an_open_bridge_until_it_goes_on() -> None:
    device = turning()
    handle, tick = device._handle, device.now + 60 * MS
    core().h_blind(handle, tick)
    device.check()
    event = assert_stopped(device, EventCode.BRIDGE_OPEN)
    core().h_blind(handle, tick + MS)
    assert device.ask(wire.Clear(event.event_no)).reason == Reason.INTERLOCK
    device.sample(after=61 * MS)
    assert device.ask(wire.Clear(event.event_no), seq=900) == wire.Done(0, wire.Clear.KIND)


@pytest.mark.parametrize(
    ("bad", "code"),
    [
        ({"torque": TRIP + 1}, EventCode.TORQUE_TRIP),
        ({"torque": 8_388_607}, EventCode.ADC_SATURATED),
        ({"flags": BRIDGE}, EventCode.BRIDGE_OPEN),
        ({"flags": BLIND}, EventCode.ENCODER_FAULT),
        ({"inputs": SAFE_INPUTS & ~Input.GUARD_CLOSED}, EventCode.GUARD_OPENED),
        ({"inputs": SAFE_INPUTS & ~Input.STOP_CHAIN_HEALTHY}, EventCode.STOP_CHAIN),
        ({"inputs": SAFE_INPUTS | Input.DRIVE_FAULT}, EventCode.DRIVE_FAULT),
    ],
)
def test_what_still_stands_is_not_cleared(bad: dict[str, int], code: EventCode) -> None:
    device = turning(trip_counts=0 if code == EventCode.ADC_SATURATED else TRIP)
    for _ in range(25):
        device.sample(**{name: int(value) for name, value in bad.items()})
    (event,) = [event for event in device.events() if event.code == code and event.latched]
    assert device.ask(wire.Clear(event.event_no)) == wire.Refused(0, Reason.INTERLOCK, wire.Clear.KIND, 0)
    assert device.ask(wire.Clear(0xFFFFFFFF)) == wire.Done(1, wire.Clear.KIND), "all that can be"
    device.sample()
    device.tell(lease(device.now, window_ms=1000))
    assert device.ask(drive(command=3)).reason == Reason.LATCHED, (
        "a cause that is gone clears nothing by itself"
    )
    assert device.ask(wire.Clear(event.event_no)) == wire.Done(0, wire.Clear.KIND)
    assert device["lease_state"] == LeaseState.LIVE
    assert device.ask(drive(command=4)).reason == Reason.NONE


def test_a_chattering_guard_stops_each_time_and_floods_nobody() -> None:
    device = turning()
    for _ in range(500):
        device.sample(inputs=0)
        device.sample()
    found = device.events()
    assert len(found) <= wire.EVENTS_KEPT
    ticks = [event.tick for event in found if event.code == EventCode.GUARD_OPENED]
    assert 9 <= len(ticks) <= 11
    assert all(b - a >= 100 * MS for a, b in pairwise(ticks))
    assert device["driven"] == 0


@pytest.mark.parametrize("bad", [{"torque": 8_388_607}, {"flags": BRIDGE}])
def test_a_loose_cable_is_told_every_ten_seconds(bad: dict[str, int]) -> None:
    device = turning(trip_counts=0)
    told = []
    for _ in range(1000):
        for _ in range(22):
            device.sample(**bad)
        device.sample(after=3 * MS)
        device.tell(lease(device.now))
        for event in device.events():
            device.tell(wire.EventAck(event.event_no))
            told.append(event)
    late = [event.tick for event in told if event.code in {EventCode.ADC_SATURATED, EventCode.BRIDGE_OPEN}]
    assert 3 <= len(late) <= 5
    assert all(b - a >= 10_000 * MS for a, b in pairwise(late[1:]))


def test_a_trip_that_comes_right_after_its_clear_latches_again() -> None:
    device = turning()
    device.sample(TRIP + 1)
    device.sample()
    (first,) = device.events(EventCode.TORQUE_TRIP)
    assert device.ask(wire.Clear(first.event_no)) == wire.Done(0, wire.Clear.KIND)
    assert device.ask(drive(command=2)).accepted == 1
    device.sample(-TRIP - 1)
    (second,) = device.events(EventCode.TORQUE_TRIP)
    assert second.tick - first.tick < 100 * MS
    assert device["driven"] == 0
    assert device.ask(drive(command=3)).reason == Reason.LATCHED


def test_a_trip_of_a_standing_axis_latches_too() -> None:
    device = Device().armed()
    device.sample(TRIP + 5)
    device.sample()
    assert device.ask(drive()).reason == Reason.LATCHED
    assert device.forbidden()


@given(
    st.lists(
        st.tuples(
            st.sampled_from([0, TRIP, TRIP + 1, -TRIP - 1, 8_388_607]),
            st.sampled_from([0, 0, BRIDGE, BLIND]),
            st.sampled_from([SAFE_INPUTS, SAFE_INPUTS, 0, int(SAFE_INPUTS | Input.DRIVE_FAULT)]),
            st.integers(1, 30),
            st.booleans(),
        ),
        max_size=25,
    )
)
def test_nothing_moves_while_anything_stands_or_is_latched(
    script: list[tuple[int, int, int, int, bool]],
) -> None:
    device = Device()
    device.open()
    device.sample()
    for torque, flags, inputs, repeats, clears in script:
        for _ in range(repeats):
            device.sample(torque, flags=flags, inputs=inputs)
        device.tell(lease(device.now, window_ms=1000))
        if clears:
            device.ask(wire.Clear(0xFFFFFFFF))
        reason = device.ask(drive()).reason
        assert (reason == Reason.NONE) == (not device.forbidden())
        assert (device["driven"] == 0) or not device["standing"]
