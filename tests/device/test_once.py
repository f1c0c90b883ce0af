"""Requests of the C core that act once, whatever the line does with their copies; PROTOCOL.md sections 2 and 6."""

import pytest
from tests.device.device import BOOT_ID, DRIVE, SET_OUTPUT, Device, drive, lease

from nightturn_protocol import messages as wire
from nightturn_protocol.framing import frame_body, to_wire
from nightturn_protocol.messages import DriveMode, Output, Reason

SPEED, OFF = DriveMode.SPEED, DriveMode.OFF


def forgotten(device: Device, seq: int = 100) -> None:
    """So many other requests that no reply from before them is kept."""
    for number in range(wire.REPLIES_KEPT):
        device.ask(wire.Firmware(), seq=seq + number)


@pytest.mark.parametrize(("setpoint", "reason"), [(1.0, Reason.NONE), (7.5, Reason.OUT_OF_RANGE)])
def test_a_command_that_comes_again_is_answered_as_before_and_acts_no_second_time(
    setpoint: float, reason: Reason
) -> None:
    device = Device().armed()
    command = drive(SPEED, setpoint, command=3)
    first = device.ask(command, seq=9)
    assert first == wire.DriveReply(3, reason, int(reason is Reason.NONE), 0)
    device.calls()
    forgotten(device)
    assert device.ask(command, seq=9) == first
    assert device.calls(DRIVE) == []


def test_a_command_older_than_the_newest_is_answered_and_never_carried_out() -> None:
    device = Device().armed()
    assert device.ask(drive(SPEED, 1.0, command=4)).accepted
    device.calls()
    assert device.ask(drive(SPEED, 2.0, command=3)) == wire.DriveReply(3, Reason.TOO_LATE, 0, 0)
    assert device.calls(DRIVE) == []


def test_a_command_that_comes_behind_the_off_after_it_does_not_turn_the_shaft() -> None:
    device = Device().armed()
    assert device.ask(drive(OFF, command=8)).accepted
    for number in (7, 8):
        assert device.ask(drive(SPEED, 1.0, command=number)).reason == Reason.TOO_LATE
    assert device.calls(DRIVE) == []
    assert device.ask(drive(SPEED, 1.0, command=9)).accepted


def test_a_command_that_was_refused_has_used_its_number_up() -> None:
    device = Device()
    device.open()
    device.run(2)
    assert device.ask(drive(SPEED, 1.0, command=1)).reason == Reason.NO_LEASE
    device.tell(lease(device.now))
    assert device.ask(drive(SPEED, 1.0, command=1)).reason == Reason.NO_LEASE, "its host was told no"
    assert device.ask(drive(SPEED, 1.0, command=2)).accepted


@pytest.mark.parametrize("command", [drive(SPEED, not_after=0, command=1), drive(SPEED, command=0)])
def test_a_command_without_a_number_or_an_end_to_its_validity_is_refused(command: wire.Drive) -> None:
    device = Device().armed()
    device.receive(to_wire(frame_body(command, device.session, 99)))
    (answer,) = [f.message for f in device.drain() if isinstance(f.message, wire.DriveReply)]
    assert answer == wire.DriveReply(command.command_no, Reason.OUT_OF_RANGE, 0, 0)
    assert device.calls(DRIVE) == []


def test_a_new_session_numbers_its_commands_anew_and_one_that_goes_on_does_not() -> None:
    device = Device().armed()
    assert device.ask(drive(SPEED, 1.0, command=5)).accepted
    device.open(last_session=device.session, last_boot_id=BOOT_ID, fresh=0)
    assert device.ask(drive(SPEED, 1.0, command=5)).accepted, "the answer of before"
    assert device.ask(drive(SPEED, 1.0, command=4)).reason == Reason.TOO_LATE
    device.ask(drive(OFF, command=6))
    device.run(600)  # until the lease has ended: nobody takes over while it lives
    device.open(7)
    device.run(2)
    device.tell(lease(device.now))
    assert device.ask(drive(SPEED, 1.0, command=1)).accepted


def test_an_output_is_not_worked_by_an_order_that_a_later_one_has_overtaken() -> None:
    device = Device().armed()
    on = wire.Switch(1000, Output.LAMP, 1)
    device.ask(on, seq=20)
    device.ask(wire.Switch(0, Output.LAMP, 0), seq=21)
    device.calls()
    forgotten(device)
    assert device.ask(on, seq=20) == wire.Refused(0, Reason.TOO_LATE, wire.Switch.KIND, 0)
    assert device.calls(SET_OUTPUT) == []
    assert device["outputs"] == 0
