"""DRIVE on the C core: each refusal with its reason, OFF always taken; PROTOCOL.md section 6. Not a safety function."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.device.device import (
    DRIVE,
    DRIVE_OFF,
    LATER,
    MS,
    SAFE_INPUTS,
    Device,
    drive,
    lease,
    setup,
)

from nightturn_protocol import messages as wire
from nightturn_protocol.framing import frame_body, to_wire
from nightturn_protocol.messages import Axis, DriveMode, Input, Output, Reason

SPEED, TRAVEL, TORQUE, OFF = DriveMode.SPEED, DriveMode.TRAVEL, DriveMode.TORQUE, DriveMode.OFF
ACTUATOR = Axis.ACTUATOR
NAN, INF = math.nan, math.inf


def torque(setpoint: float = 2.0, **more: float) -> wire.Drive:
    return drive(TORQUE, setpoint, axis=ACTUATOR, **more)  # type: ignore[arg-type]  # ints and floats alike


@pytest.mark.parametrize(
    ("command", "reason"),
    [
        (drive(SPEED, 7.0), Reason.NONE),
        (drive(SPEED, -7.0, limit=7.0), Reason.NONE),
        (drive(SPEED, 0.0), Reason.NONE),
        (drive(TRAVEL, 1.0, travel=-5000), Reason.NONE),
        (torque(20.0), Reason.NONE),
        (torque(-20.0, limit=7.0), Reason.NONE),
        (drive(SPEED, NAN), Reason.NOT_FINITE),
        (drive(SPEED, 1.0, limit=NAN), Reason.NOT_FINITE),
        (drive(SPEED, 1.0, ramp=-INF), Reason.NOT_FINITE),
        (torque(INF), Reason.NOT_FINITE),
        (drive(SPEED, NAN, axis=9), Reason.NOT_FINITE),
        (drive(SPEED, 1.0, axis=2), Reason.OUT_OF_RANGE),
        (drive(4, 1.0), Reason.OUT_OF_RANGE),
        (drive(255, 1.0), Reason.OUT_OF_RANGE),
        (drive(SPEED, 7.01), Reason.OUT_OF_RANGE),
        (drive(SPEED, -3.0, limit=2.9), Reason.OUT_OF_RANGE),
        (drive(SPEED, 1.0, limit=-1.0), Reason.OUT_OF_RANGE),
        (drive(SPEED, 1.0, ramp=-0.1), Reason.OUT_OF_RANGE),
        (drive(TRAVEL, 1.0, travel=0), Reason.OUT_OF_RANGE),
        (drive(TRAVEL, 0.0, travel=9), Reason.OUT_OF_RANGE),
        (torque(20.5), Reason.OUT_OF_RANGE),
        (torque(1.0, ramp=-1.0), Reason.OUT_OF_RANGE),
        (torque(1.0, limit=-1.0), Reason.OUT_OF_RANGE),
        (drive(SPEED, 1.0, axis=ACTUATOR), Reason.UNSUPPORTED),
        (drive(TORQUE, 1.0, axis=Axis.DRIVE), Reason.UNSUPPORTED),
        (drive(SPEED, 1.0, not_after=1), Reason.TOO_LATE),
    ],
)
def test_each_command_is_taken_or_refused_for_its_reason(command: wire.Drive, reason: Reason) -> None:
    device = Device().armed()
    answer = device.ask(command)
    assert answer == wire.DriveReply(device.command_no, reason, int(reason is Reason.NONE), 0)
    driven = device.calls(DRIVE)
    assert len(driven) == (reason is Reason.NONE and command.setpoint != 0.0)


@pytest.mark.parametrize(
    ("command", "allowed"),
    [
        (drive(SPEED, 2.0), (2.0, 0.0)),
        (drive(SPEED, 1.0, limit=2.0), (2.0, 0.0)),
        (drive(TRAVEL, -2.0, travel=7), (2.0, 0.0)),
        (torque(3.0), (7.0, 3.0)),  # with no limit of its own it may spin up as fast as the board goes
        (torque(1.0, limit=2.0), (2.0, 1.0)),
    ],
)
def test_nothing_beyond_the_lease_is_taken_and_nothing_is_trimmed(
    command: wire.Drive, allowed: tuple[float, float]
) -> None:
    below = (math.nextafter(allowed[0], 0.0) - 1e-6, math.nextafter(allowed[1], 0.0) - 1e-6)
    for speed, most in ((max(below[0], 0.0), allowed[1]), (allowed[0], max(below[1], 0.0))):
        device = Device()
        device.open()
        device.run(2)
        device.tell(lease(device.now, speed=speed, torque=most))
        if (speed, most) != allowed:
            assert device.ask(command).reason == Reason.LEASE_LIMIT
    device = Device()
    device.open()
    device.run(2)
    device.tell(lease(device.now, speed=allowed[0], torque=allowed[1]))
    device.calls()
    assert device.ask(command).reason == Reason.NONE
    (call,) = device.calls(DRIVE)
    assert abs(call.setpoint) == abs(command.setpoint)
    assert call.speed_limit == (command.speed_limit or 7.0), "0 is the board's own limit, never none"


def test_without_a_lease_nothing_moves() -> None:
    device = Device()
    device.open()
    device.run(2)
    for command in (drive(), drive(TRAVEL, travel=10), torque()):
        assert device.ask(command).reason == Reason.NO_LEASE
    assert device.calls(DRIVE) == []


def test_before_the_first_sample_nobody_knows_the_inputs() -> None:
    device = Device()
    device.open()
    device.tell(lease(0))
    assert device.ask(drive()).reason == Reason.INTERLOCK


@pytest.mark.parametrize(
    "inputs",
    [
        SAFE_INPUTS & ~Input.GUARD_CLOSED,
        SAFE_INPUTS & ~Input.STOP_CHAIN_HEALTHY,
        SAFE_INPUTS | Input.DRIVE_FAULT,
        0,
    ],
)
def test_an_input_that_forbids_motion_is_an_interlock(inputs: int) -> None:
    device = Device()
    device.open()
    device.sample(inputs=int(inputs))
    device.tell(lease(device.now))
    assert device.ask(drive()).reason == Reason.INTERLOCK
    device.sample()
    assert device.ask(drive()).reason == Reason.NONE


def test_a_failed_self_test_forbids_motion() -> None:
    device = Device(self_test=1)
    device.armed()
    assert device.forbidden()
    assert device.ask(drive()).reason == Reason.INTERLOCK


def test_a_command_that_has_waited_for_the_loop_is_judged_by_now() -> None:
    device = Device().armed()
    came = device.now
    device.poll(1000 * MS)  # the loop comes by when the lease is long over
    device.receive(to_wire(frame_body(drive(command=1), device.session, 99)), came)
    (answer,) = [f.message for f in device.drain() if isinstance(f.message, wire.DriveReply)]
    assert answer.reason == Reason.NO_LEASE


def test_the_time_limit_of_a_command_is_the_last_tick_at_which_it_is_taken() -> None:
    for late, reason in ((0, Reason.NONE), (1, Reason.TOO_LATE)):
        device = Device().armed()
        limit = device.now + 5000
        device.now = limit + late
        assert device.ask(drive(not_after=limit)).reason == reason


def test_travel_on_a_moving_shaft_is_not_now() -> None:
    device = Device().armed()
    device["moves_alone"] = 1
    assert device.ask(drive(TRAVEL, travel=10)).reason == Reason.NOT_NOW
    assert device.ask(drive(SPEED, 1.0)).reason == Reason.NONE


def test_travel_goes_with_the_sign_of_its_counts_at_the_magnitude_of_its_speed() -> None:
    device = Device().armed()
    assert device.ask(drive(TRAVEL, -1.5, travel=-70_000, limit=2.0, ramp=3.0)).accepted == 1
    (call,) = device.calls(DRIVE)
    assert (call.setpoint, call.travel_counts, call.speed_limit, call.ramp) == (1.5, -70_000, 2.0, 3.0)
    assert (call.which, call.mode) == (Axis.DRIVE, TRAVEL)


def test_speed_keeps_its_sign() -> None:
    device = Device().armed()
    device.ask(drive(SPEED, -2.0))
    device.ask(torque(-3.0))
    assert [call.setpoint for call in device.calls(DRIVE)] == [-2.0, -3.0]


def test_a_speed_or_torque_of_0_is_off() -> None:
    device = Device().armed()
    device.ask(drive(SPEED, 2.0))
    device.ask(torque(3.0))
    assert device["driven"] == 3
    device.ask(drive(SPEED, 0.0, ramp=2.5))
    device.ask(torque(-0.0, ramp=1.5))
    assert device["driven"] == 0
    assert [(call.which, call.ramp) for call in device.calls(DRIVE_OFF)] == [(0, 2.5), (1, 1.5)]


@pytest.mark.parametrize("features", [7, 6])
@pytest.mark.parametrize("ramp", [2.0, 0.0, NAN, INF, -4.0])
@pytest.mark.parametrize(("axis", "stopped"), [(0, [0]), (1, [1]), (2, [1, 0]), (255, [1, 0])])
def test_off_is_always_taken(features: int, ramp: float, axis: int, stopped: list[int]) -> None:
    device = Device(features=features)
    device.open()
    device.sample(inputs=0)
    device.calls()
    command = wire.Drive(5, 1, 8, NAN, -1.0, ramp, axis, OFF, 9)
    assert device.ask(command) == wire.DriveReply(8, Reason.NONE, 1, 0)
    assert [call.which for call in device.calls(DRIVE_OFF)] == stopped


def test_a_board_without_a_drive_moves_nothing() -> None:
    device = Device(
        features=6, without_drive_off=1, without_moving=1, without_set_lease=1, without_set_output=1
    )
    device.open()
    device.run(2)
    device.tell(lease(device.now))
    assert device.ask(drive()).reason == Reason.UNSUPPORTED
    assert device.ask(drive(OFF)).accepted == 1
    assert device.calls(DRIVE, DRIVE_OFF) == []


def test_off_stops_with_its_own_ramp() -> None:
    device = Device().armed()
    device.ask(drive(SPEED, 5.0))
    device.calls()
    device.ask(drive(OFF, 0.0, ramp=3.0))
    device.ask(drive(OFF, 0.0, ramp=6.0))
    assert [call.ramp for call in device.calls(DRIVE_OFF)] == [3.0, 6.0]


@pytest.mark.parametrize("later", [0.0, 0.01, 2.0, 49.0])
def test_off_does_not_soften_the_stop_of_a_trip(later: float) -> None:
    device = Device().armed()
    device.ask(drive(SPEED, 5.0, ramp=2.0))
    device.calls()
    device.sample(inputs=0)
    device.ask(drive(OFF, 0.0, ramp=later))
    device.ask(wire.Close())
    assert {call.ramp for call in device.calls(DRIVE_OFF) if call.which == Axis.DRIVE} == {50.0}


def test_the_actuators_own_ramp_is_not_softened_and_ends_a_gentle_one() -> None:
    device = Device().armed()
    device.ask(torque(3.0))
    device.calls()
    device.ask(drive(OFF, 0.0, axis=ACTUATOR, ramp=0.5))
    device.ask(drive(OFF, 0.0, axis=ACTUATOR, ramp=0.0))
    device.ask(drive(OFF, 0.0, axis=ACTUATOR, ramp=0.001))
    assert [call.ramp for call in device.calls(DRIVE_OFF)] == [0.5, 0.0, 0.0]


def test_a_new_motion_has_its_own_stop() -> None:
    device = Device().armed()
    for _ in range(2):
        device.ask(drive(SPEED, 5.0))
        device.ask(drive(OFF, 0.0, ramp=2.0))
    assert [call.ramp for call in device.calls(DRIVE_OFF)] == [2.0, 2.0]


def test_the_rate_does_not_change_under_a_motion() -> None:
    device = Device().armed()
    device.ask(setup(1000))
    device.ask(drive())
    assert device.ask(setup(500)).reason == Reason.NOT_NOW
    assert isinstance(device.ask(setup(1000, 20)), wire.SetupReply)
    device.ask(drive(OFF))
    device["moves_alone"] = 1
    assert device.ask(setup(500)).reason == Reason.NOT_NOW
    device["moves_alone"] = 0
    assert isinstance(device.ask(setup(500)), wire.SetupReply)


def test_a_shorted_winding_forbids_the_actuator_and_an_energised_one_forbids_the_short() -> None:
    every = sum(1 << (4 * axis + mode) for axis in Axis for mode in (SPEED, TRAVEL, TORQUE))
    device = Device(modes=every).armed()
    device.ask(wire.Switch(1000, Output.WINDING, 1))
    for command in (torque(), drive(SPEED, 1.0, axis=ACTUATOR), drive(TRAVEL, 1.0, axis=ACTUATOR, travel=9)):
        assert device.ask(command).reason == Reason.INTERLOCK
    assert device.ask(drive(SPEED, 1.0)).reason == Reason.NONE
    device.ask(wire.Switch(0, Output.WINDING, 0))
    assert device.ask(torque()).reason == Reason.NONE
    assert device.ask(wire.Switch(1000, Output.WINDING, 1)).reason == Reason.INTERLOCK


def test_a_set_brake_forbids_motion_and_a_moving_shaft_forbids_the_brake() -> None:
    device = Device().armed()
    device.ask(wire.Switch(200, Output.BRAKE, 1))
    assert device.forbidden()
    assert device.ask(drive()).reason == Reason.INTERLOCK
    device.tell(wire.Switch(0, Output.BRAKE, 0))
    assert not device.forbidden()
    assert device.ask(drive(command=2)).reason == Reason.NONE
    assert device.ask(wire.Switch(200, Output.BRAKE, 1)).reason == Reason.NOT_NOW


def test_where_nobody_says_whether_the_shaft_turns_a_drive_that_is_on_counts_as_turning() -> None:
    device = Device(without_moving=1).armed()
    assert device.ask(drive()).reason == Reason.NONE
    assert device.ask(wire.Switch(200, Output.BRAKE, 1)).reason == Reason.NOT_NOW
    assert device.ask(drive(TRAVEL, 1.0, travel=10, command=2)).reason == Reason.NOT_NOW
    device.ask(drive(OFF, 0.0, command=3))
    assert isinstance(device.ask(wire.Switch(200, Output.BRAKE, 1)), wire.Done)


@given(
    axis=st.integers(0, 3),
    mode=st.integers(1, 6),
    setpoint=st.floats(width=32) | st.floats(-8, 8, width=32),
    limit=st.floats(width=32) | st.sampled_from([0.0, 1.0, 7.0]),
    ramp=st.floats(width=32) | st.sampled_from([0.0, 1.0]),
    travel=st.integers(-(1 << 63), (1 << 63) - 1),
    speed=st.floats(0, 8, width=32),
    most=st.floats(0, 25, width=32),
)
def test_no_numbers_move_an_axis_beyond_its_lease(
    axis: int, mode: int, setpoint: float, limit: float, ramp: float, travel: int, speed: float, most: float
) -> None:
    device = Device()
    device.open()
    device.sample()
    device.tell(lease(device.now, speed=speed, torque=most))
    device.calls()
    command = wire.Drive(travel, LATER, 5, setpoint, limit, ramp, axis, mode, 0)
    answer = device.ask(command)
    calls = device.calls(DRIVE)
    assert len(calls) == (answer.accepted and setpoint != 0.0)
    for call in calls:
        assert abs(call.setpoint) <= (most if mode == TORQUE else min(speed, 7.0))
        assert 0 < call.speed_limit <= 7.0, "a port is never given a command without a limit"
        assert call.speed_limit == (min(limit, 7.0) if limit else 7.0)
        assert mode != TORQUE or call.speed_limit <= speed
        assert 0 <= call.ramp < INF
    device.poll(500 * MS)
    assert device["driven"] == 0
