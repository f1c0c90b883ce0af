"""Who may have a device on which a motion lease lives: the session that holds it; PROTOCOL.md section 3."""

import pytest
from tests.device.device import BOOT_ID, SESSION, Device, drive

from nightturn_protocol import messages as wire
from nightturn_protocol.messages import LeaseState, Reason


@pytest.mark.parametrize(
    ("fresh", "last_session", "last_boot_id"),
    [(1, SESSION, BOOT_ID), (0, SESSION + 1, BOOT_ID), (0, SESSION, BOOT_ID + 1), (0, 0, 0)],
)
def test_nobody_takes_a_device_over_while_the_lease_of_another_session_lives(
    fresh: int, last_session: int, last_boot_id: int
) -> None:
    device = Device().armed()
    device.stream()
    device.run(95)
    assert device.ask(drive()).accepted == 1
    device.tell(wire.Switch(1000, wire.Output.LAMP, 1))
    device.drain()
    kept = ("session", "next_seq", "running", "driven", "outputs", "lease_state", "heard_tick")
    before = [device[name] for name in kept]
    stranger = wire.Open(0, 7, last_boot_id, 0, last_session, 4242, 0, fresh)
    refused = wire.Refused(0, Reason.NOT_NOW, wire.Open.KIND, 0)
    assert device.ask(stranger, seq=90, session=4242) == refused
    assert [device[name] for name in kept] == before
    device.ask(wire.Drive(0, 0, 2, 0.0, 0.0, 0.0, 2, wire.DriveMode.OFF, 0))
    device.run(500)
    assert device["lease_state"] == LeaseState.OFF
    assert isinstance(device.ask(stranger, seq=90, session=4242), wire.Opened), "a retry is looked at anew"


def test_a_lapsed_lease_keeps_nobody_out_and_stays_latched_for_the_next_host() -> None:
    device = Device().armed()
    assert device.ask(drive()).accepted == 1
    device.run(600)
    assert device["lease_state"] == LeaseState.LAPSED
    assert device.open(4242).resumed == 0
    assert device["lease_state"] == LeaseState.LAPSED
    assert device.ask(drive()).reason == Reason.LATCHED
