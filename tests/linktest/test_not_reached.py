"""What cannot be tested says why, in the words of somebody at the bench; every wait has an end."""

import asyncio
import json
from collections.abc import Sequence

import pytest
from tests.acquisition.fake_device import SHEET
from tests.linktest.pattern_device import PatternDevice
from tests.linktest.playing import Played, wanted

from nightturn.errors import ConfigError, DeviceMismatchError, LinkLostError, NightturnError
from nightturn_protocol import messages as wire
from nightturn_protocol.framing import Deframer, frame_body, parse_header, to_wire
from nightturn_protocol.messages import DeviceState


def failure(played: Played) -> str:
    """The error as a person reads it."""
    with pytest.raises(NightturnError) as raised:
        played.report  # noqa: B018 - the property raises
    return str(raised.value)


def test_a_device_that_never_answers_says_what_to_check() -> None:
    played = Played(to_device=lambda _body: ())
    assert isinstance(played.test.failure, LinkLostError)
    text = failure(played)
    for word in (
        "does not answer OPEN",
        "power",
        "transmit goes to receive",
        "921600 baud",
        "raw mode",
        "ground",
    ):
        assert word in text


def test_noise_says_that_the_bit_rate_is_to_be_checked() -> None:
    played = Played(raw=lambda _content: bytes(range(1, 40)) + b"\0")
    assert isinstance(played.test.failure, DeviceMismatchError)
    assert "no valid frame" in failure(played)
    assert "check the bit rate first (921600 baud here, --baud changes it)" in failure(played)


def test_an_echo_is_told_from_a_device() -> None:
    assert "our own frames come back" in failure(Played(raw=lambda content: content))


def test_another_major_version_names_both() -> None:
    def refuse(port_bytes: bytes) -> bytes:
        del port_bytes
        body = bytearray(frame_body(wire.Refused(2, wire.Reason.VERSION, wire.Open.KIND, 0), 78, 77))
        body[0] = 0x20
        return to_wire(bytes(body))

    text = failure(Played(raw=refuse))
    assert text == "the device uses major version 2 of the protocol, this host 1"


def test_a_sheet_that_is_not_what_its_digest_says_is_refused_with_both_digests() -> None:
    played = Played(PatternDevice(digest=0x1234))
    text = failure(played)
    assert "the device sheet cannot be used: digest: OPENED says 0000000000001234, its " in text
    assert isinstance(played.test.failure, DeviceMismatchError)
    assert isinstance(played.port.heard[-1], wire.Close)


def test_a_broken_sheet_names_its_mistake() -> None:
    broken = json.dumps({**SHEET, "tick_hz": 5}).encode()
    assert "the device sheet cannot be used: tick_hz: 5; allowed: 1000 to 1000000000" in failure(
        Played(PatternDevice(sheet=broken))
    )
    assert "cannot be used: line 1, column 11: Expecting value; allowed: JSON" in failure(
        Played(PatternDevice(sheet=b'{"device":'))
    )


def test_a_refused_set_up_is_told_in_words() -> None:
    device = PatternDevice(refuse={wire.Setup.KIND: int(wire.Reason.OUT_OF_RANGE)})
    assert "the device refused SETUP: a value is out of the device's range" in failure(Played(device))


def test_a_handshake_that_never_ends_has_a_limit() -> None:
    def deaf(body: bytes) -> Sequence[bytes]:
        return () if parse_header(body).kind == wire.Setup.KIND else (body,)

    played = Played(to_device=deaf)
    assert "the device stopped answering in the middle of the handshake" in failure(played)


def test_a_line_that_is_lost_before_the_answer_is_an_error() -> None:
    played = Played(
        to_device=lambda _body: (),
        begins=lambda port: asyncio.get_running_loop().call_later(0.05, port.on_lost, "no such bridge"),
    )
    assert failure(played) == "the line was lost: no such bridge"


def test_a_rate_that_the_device_does_not_have_is_a_usage_error_that_names_those_it_has() -> None:
    played = Played(ask=wanted(2.0, rate_hz=333))
    assert isinstance(played.test.failure, ConfigError)
    assert "does not sample at 333 Hz; allowed: 1000, 10000" in failure(played)
    assert played.device.state != DeviceState.RUNNING
    assert isinstance(played.port.heard[-1], wire.Close)


def test_a_stop_by_hand_that_comes_before_the_stream_is_an_error() -> None:
    played = Played(to_device=lambda _body: (), stop_after_s=0.5)
    assert failure(played) == "cancelled before the test pattern began"
    assert played.port.closed == 1


def test_a_device_on_which_a_lease_lives_says_so_and_is_left_alone() -> None:
    asked: list[int] = []

    def refuse(port_bytes: bytes) -> bytes:
        answers = []
        for body in Deframer().receive_bytes(b"\0" + port_bytes):
            header = parse_header(body)
            asked.append(header.kind)
            taken = wire.Refused(0, wire.Reason.NOT_NOW, header.kind, 0)
            answers.append(to_wire(frame_body(taken, header.session, header.seq)))
        return b"".join(answers)

    played = Played(raw=refuse)
    assert isinstance(played.test.failure, DeviceMismatchError)
    assert failure(played).startswith("the motion lease of another session is still running on the device")
    assert set(asked) == {wire.Open.KIND}
