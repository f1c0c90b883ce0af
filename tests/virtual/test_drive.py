"""Commands, refusals, the lapse of the lease, guard and outputs. The motion lease is not a safety function."""

import math

import numpy as np
import pytest
from tests.virtual.line import HostSide

from nightturn_protocol import messages as wire
from nightturn_protocol.messages import Axis, DriveMode, EventCode, Input, LeaseState, Reason

TURN = 2**20


def ready(spec: str = "pan15?seed=7", **lease: float) -> HostSide:
    host = HostSide(spec).streaming()
    host.after(10)
    host.lease(1000, lease.get("speed", 10.0), lease.get("torque", 15.0))
    return host


def speed_of(host: HostSide) -> float:
    plant = host.device.plant
    return plant.speed_rad_s(plant.index)


def test_a_travel_goes_its_counts_and_stands() -> None:
    host = ready()
    start = host.device.plant.position_counts
    assert host.drive(DriveMode.TRAVEL, 3.0, counts=TURN // 2) is Reason.NONE
    host.keep_going(4000)
    assert host.device.plant.position_counts == start + TURN // 2
    assert host.drive(DriveMode.TRAVEL, 3.0, counts=-TURN // 2) is Reason.NONE
    host.keep_going(4000)
    assert host.device.plant.position_counts == start
    _, _, encoder = host.series()
    assert np.ptp(encoder) == TURN // 2


def test_a_speed_is_reached_along_its_ramp() -> None:
    host = ready()
    host.drive(DriveMode.SPEED, 2.0, ramp=4.0)
    host.after(250)
    assert speed_of(host) == pytest.approx(1.0, abs=0.01)
    host.after(500)
    assert speed_of(host) == pytest.approx(2.0)


REFUSED = {
    "not a number": ({"setpoint": math.nan}, Reason.NOT_FINITE),
    "infinite ramp": ({"setpoint": 1.0, "ramp": math.inf}, Reason.NOT_FINITE),
    "infinite limit": ({"setpoint": 1.0, "limit": math.inf}, Reason.NOT_FINITE),
    "beyond the lease": ({"setpoint": 10.5}, Reason.LEASE_LIMIT),
    "limit beyond the lease": ({"setpoint": 1.0, "limit": 10.5}, Reason.LEASE_LIMIT),
    "beyond its own limit": ({"setpoint": 2.0, "limit": 1.0}, Reason.OUT_OF_RANGE),
    "beyond the device": ({"setpoint": 70.0}, Reason.OUT_OF_RANGE),
    "negative ramp": ({"setpoint": 1.0, "ramp": -1.0}, Reason.OUT_OF_RANGE),
    "late": ({"setpoint": 1.0, "not_after": 5}, Reason.TOO_LATE),
    "no such axis": ({"setpoint": 1.0, "axis": 2}, Reason.OUT_OF_RANGE),
    "actuator cannot turn": ({"setpoint": 1.0, "axis": Axis.ACTUATOR}, Reason.UNSUPPORTED),
}


@pytest.mark.parametrize("case", REFUSED)
def test_a_command_is_refused_for_its_reason_and_nothing_moves(case: str) -> None:
    host = ready()
    command, reason = REFUSED[case]
    assert host.drive(DriveMode.SPEED, **command) is reason  # type: ignore[arg-type]  # a table of keyword arguments
    host.after(100)
    assert speed_of(host) == 0.0


def test_a_travel_needs_a_distance_a_speed_and_a_standing_shaft() -> None:
    host = ready()
    assert host.drive(DriveMode.TRAVEL, 1.0) is Reason.OUT_OF_RANGE
    assert host.drive(DriveMode.TRAVEL, 0.0, counts=5) is Reason.OUT_OF_RANGE
    assert host.drive(DriveMode.TRAVEL, 1.0, counts=TURN) is Reason.NONE
    assert host.drive(DriveMode.TRAVEL, 1.0, counts=TURN) is Reason.NOT_NOW


def test_torque_is_bounded_by_lease_and_rating() -> None:
    host = ready(torque=5.0)
    assert host.drive(DriveMode.TORQUE, 5.5, axis=Axis.ACTUATOR) is Reason.LEASE_LIMIT
    assert host.drive(DriveMode.TORQUE, 16.0, axis=Axis.ACTUATOR) is Reason.OUT_OF_RANGE
    assert host.drive(DriveMode.TORQUE, 1.0) is Reason.UNSUPPORTED
    assert host.drive(DriveMode.TORQUE, 1.0, axis=Axis.ACTUATOR, limit=0.0) is Reason.LEASE_LIMIT
    assert host.drive(DriveMode.TORQUE, 5.0, axis=Axis.ACTUATOR, ramp=20.0) is Reason.NONE
    host.after(500)
    _, torque, _ = host.series()
    assert torque[-1] * (20 / 2**24) * 4 == pytest.approx(5.0, abs=0.2)
    assert host.blocks()[-1].inputs & Input.WINDING_ENERGISED


def test_nothing_moves_without_a_lease_but_off_is_always_taken() -> None:
    host = HostSide().streaming()
    assert host.drive(DriveMode.SPEED, 1.0) is Reason.NO_LEASE
    assert host.drive(DriveMode.OFF, math.nan, ramp=math.nan) is Reason.NONE
    assert host.drive(DriveMode.OFF, axis=Axis.ACTUATOR, not_after=1) is Reason.NONE


def test_a_lease_that_lapses_stops_both_axes_and_is_latched() -> None:
    host = ready()
    host.drive(DriveMode.SPEED, 1.0, ramp=4.0)
    host.drive(DriveMode.TORQUE, 2.0, axis=Axis.ACTUATOR, ramp=20.0)
    host.after(900)
    assert speed_of(host) == pytest.approx(1.0)
    host.after(600)  # the lease ended on the device's clock in between
    assert speed_of(host) == 0.0
    assert host.device.plant.torque.piece(host.device.plant.index).value(host.device.plant.index) == 0.0
    [event] = host.events(EventCode.LEASE_LAPSED)
    assert (event.latched, event.severity, event.value_a) == (1, wire.Severity.ALARM, 3)
    assert event.tick == pytest.approx(1_010_000, abs=1000)
    host.after(100)
    assert host.status().lease == LeaseState.LAPSED


def test_after_a_lapse_motion_needs_clear_then_a_fresh_lease_then_a_new_command() -> None:
    host = ready()
    host.drive(DriveMode.SPEED, 1.0, ramp=4.0)
    host.after(2000)
    host.lease()  # refused: still latched
    assert host.drive(DriveMode.SPEED, 1.0) is Reason.LATCHED
    host.after(100)
    assert host.status().leases_refused == 1
    assert isinstance(host.ask(wire.Clear(0)), wire.Done)
    assert host.drive(DriveMode.SPEED, 1.0) is Reason.NO_LEASE
    host.lease()
    host.after(500)
    assert speed_of(host) == 0.0  # the old command is gone
    assert host.drive(DriveMode.SPEED, 1.0) is Reason.NONE


def test_a_lease_that_ends_with_both_axes_off_ends_quietly() -> None:
    host = ready()
    host.after(1500)
    assert host.events(EventCode.LEASE_LAPSED) == []
    assert host.status().lease == LeaseState.OFF
    host.lease()
    assert host.drive(DriveMode.SPEED, 1.0) is Reason.NONE


def test_a_gentle_stop_does_not_outlive_the_lease() -> None:
    host = ready()
    host.drive(DriveMode.SPEED, 1.0, ramp=4.0)
    host.after(500)
    host.drive(DriveMode.OFF, ramp=0.001)
    host.after(450)
    assert speed_of(host) == pytest.approx(1.0, abs=0.01)
    host.after(1200)  # the lease ended in between; 1 rad/s² is the gentlest then
    assert speed_of(host) == 0.0
    assert host.events(EventCode.LEASE_LAPSED) == []


def test_off_does_not_soften_a_stop_under_way() -> None:
    host = ready()
    host.drive(DriveMode.SPEED, 1.0, ramp=4.0)
    host.after(500)
    host.drive(DriveMode.OFF, ramp=10.0)
    host.drive(DriveMode.OFF, ramp=0.1)
    host.after(110)
    assert speed_of(host) == 0.0


def test_a_stale_or_future_lease_cannot_keep_the_shaft_turning() -> None:
    host = ready()
    old = host.tick
    host.drive(DriveMode.SPEED, 1.0, ramp=4.0)
    for _ in range(6):  # a queue that repeats what it once saw, and one that guesses
        host.lease(seen=old)
        host.lease(seen=old + 10_000_000)
        host.after(400)
    assert speed_of(host) == 0.0
    assert host.status().leases_refused >= 10


def test_an_opened_guard_stops_at_once_and_holds_until_closed_and_cleared() -> None:
    host = ready("pan15?seed=7&fault=guard@1s+1s")
    host.drive(DriveMode.SPEED, 1.0, ramp=4.0)
    host.keep_going(1000, 100)
    host.after(100)
    assert speed_of(host) == 0.0
    [event] = host.events(EventCode.GUARD_OPENED)
    assert (event.latched, event.severity, event.value_a) == (1, wire.Severity.ALARM, 1)
    assert event.tick == pytest.approx(1_000_000, abs=100)
    inputs = [block.inputs for block in host.blocks()]
    assert inputs[0] & Input.GUARD_CLOSED
    assert not inputs[-1] & (Input.GUARD_CLOSED | Input.DRIVE_READY)
    host.lease()
    assert host.drive(DriveMode.SPEED, 1.0) is Reason.INTERLOCK
    refused = host.ask(wire.Clear(event.event_no))
    assert isinstance(refused, wire.Refused)
    assert refused.reason == Reason.INTERLOCK
    host.keep_going(1000)
    assert host.blocks()[-1].inputs & Input.GUARD_CLOSED
    assert host.drive(DriveMode.SPEED, 1.0) is Reason.INTERLOCK  # closed, not cleared
    assert isinstance(host.ask(wire.Clear(0)), wire.Done)
    assert host.drive(DriveMode.SPEED, 1.0) is Reason.INTERLOCK  # nobody looked at it
    assert isinstance(host.ask(wire.Clear(event.event_no)), wire.Done)
    host.lease()
    assert host.drive(DriveMode.SPEED, 1.0) is Reason.NONE


def test_an_input_change_closes_the_block_so_that_its_word_holds_for_every_sample() -> None:
    host = ready("pan15?seed=7&fault=guard@1050ms+5s")
    host.keep_going(2000)
    blocks = host.blocks()
    changed = next(number for number, block in enumerate(blocks) if not block.inputs & Input.GUARD_CLOSED)
    assert blocks[changed].tick == pytest.approx(1_050_500, abs=600)
    assert blocks[changed - 1].count < 100
    assert blocks[changed].first_index == blocks[changed - 1].first_index + blocks[changed - 1].count
    assert blocks[changed].flags == 0
    [event] = host.events(EventCode.INPUT_CHANGED)
    assert (event.value_a, event.value_b) == (blocks[changed - 1].inputs, blocks[changed].inputs)


def test_an_event_is_repeated_until_acknowledged() -> None:
    host = HostSide()
    host.open()
    for _ in range(10):
        host.after(100)
    assert len(host.of(wire.Event)) == pytest.approx(6, abs=1)
    host.put(wire.EventAck(1))
    assert not [m for _, m in host.after(1000) if isinstance(m, wire.Event)]


def test_an_output_falls_back_when_it_is_not_repeated() -> None:
    host = HostSide().streaming()
    assert isinstance(host.ask(wire.Switch(300, wire.Output.LAMP, 1)), wire.Done)
    host.after(200)
    assert host.status().outputs == 1 << wire.Output.LAMP
    host.after(300)
    assert host.status().outputs == 0
    [event] = host.events(EventCode.OUTPUT_EXPIRED)
    assert event.value_a == wire.Output.LAMP
    for bad in (wire.Switch(1001, 0, 1), wire.Switch(0, 0, 1), wire.Switch(100, 9, 1)):
        answer = host.ask(bad)
        assert isinstance(answer, wire.Refused)
        assert answer.reason == Reason.OUT_OF_RANGE


def test_the_brake_holds_the_drive_and_the_shorted_winding_the_actuator() -> None:
    host = ready()
    host.ask(wire.Switch(1000, wire.Output.BRAKE, 1))
    host.ask(wire.Switch(1000, wire.Output.WINDING, 1))
    assert host.drive(DriveMode.SPEED, 1.0) is Reason.INTERLOCK
    host.ask(wire.Switch(0, wire.Output.BRAKE, 0))
    assert host.drive(DriveMode.TORQUE, 1.0, axis=Axis.ACTUATOR) is Reason.INTERLOCK
    assert host.drive(DriveMode.SPEED, 1.0) is Reason.NONE
    answer = host.ask(wire.Switch(1000, wire.Output.BRAKE, 1))
    assert isinstance(answer, wire.Refused)
    assert answer.reason == Reason.NOT_NOW


def test_the_shunt_relay_shows_in_the_samples() -> None:
    host = HostSide().streaming()
    host.after(200)
    host.ask(wire.Switch(1000, wire.Output.SHUNT, 1))
    host.after(200)
    _, torque, _ = host.series()
    assert (torque[-1] - torque[0]) * (20 / 2**24) == pytest.approx(2.0, abs=0.01)


def test_the_step_of_the_shunt_is_no_overload() -> None:
    host = HostSide("pan15?noise=0").streaming()
    host.ask(wire.Switch(1000, wire.Output.SHUNT, 1))
    host.after(1500)
    _, torque, _ = host.series()
    seen = host.open(fresh=0, last=(host.opened().boot_id, 77))
    assert seen.torque_max < torque.max() - 1_000_000
    assert seen.torque_max == torque[-1]


def test_a_shunt_that_is_no_longer_what_it_was_steps_differently() -> None:
    steps = []
    for spec in ("pan15?noise=0", "pan15?noise=0&fault=shunt@1ms*1.02"):
        host = HostSide(spec).streaming()
        host.after(200)
        host.ask(wire.Switch(1000, wire.Output.SHUNT, 1))
        host.after(200)
        _, torque, _ = host.series()
        steps.append(int(torque[-1] - torque[0]))
    assert steps[1] / steps[0] == pytest.approx(1.02, rel=1e-5)
