"""Sessions on the C core: mute, OPEN, taking up, silence, CLOSE, versions and echoes; PROTOCOL.md sections 1, 3 and 8."""

from typing import Any

import pytest
from tests.device.device import BOOT_ID, MS, SESSION, SHEET, Device, drive, lease, setup
from tests.device.library import core

from nightturn_protocol import messages as wire
from nightturn_protocol.framing import HEADER, frame_body, pack_body, to_wire
from nightturn_protocol.messages import DeviceState, LeaseState, Reason

OPEN = wire.Open(0, 1, 0, 0, 0, SESSION, 0, 1)
SILENCE = wire.SILENCE_MS * MS


def test_nothing_is_said_before_open() -> None:
    device = Device()
    for data in (b"AT\r\nAT\r\n\0", b"\0" * 40, to_wire(frame_body(wire.Halt(), 0, 1))):
        device.receive(data)
    for message in (wire.Halt(), wire.Probe(0, 0, 0, 1), setup(), lease(0), drive()):
        device.tell(message, session=0)
        device.tell(message, session=SESSION)
    device.run(5000)
    assert device.drain() == []
    assert device["strays"] == 11


def test_opened_says_who_the_device_is_and_where_its_streams_stand() -> None:
    device = Device()
    device.run(50)
    device.slow(0, 20.0)
    opened = device.open(77)
    assert opened == wire.Opened(
        digest=opened.digest,
        uptime_tick=50 * MS,
        next_index=51,
        boot_id=BOOT_ID,
        tick_hz=1_000_000,
        ring_bytes=8192,
        oldest_seq=0,
        next_seq=0,
        torque_min=opened.torque_min,
        torque_max=opened.torque_max,
        frame_bytes_max=wire.FRAME_BYTES_MAX,
        session=77,
        config_epoch=0,
        minor=wire.MINOR,
        reset_cause=wire.ResetCause.POWER,
        state=DeviceState.IDLE,
        resumed=0,
        firmware=b"harness 1".ljust(16, b"\0"),
        board=b"bench 0001".ljust(16, b"\0"),
    )


@pytest.mark.parametrize("version", [b"", b"1.2.3", b"sixteen letters.", b"seventeen letters"])
def test_a_version_is_padded_or_cut_to_its_field(version: bytes) -> None:
    device = Device()
    core().h_firmware(device._handle, version)
    assert device.open().firmware == version[:16].ljust(16, b"\0")


def test_the_first_frame_after_idleness_is_led_by_a_delimiter() -> None:
    device = Device()
    device.tell(OPEN)
    frames = device.drain()
    assert [frame.led for frame in frames] == [True] + [False] * (len(frames) - 1)
    device.tell(wire.Firmware())
    assert [frame.led for frame in device.drain()] == [True]


@pytest.mark.parametrize("session", [0])
def test_session_0_cannot_be_opened(session: int) -> None:
    device = Device()
    answer = device.ask(wire.Open(0, 1, 0, 0, 0, session, 0, 1), session=session)
    assert answer == wire.Refused(0, Reason.OUT_OF_RANGE, wire.Open.KIND, 0)
    assert device["session"] == 0


def test_an_open_that_is_too_short_is_malformed_and_opens_nothing() -> None:
    device = Device()
    device.receive(to_wire(pack_body(wire.Open.KIND, SESSION, 5, OPEN.encode()[:-1])))
    (frame,) = device.drain()
    assert frame.message == wire.Refused(0, Reason.MALFORMED, wire.Open.KIND, 0)
    assert (frame.session, frame.seq) == (SESSION, 5)
    assert device["session"] == 0


