"""A link whose caller reads the sheet before it says what the stream is to be."""

from tests.acquisition.fake_device import SHEET_BYTES, FakeDevice
from tests.acquisition.line import NONCE, SETTINGS, Line

from nightturn.acquisition.link import Link
from nightturn_protocol import messages
from nightturn_protocol.messages import DeviceState


def undecided(device: FakeDevice | None = None) -> Line:
    line = Line(device=device or FakeDevice(), link=Link.start(None, NONCE))
    line.open()
    return line


def test_a_link_without_settings_waits_at_the_sheet() -> None:
    line = undecided()
    assert line.link.wants_settings
    assert line.state == "setup"
    assert line.link.sheet == SHEET_BYTES
    line.tick(times=50)
    assert line.link.wants_settings
    assert {type(message) for message in line.device.seen} == {messages.Open, messages.Sheet}
    assert line.faults() == []


def test_settings_begin_the_stream_as_if_they_had_been_there_from_the_start() -> None:
    line = undecided()
    line.carry(line.link.set_up(SETTINGS, line.now_ns))
    assert line.state == "running"
    assert not line.link.wants_settings
    line.stream(20)
    line.assert_whole(0, 200)


def test_a_device_that_runs_for_another_host_is_left_running_until_there_are_settings() -> None:
    line = undecided(FakeDevice(state=DeviceState.RUNNING))
    assert line.device.state == DeviceState.RUNNING
    line.carry(line.link.set_up(SETTINGS, line.now_ns))
    assert [type(message) for message in line.device.seen][-3:] == [
        messages.Halt,
        messages.Setup,
        messages.Run,
    ]
    assert line.state == "running"


def test_settings_hold_for_the_session_after_a_restart() -> None:
    line = undecided()
    line.carry(line.link.set_up(SETTINGS, line.now_ns))
    line.device.reboot(2)
    line.lose()
    line.open()
    assert line.state == "running"
    assert not line.link.wants_settings


def test_settings_given_early_are_used_when_the_sheet_is_known() -> None:
    line = Line(link=Link.start(None, NONCE))
    line.carry(line.link.set_up(SETTINGS, 0))
    line.open()
    assert line.state == "running"
