"""What a link asks a device for: firmware and outputs, where the device has them, with the retries of the lane."""

import json
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.acquisition.fake_device import FIRMWARE_REPLY, SHEET, FakeDevice
from tests.acquisition.line import Line

from nightturn.acquisition.outputs import Reply, SendFrame
from nightturn_protocol import messages
from nightturn_protocol.framing import parse_header, parse_message
from nightturn_protocol.messages import REPLIES_KEPT, Output, Reason

BARE_SHEET = json.dumps({**SHEET, "features": ["pattern"]}).encode()


def replies(line: Line) -> list[Reply]:
    return [output for output in line.said if isinstance(output, Reply)]


def opened(device: FakeDevice | None = None) -> Line:
    line = Line(device=device or FakeDevice())
    line.open()
    line.sent.clear()
    return line


def sent(asked: tuple[int, SendFrame] | None) -> tuple[int, SendFrame]:
    assert asked is not None
    return asked


def test_the_features_are_those_of_the_sheet_and_none_before_it_is_read() -> None:
    line = Line()
    assert not line.link.features
    line.open()
    assert line.link.features == ("firmware", "outputs", "pattern")


def test_features_stay_known_for_a_sheet_that_is_not_read_again() -> None:
    line = opened()
    line.device.reboot(2)
    line.lose()
    line.open()
    assert messages.Sheet.KIND not in {parse_header(body).kind for body in line.sent}
    assert line.link.features == ("firmware", "outputs", "pattern")


def test_a_device_without_the_features_is_asked_for_neither() -> None:
    line = opened(FakeDevice(sheet=BARE_SHEET))
    assert line.state == "running"
    assert line.link.ask_firmware(line.now_ns) is None
    assert line.link.switch(Output.SHUNT, line.now_ns, on=True, expire_ms=1000) is None
    line.tick(times=20)
    assert line.sent == []
    assert replies(line) == []


def test_the_firmware_is_asked_for_and_its_answer_handed_back() -> None:
    line = opened()
    seq, frame = sent(line.link.ask_firmware(line.now_ns))
    line.carry([frame])
    assert replies(line) == [Reply(seq, messages.Firmware.KIND, FIRMWARE_REPLY)]


@pytest.mark.parametrize("lost", [1, 2, 3])
def test_a_lost_answer_about_the_firmware_is_asked_for_again(lost: int) -> None:
    line = opened()
    fates = iter([()] * lost)
    line.to_host = lambda body: next(fates, (body,))
    seq, frame = sent(line.link.ask_firmware(line.now_ns))
    line.carry([frame])
    line.tick(times=12)
    assert line.sent == [frame.body] * (lost + 1)
    assert replies(line) == [Reply(seq, messages.Firmware.KIND, FIRMWARE_REPLY)]


def test_an_output_is_switched_on_for_a_time_and_off_at_once() -> None:
    line = opened()
    on, frame = sent(line.link.switch(Output.SHUNT, line.now_ns, on=True, expire_ms=800))
    line.carry([frame])
    off, frame = sent(line.link.switch(Output.SHUNT, line.now_ns, on=False))
    line.carry([frame])
    done = messages.Done(Output.SHUNT, messages.Switch.KIND)
    assert replies(line) == [
        Reply(on, messages.Switch.KIND, done),
        Reply(off, messages.Switch.KIND, done),
    ]
    assert [parse_message(body) for body in line.sent] == [
        messages.Switch(800, Output.SHUNT, 1),
        messages.Switch(0, Output.SHUNT, 0),
    ]


def test_a_refused_output_comes_back_as_its_reply() -> None:
    line = opened(FakeDevice(refuse={messages.Switch.KIND: Reason.INTERLOCK}))
    seq, frame = sent(line.link.switch(Output.WINDING, line.now_ns, on=True, expire_ms=500))
    line.carry([frame])
    refused = messages.Refused(7, Reason.INTERLOCK, messages.Switch.KIND, 0)
    assert replies(line) == [Reply(seq, messages.Switch.KIND, refused)]


def test_an_output_that_nobody_answers_for_ends_without_an_answer() -> None:
    line = opened()
    line.to_device = lambda _: ()
    seq, frame = sent(line.link.switch(Output.LAMP, line.now_ns, on=True, expire_ms=500))
    line.carry([frame])
    line.tick(times=12)
    assert line.sent == [frame.body] * 4
    assert replies(line) == [Reply(seq, messages.Switch.KIND, None)]


@given(st.lists(st.booleans(), max_size=8), st.integers(1, 300))
def test_off_is_the_last_word_however_many_frames_are_lost(fates: list[bool], wait_ms: int) -> None:
    line = opened()
    left = iter(fates)

    def lossy(body: bytes) -> Sequence[bytes]:
        return () if next(left, False) else (body,)

    line.to_device = lossy
    for on in (True, True, False):
        _, frame = sent(line.link.switch(Output.SHUNT, line.now_ns, on=on, expire_ms=1000))
        line.carry([frame])
        line.tick(ms=wait_ms)
    line.tick(times=15)
    heard = [bool(message.on) for message in line.device.seen if isinstance(message, messages.Switch)]
    assert heard == sorted(heard, reverse=True), "no ON arrives behind an OFF"
    assert line.device.outputs.get(Output.SHUNT) == (heard[-1] if heard else None)
    assert len(replies(line)) == 3, "each request ends as one reply"


def test_switching_one_output_leaves_the_requests_for_another_alone() -> None:
    line = opened()
    line.to_device = lambda _: ()
    lamp, _ = sent(line.link.switch(Output.LAMP, line.now_ns, on=True, expire_ms=500))
    first, _ = sent(line.link.switch(Output.SHUNT, line.now_ns, on=True, expire_ms=500))
    sent(line.link.switch(Output.SHUNT, line.now_ns, on=False))
    line.tick(ms=1)
    assert replies(line) == [Reply(first, messages.Switch.KIND, None)]
    assert lamp in line.link.control.waiting


def test_a_request_without_a_running_stream_ends_unanswered_at_once() -> None:
    line = Line()
    line.open()
    line.lose()
    seq, _ = sent(line.link.ask_firmware(line.now_ns))
    line.tick(ms=1)
    assert replies(line) == [Reply(seq, messages.Firmware.KIND, None)]


@pytest.mark.parametrize(("others", "repeats"), [(REPLIES_KEPT - 1, 3), (REPLIES_KEPT, 0)])
def test_a_request_that_the_device_may_have_forgotten_is_not_repeated(others: int, repeats: int) -> None:
    line = opened()
    line.to_host = lambda body: () if parse_header(body).seq == first else (body,)
    first, frame = sent(line.link.ask_firmware(line.now_ns))
    line.carry([frame])
    for _ in range(others):
        _, frame = sent(line.link.ask_firmware(line.now_ns))
        line.carry([frame])
    line.tick(times=20)
    assert [parse_header(body).seq for body in line.sent].count(first) == 1 + repeats
    assert [reply.message for reply in replies(line) if reply.request_seq == first] == [None]
    assert len(replies(line)) == 1 + others