def test_an_open_of_another_major_version_is_refused_in_the_devices_own() -> None:
    device = Device()
    body = HEADER.pack(0x20, wire.Open.KIND, 9, 3) + OPEN.encode() + b"more"
    device.receive(to_wire(body))
    (frame,) = device.drain()
    assert frame.message == wire.Refused(wire.MAJOR, Reason.VERSION, wire.Open.KIND, 0)
    assert frame.body[0] == wire.MAJOR << 4
    assert (frame.session, frame.seq) == (9, 3)
    assert (device["session"], device["strays"]) == (0, 1)
    device.open()
    device.receive(to_wire(HEADER.pack(0x20, wire.Halt.KIND, SESSION, 4)))
    assert device.drain() == []
    assert device["strays"] == 2
    device.receive(to_wire(HEADER.pack(0x20, wire.Open.KIND, 9, 5) + OPEN.encode()))
    assert [frame.session for frame in device.drain()] == [SESSION], (
        "the session in force stands in every frame"
    )


def test_another_major_version_does_not_keep_a_session_alive() -> None:
    device = Device()
    device.open()
    device.run(wire.SILENCE_MS - 1)
    device.drain()
    device.receive(to_wire(HEADER.pack(0x20, wire.Open.KIND, SESSION, 3) + OPEN.encode()))
    device.run(2)
    assert [frame.message for frame in device.drain()] == [
        wire.Refused(wire.MAJOR, Reason.VERSION, wire.Open.KIND, 0)
    ]


@pytest.mark.parametrize(
    ("fresh", "last_session", "last_boot_id", "resumed"),
    [
        (0, SESSION, BOOT_ID, 1),
        (1, SESSION, BOOT_ID, 0),
        (0, SESSION + 1, BOOT_ID, 0),
        (0, SESSION, BOOT_ID + 1, 0),
        (0, 0, BOOT_ID, 0),
    ],
)
def test_a_session_goes_on_only_for_who_held_it_in_this_boot(
    fresh: int, last_session: int, last_boot_id: int, resumed: int
) -> None:
    device = Device().armed()
    device.stream()
    device.run(95)
    assert device.ask(drive()).accepted == 1
    device.tell(wire.Switch(1000, wire.Output.LAMP, 1))
    device.drain()
    if not resumed:  # nobody else gets in while the lease lives
        device.ask(drive(wire.DriveMode.OFF))
        device.run(500)
        device.drain()
    before = device["next_seq"]
    opened = device.open(4242, fresh=fresh, last_session=last_session, last_boot_id=last_boot_id, nonce=7)
    assert opened.resumed == resumed
    assert opened.session == (SESSION if resumed else 4242)
    assert opened.state == (DeviceState.RUNNING if resumed else DeviceState.READY)
    assert opened.next_seq == (before if resumed else 0)
    assert device["running"] == resumed
    assert device["driven"] == resumed
    assert device["outputs"] == resumed << wire.Output.LAMP
    assert device["lease_state"] == (LeaseState.LIVE if resumed else LeaseState.OFF)
    device.run(20)
    device.tell(wire.Sheet(0))
    assert {frame.session for frame in device.drain()} == {opened.session}
    assert device["next_seq"] == (before + 2 if resumed else 0)


def test_a_mute_device_has_no_session_to_take_up() -> None:
    device = Device()
    assert device.open(5, fresh=0, last_session=0, last_boot_id=BOOT_ID).resumed == 0


def test_what_was_never_sent_comes_by_itself_when_a_session_is_taken_up() -> None:
    device = Device()
    device.open()
    device.stream()
    device.run(wire.SILENCE_MS + 200)
    device.drain()
    assert device["next_send"] < device["next_seq"]
    oldest = device["next_send"]
    device.open(9, fresh=0, last_session=SESSION, last_boot_id=BOOT_ID, nonce=2)
    device.run(10)
    seqs = [frame.seq for frame in device.drain() if frame.kind == wire.Block.KIND]
    assert device["next_send"] == device["next_seq"] > oldest + 19
    assert seqs == list(range(device["next_seq"] - len(seqs), device["next_seq"]))


def test_a_frame_of_another_session_is_dropped_and_counted() -> None:
    device = Device()
    device.open()
    others: tuple[wire.Message, ...] = (wire.Halt(), lease(0), wire.Probe(1, 0, 0, 1), wire.EventAck(1))
    for number, message in enumerate(others):
        device.tell(message, session=SESSION + 1)
        assert device["strays"] == number + 1
    assert device.drain() == []


