"""The motion lease on the C core: PROTOCOL.md section 6. It is not a safety function; what it promises is tested."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.device.device import DRIVE, DRIVE_OFF, MS, SET_LEASE, Device, drive, lease

from nightturn_protocol import messages as wire
from nightturn_protocol.messages import Axis, EventCode, LeaseState, Reason

OFF, LIVE, LAPSED = LeaseState.OFF, LeaseState.LIVE, LeaseState.LAPSED


def ready(tick: int = 1_000_000) -> Device:
    device = Device(tick=tick)
    device.open()
    device.run(2)
    device.calls()
    return device


def test_a_device_starts_without_a_lease_and_says_so_to_its_port() -> None:
    device = Device()
    assert device["lease_state"] == OFF
    assert device["lease_line"] == 0


def test_a_lease_ends_on_the_devices_clock_at_the_tick_it_echoes_plus_its_window() -> None:
    device = ready()
    device.tell(lease(device.now - 40 * MS, window_ms=100))
    assert device["lease_state"] == LIVE
    device.poll(60 * MS - 1)
    assert device["lease_state"] == LIVE
    device.poll(1)
    assert device["lease_state"] == OFF
    assert [call.on for call in device.calls(SET_LEASE)] == [1, 0]


def test_a_newer_lease_moves_the_end() -> None:
    device = ready()
    for _ in range(20):
        device.tell(lease(device.now, window_ms=100))
        device.run(90)
        assert device["lease_state"] == LIVE
    assert device["leases_refused"] == 0


@pytest.mark.parametrize(
    ("ago", "window_ms", "taken"),
    [
        (0, 1, True),
        (0, wire.LEASE_WINDOW_MS_MAX, True),
        (0, 0, False),
        (0, wire.LEASE_WINDOW_MS_MAX + 1, False),
        (0, 0xFFFF, False),
        (-1, 500, False),
        (-1_000_000_000, 500, False),
        (500_000 - 1, 500, True),
        (500_000, 500, False),
        (900_000, 500, False),
    ],
)
def test_a_lease_is_taken_within_its_bounds_only(ago: int, window_ms: int, taken: bool) -> None:
    device = ready()
    device.tell(lease(device.now - ago, window_ms))
    assert device["lease_state"] == (LIVE if taken else OFF)
    assert device["leases_refused"] == (not taken)


@pytest.mark.parametrize("field", ["speed", "torque"])
@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, -1e-9])
def test_limits_that_are_no_limits_are_refused_and_the_old_lease_stays(field: str, value: float) -> None:
    device = ready()
    device.tell(lease(device.now - 10, window_ms=300, speed=3.0))
    deadline = device["lease_deadline"]
    numbers = {"speed": 7.0, "torque": 20.0} | {field: value}
    device.tell(lease(device.now, speed=numbers["speed"], torque=numbers["torque"]))
    assert device["leases_refused"] == 1
    assert (device["lease_state"], device["lease_deadline"]) == (LIVE, deadline)
    assert device.ask(drive(setpoint=2.9)).reason == Reason.NONE


@pytest.mark.parametrize("value", [0.0, -0.0, 1e-45])
def test_a_limit_may_be_nothing(value: float) -> None:
    device = ready()
    device.tell(lease(device.now, speed=value, torque=value))
    assert device["lease_state"] == LIVE
    assert device.ask(drive(setpoint=0.1)).reason == Reason.LEASE_LIMIT


def test_a_lease_that_proves_nothing_newer_is_refused() -> None:
    device = ready()
    device.tell(lease(device.now))
    seen = device["lease_seen"]
    device.run(20)
    for tick in (seen, seen - 1, seen - 1000):
        device.tell(lease(tick))
    assert device["leases_refused"] == 3
    device.run(900)
    assert device["lease_state"] == OFF
    device.tell(lease(seen, window_ms=1000))
    assert device["lease_state"] == OFF, "not even after it ended"


def test_the_first_lease_of_a_boot_may_echo_tick_0() -> None:
    device = Device()
    device.open()
    device.tell(lease(0))
    assert device["lease_state"] == LIVE


def test_a_lease_that_ends_with_nothing_driven_needs_no_clear() -> None:
    device = ready()
    device.tell(lease(device.now))
    device.run(600)
    assert device["lease_state"] == OFF
    assert device.events(EventCode.LEASE_LAPSED) == []
    device.tell(lease(device.now))
    assert device["lease_state"] == LIVE


@pytest.mark.parametrize(
    ("command", "axis", "ramp_wanted"),
    [
        (drive(setpoint=2.0, ramp=5.0), Axis.DRIVE, 5.0),
        (drive(setpoint=2.0, ramp=0.25), Axis.DRIVE, 1.0),
        (drive(setpoint=2.0), Axis.DRIVE, 0.0),
        (drive(wire.DriveMode.TORQUE, 4.0, axis=Axis.ACTUATOR, ramp=9.0), Axis.ACTUATOR, 0.0),
    ],
)
def test_a_lapsed_lease_stops_all_axes_and_latches(
    command: wire.Drive, axis: int, ramp_wanted: float
) -> None:
    device = ready()
    device.tell(lease(device.now, window_ms=100))
    assert device.ask(command).accepted == 1
    device.calls()
    device.poll(100 * MS)
    assert (device["lease_state"], device["driven"]) == (LAPSED, 0)
    stops = {call.which: call.ramp for call in device.calls(DRIVE_OFF)}
    assert set(stops) == {Axis.DRIVE, Axis.ACTUATOR}
    assert stops[axis] == ramp_wanted
    (event,) = device.events(EventCode.LEASE_LAPSED)
    assert (event.tick, event.value_a, event.latched) == (device.now, 1 << axis, 1)
    assert event.severity == wire.Severity.ALARM


def test_motion_after_a_lapse_needs_clear_then_lease_then_drive() -> None:
    device = ready()
    device.tell(lease(device.now, window_ms=100))
    device.ask(drive())
    device.run(100)
    assert device.ask(drive()).reason == Reason.LATCHED
    device.tell(lease(device.now))
    assert device["lease_state"] == LAPSED, "a lease alone re-arms nothing"
    assert device["leases_refused"] == 1
    assert device.ask(wire.Clear(0)) == wire.Done(0, wire.Clear.KIND)
    assert device.ask(drive(command=3)).reason == Reason.NO_LEASE
    device.tell(lease(device.now))
    device.run(1)
    assert device["driven"] == 0, "the old command does not come back"
    assert device.ask(drive(command=4)).reason == Reason.NONE


def test_a_lapse_is_cleared_by_no_number_from_before_it() -> None:
    device = ready()
    device.tell(lease(device.now, window_ms=100))
    device.ask(drive())
    device.run(100)
    (event,) = device.events(EventCode.LEASE_LAPSED)
    assert device.ask(wire.Clear(event.event_no - 1)) == wire.Done(1, wire.Clear.KIND)
    assert device["lease_state"] == LAPSED
    assert device.ask(wire.Clear(event.event_no)) == wire.Done(0, wire.Clear.KIND)
    assert device["lease_state"] == OFF


@pytest.mark.parametrize("how", ["close", "new session"])
def test_reconnecting_re_arms_nothing(how: str) -> None:
    device = ready()
    device.tell(lease(device.now, window_ms=100))
    device.ask(drive())
    device.run(100)
    if how == "close":
        device.ask(wire.Close())
    device.open(99)
    device.tell(lease(device.now))
    assert device["lease_state"] == LAPSED
    assert device.ask(drive(command=9)).reason == Reason.LATCHED
    device.ask(wire.Clear(0))
    device.tell(lease(device.now + 0))
    assert device.ask(drive(command=10)).reason == Reason.NONE


def test_what_arrives_with_the_end_of_a_lease_comes_too_late() -> None:
    device = ready()
    device.tell(lease(device.now, window_ms=100))
    device.now += 100 * MS
    assert device.ask(drive()).reason == Reason.NO_LEASE
    assert device.calls(DRIVE) == []


def test_a_gentle_stop_does_not_outlive_the_lease() -> None:
    device = ready()
    device.tell(lease(device.now, window_ms=100))
    device.ask(drive(setpoint=5.0, ramp=4.0))
    device.ask(drive(wire.DriveMode.OFF, 0.0, ramp=0.001))
    assert [call.ramp for call in device.calls(DRIVE_OFF)] == [pytest.approx(0.001)]
    device.run(100)
    assert device["lease_state"] == OFF
    assert {call.which: call.ramp for call in device.calls(DRIVE_OFF)} == {
        Axis.ACTUATOR: 0.0,
        Axis.DRIVE: 4.0,
    }


@given(
    seen=st.integers(0, (1 << 64) - 1) | st.integers(1_990_000, 2_010_000),
    window=st.integers(0, 0xFFFF) | st.integers(0, 20),
    speed=st.floats(width=32) | st.floats(0, 10, width=32),
    torque=st.floats(width=32) | st.floats(0, 10, width=32),
    tick=st.sampled_from([2_000_000, 500, (1 << 63) + 5, (1 << 64) - 20_000_000]),
)
def test_no_numbers_make_a_lease_outlive_what_it_proves(
    seen: int, window: int, speed: float, torque: float, tick: int
) -> None:
    device = Device(tick=tick)
    device.open()
    device.tell(lease(seen, window, speed, torque))
    end = seen + window * MS
    good = (
        seen <= tick < end
        and 1 <= window <= wire.LEASE_WINDOW_MS_MAX
        and all(math.isfinite(limit) and limit >= 0 for limit in (speed, torque))
    )
    assert device["lease_state"] == (LIVE if good else OFF)
    if good:
        device.poll(end - tick - 1)
        assert device["lease_state"] == LIVE
        device.poll(1)
    assert device["lease_state"] == OFF