def test_a_device_that_hears_nobody_falls_silent_and_samples_on() -> None:
    device = Device()
    device.open()
    device.stream(status_ms=10)
    spoken = 0
    last = device["heard_tick"] + SILENCE
    while device.now < last - MS:
        device.run(1)
        spoken = device.now if device.drain() else spoken
    assert spoken == last - MS
    index = device["next_index"]
    device.run(1000)
    assert device.drain() == []
    assert device["next_index"] >= index + 1000
    device.tell(wire.EventAck(999))
    kinds = [frame.kind for frame in device.drain()]
    assert wire.Block.KIND in kinds
    assert wire.Status.KIND in kinds


def test_an_open_repeated_within_the_session_counts_as_hearing_the_host() -> None:
    device = Device()
    device.tell(OPEN, seq=7)
    assert device.drain()
    device.run(wire.SILENCE_MS - 10)
    device.drain()
    device.tell(OPEN, seq=7)
    (answer,) = [frame for frame in device.drain() if frame.kind == wire.Opened.KIND]
    assert answer.message.uptime_tick == 0, "the kept answer, not a new one"
    device.run(200)
    assert wire.Status.KIND in [frame.kind for frame in device.drain()]


@pytest.mark.parametrize("message", [wire.Firmware(), wire.Probe(1, 0, 0, 2)])
def test_an_answer_that_found_no_line_until_the_silence_is_not_sent(message: wire.Message) -> None:
    device = Device()
    device.open()
    device.tell(message)
    device.run(wire.SILENCE_MS)
    assert device.drain() == []
    device.tell(wire.Sheet(0))
    assert wire.SheetPart.KIND in [frame.kind for frame in device.drain()]


def test_close_stops_everything_and_is_answered_in_the_old_session() -> None:
    device = Device().armed()
    device.stream()
    device.ask(drive())
    device.tell(wire.Switch(1000, wire.Output.SHUNT, 1))
    device.run(5)
    device.drain()
    seq = device.tell(wire.Close())
    frames = device.drain()
    assert [(frame.message, frame.seq, frame.session) for frame in frames] == [
        (wire.Done(0, wire.Close.KIND), seq, SESSION)
    ]
    assert [device[name] for name in ("session", "running", "driven", "outputs", "lease_state")] == [0] * 5
    device.run(4000)
    assert device.drain() == []


def test_what_is_owed_when_a_session_closes_is_never_sent() -> None:
    device = Device()
    device.open()
    device.stream()
    device.run(100)
    device.drain()
    device.tell(wire.Probe(1, 0, 0, 2))
    device.tell(wire.Resend(0, 5))
    device.tell(wire.Close())
    assert [frame.kind for frame in device.drain()] == [wire.Done.KIND]
    device.open(8)
    device.run(1)
    assert {frame.kind for frame in device.drain()} <= {wire.Status.KIND, wire.Slow.KIND, wire.Event.KIND}


def test_the_sheet_comes_in_parts_that_make_the_whole() -> None:
    sheet = (str(SHEET).encode() * 9)[:4000]
    device = Device(sheet=sheet)
    device.open()
    parts = b""
    while len(parts) < len(sheet):
        part = device.ask(wire.Sheet(len(parts)))
        assert (part.offset, part.total) == (len(parts), len(sheet))
        assert len(part.part) == min(wire.SHEET_PART_BYTES, len(sheet) - len(parts))
        parts += part.part
    assert parts == sheet
    for offset in (len(sheet), 0xFFFFFFFF):
        assert device.ask(wire.Sheet(offset)).reason == Reason.OUT_OF_RANGE


def test_firmware_says_build_self_test_and_last_crash() -> None:
    device = Device()
    numbers = {"flash_crc": 1, "config_hash": 2, "crash_pc": 3, "crash_lr": 4, "crash_cause": 5}
    for name, value in numbers.items():
        device[name] = value
    device.start(self_test=0x108)
    device.open()
    answer = device.ask(wire.Firmware())
    assert answer == wire.FirmwareReply(1, 2, 0x108, 3, 4, 5, b"harness".ljust(32, b"\0"))


@pytest.mark.parametrize(
    ("message", "features"),
    [(wire.Firmware(), 3), (wire.Switch(100, 0, 1), 5)],
)
def test_a_feature_that_the_board_lacks_is_unsupported(message: wire.Message, features: int) -> None:
    device = Device(features=features)
    device.open()
    assert device.ask(message).reason == Reason.UNSUPPORTED


REQUESTS: dict[type[wire.Message], wire.Message] = {
    type(m): m
    for m in (
        wire.Sheet(0),
        setup(),
        wire.Run(0),
        wire.Probe(1, 0, 0, 1),
        drive(),
        wire.Clear(0),
        wire.Switch(9, 0, 0),
        wire.Extremes(0),
    )
}
NOTICES: dict[type[wire.Message], wire.Message] = {
    type(m): m for m in (wire.EventAck(1), wire.Resend(0, 1), lease(0))
}


def test_every_message_of_the_host_is_named_in_these_tables() -> None:
    empty = {wire.Halt, wire.Firmware, wire.Close}
    hosts = {message for message in wire.BY_KIND.values() if message.FROM_HOST}
    assert {*REQUESTS, *NOTICES, *empty, wire.Open} == hosts


@pytest.mark.parametrize("message", REQUESTS.values(), ids=lambda m: type(m).__name__)
def test_a_request_that_is_too_short_is_malformed(message: wire.Message) -> None:
    device = Device()
    device.open()
    device.receive(to_wire(pack_body(message.KIND, SESSION, 600, message.encode()[:-1])))
    (answer,) = [frame.message for frame in device.drain() if frame.seq == 600]
    assert answer == wire.Refused(0, Reason.MALFORMED, message.KIND, 0)


@pytest.mark.parametrize("message", [*REQUESTS.values(), wire.Halt()], ids=lambda m: type(m).__name__)
def test_bytes_of_a_later_minor_version_are_ignored(message: wire.Message) -> None:
    plain, longer = Device(), Device()
    answers: list[Any] = []
    for device, more in ((plain, b""), (longer, b"later")):
        device.open()
        device.receive(to_wire(pack_body(message.KIND, SESSION, 600, message.encode() + more)))
        answers.append([frame.message for frame in device.drain() if frame.seq == 600])
    assert answers[0] == answers[1]
    assert answers[0][0].KIND != wire.Refused.KIND or answers[0][0].reason != Reason.MALFORMED


@pytest.mark.parametrize("message", NOTICES.values(), ids=lambda m: type(m).__name__)
def test_a_notice_is_never_refused(message: wire.Message) -> None:
    device = Device()
    device.open()
    device.drain()
    device.receive(to_wire(pack_body(message.KIND, SESSION, 600, message.encode()[:-1])))
    assert device.drain() == []
    assert device["leases_refused"] == isinstance(message, wire.Lease)


def test_a_kind_that_must_be_understood_is_refused_and_any_other_ignored() -> None:
    device = Device()
    device.open()
    for kind in range(256):
        if kind in wire.BY_KIND:
            continue
        device.receive(to_wire(pack_body(kind, SESSION, 1000 + kind, b"what")))
        answers = [frame.message for frame in device.drain()]
        if kind & 0x80:
            assert answers == [wire.Refused(0, Reason.UNKNOWN_KIND, kind, 0)]
        else:
            assert answers == []
    assert device["strays"] == 256 - len(wire.BY_KIND)


def test_an_echoing_line_does_not_make_a_device_answer_itself() -> None:
    device = Device()
    device.open()
    device.stream()
    device.ask(wire.Probe(1, 0, 0, 1))
    device.run(100)
    device.tell(wire.Sheet(99_999))
    device.run(5)
    sent = device.drain()
    assert wire.Refused.KIND in [frame.kind for frame in sent]
    heard = device["heard_tick"]
    device.run(1)
    for message in wire.BY_KIND.values():
        if not message.FROM_HOST:
            device.receive(to_wire(pack_body(message.KIND, SESSION, 9, bytes(100))))
    for frame in sent:
        device.receive(to_wire(frame.body))
    assert device.drain() == []
    assert device["heard_tick"] == heard
