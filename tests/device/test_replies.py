"""Requests on the C core: a retry is answered from the store and its effect happens once; PROTOCOL.md section 2."""

import pytest
from crc32c import crc32c
from hypothesis import given
from hypothesis import strategies as st
from tests.device.device import BOOT_ID, DRIVE, SESSION, SET_OUTPUT, Device, drive, lease, setup

from nightturn_protocol import messages as wire
from nightturn_protocol.framing import frame_body, pack_body, to_wire
from nightturn_protocol.messages import REPLIES_KEPT, Reason


@pytest.mark.parametrize("gap_ms", [0, 100, 400])
def test_a_retry_gets_the_same_bytes_and_has_no_effect(gap_ms: int) -> None:
    device = Device().armed()
    wanted = drive(setpoint=2.5)
    device.tell(wanted, seq=70)
    first = [frame.body for frame in device.drain() if frame.seq == 70]
    device.run(gap_ms)
    device.drain()
    device.tell(wanted, seq=70)
    again = [frame.body for frame in device.drain() if frame.seq == 70]
    assert again == first
    assert [call.setpoint for call in device.calls(DRIVE)] == [2.5]


def test_two_retries_in_a_row_need_one_answer() -> None:
    device = Device()
    device.open()
    for _ in range(3):
        device.tell(setup(), seq=9)
    assert [frame.kind for frame in device.drain() if frame.seq == 9] == [wire.SetupReply.KIND]
    assert device["config_epoch"] == 1


def test_a_refusal_is_an_answer_like_any_other() -> None:
    device = Device()
    device.open()
    device.tell(wire.Run(0), seq=5)
    (refused,) = [frame.message for frame in device.drain() if frame.seq == 5]
    assert refused == wire.Refused(0, Reason.NOT_NOW, wire.Run.KIND, 0)
    device.ask(setup(), seq=6)
    device.tell(wire.Run(0), seq=5)
    assert [frame.message for frame in device.drain() if frame.seq == 5] == [refused]
    assert device["running"] == 0


def test_a_refused_unknown_kind_takes_one_place_however_often_it_is_repeated() -> None:
    device = Device().armed()
    device.tell(drive(), seq=70)
    for _ in range(3 * REPLIES_KEPT):
        device.receive(to_wire(pack_body(0xFE, SESSION, 71, b"")))
        assert [frame.message.KIND for frame in device.drain() if frame.seq == 71] == [wire.Refused.KIND]
    device.tell(drive(), seq=70)
    assert len(device.calls(DRIVE)) == 1


def test_as_many_answers_are_kept_as_promised_and_the_oldest_goes() -> None:
    device = Device()
    device.open()
    first = device.ask(setup(), seq=100)
    for seq in range(101, 100 + REPLIES_KEPT):
        device.ask(wire.Firmware(), seq=seq)
    assert device.ask(setup(), seq=100) == first
    device.ask(wire.Firmware(), seq=200)
    again = device.ask(setup(), seq=100)
    assert again.config_epoch == first.config_epoch + 1, "the one used again last is the oldest one made"


def test_a_number_used_again_for_something_else_is_another_request() -> None:
    device = Device().armed()
    device.ask(setup(1000), seq=40)
    assert device.ask(setup(500), seq=40).rate_millihz == 500_000
    assert isinstance(device.ask(wire.Firmware(), seq=40), wire.FirmwareReply)


def test_a_new_session_begins_with_an_empty_store() -> None:
    device = Device()
    device.open()
    device.ask(setup(), seq=9)
    device.open(SESSION + 1)
    device.session = SESSION
    device.open(SESSION)
    device.ask(setup(), seq=9)
    assert device["config_epoch"] == 2


def test_a_session_that_is_taken_up_keeps_its_answers() -> None:
    device = Device().armed()
    device.tell(drive(), seq=500)
    device.open(9, fresh=0, last_session=SESSION, last_boot_id=BOOT_ID, nonce=3)
    device.calls()
    assert device.ask(drive(), seq=500) == wire.DriveReply(500, 0, 1, 0)
    assert device.calls(DRIVE) == []


def test_an_open_that_is_repeated_opens_once() -> None:
    device = Device()
    message = wire.Open(0, 1, 0, 0, 0, SESSION, 0, 1)
    device.tell(message, seq=3)
    device.ask(setup(), seq=4)
    device.ask(wire.Run(0), seq=5)
    device.run(20)
    device.drain()
    device.tell(message, seq=3)
    assert [frame.message.resumed for frame in device.drain() if frame.kind == wire.Opened.KIND] == [0]
    assert device["running"] == 1


def test_a_probe_is_answered_anew_each_time_and_takes_no_place() -> None:
    device = Device().armed()
    device.ask(drive(), seq=100)
    ticks = []
    for _ in range(REPLIES_KEPT + 1):
        device.run(1)
        ticks.append(device.ask(wire.Probe(5, 0, 0, 6), seq=77).tick_rx)
    assert len(set(ticks)) == REPLIES_KEPT + 1
    device.ask(drive(), seq=100)
    assert len(device.calls(DRIVE)) == 1


def test_answers_go_out_in_the_order_they_were_made() -> None:
    device = Device()
    device.open()
    device.drain()
    for seq in (31, 30, 33, 32):
        device.tell(wire.Firmware(), seq=seq)
    device.tell(wire.Firmware(), seq=31)
    assert [frame.seq for frame in device.drain()] == [31, 30, 33, 32]
    device.tell(wire.Firmware(), seq=33)
    device.tell(wire.Firmware(), seq=31)
    assert [frame.seq for frame in device.drain()] == [33, 31]


@given(order=st.lists(st.integers(0, REPLIES_KEPT - 1), min_size=1, max_size=60), busy=st.booleans())
def test_whatever_is_repeated_in_whatever_order_happens_once(order: list[int], busy: bool) -> None:
    device = Device().armed()
    outputs = list(wire.Output)
    requests: list[wire.Message] = [drive(setpoint=0.5 + n, command=n + 1) for n in range(4)]
    requests += [wire.Switch(900, output, 1) for output in (wire.Output.SHUNT, wire.Output.LAMP)]
    requests += [wire.Clear(0), wire.Firmware()]
    assert len(requests) == REPLIES_KEPT
    assert len(outputs) == 4
    asked: list[int] = []
    for number in order:
        device.tell(requests[number], seq=1000 + number)
        asked += [number] if number not in asked else []
        if not busy:
            assert [frame.seq for frame in device.drain()] == [1000 + number]
    calls = device.calls()
    drives = [n for n in asked if n < 4]
    newest = [n for at, n in enumerate(drives) if n == max(drives[: at + 1])]
    assert [call.setpoint for call in calls if call.what == DRIVE] == [0.5 + n for n in newest]
    assert [call.which for call in calls if call.what == SET_OUTPUT] == [
        {4: wire.Output.SHUNT, 5: wire.Output.LAMP}[n] for n in asked if n in {4, 5}
    ]


def test_a_lease_is_no_request() -> None:
    device = Device().armed()
    body = frame_body(lease(device.now), SESSION, 4)
    device.run(1)
    device.receive(to_wire(body))
    assert device["leases_refused"] == 1, "the same lease again is an old one"
    assert device.drain() == []


def with_crc_0(head: bytes) -> bytes:
    """A body that begins so and whose CRC-32C is 0: four bytes more, found by elimination, for a CRC is linear."""
    constant = crc32c(head + bytes(4))
    rows = [(crc32c(head + (1 << bit).to_bytes(4, "little")) ^ constant, 1 << bit) for bit in range(32)]
    left, patch = constant, 0
    for column in range(32):
        pivot = next(row for row in rows if row[0] >> column & 1)
        rows = [
            (row[0] ^ pivot[0], row[1] ^ pivot[1]) if row[0] >> column & 1 else row
            for row in rows
            if row is not pivot
        ]
        if left >> column & 1:
            left, patch = left ^ pivot[0], patch ^ pivot[1]
    body = head + patch.to_bytes(4, "little")
    assert crc32c(body) == 0
    return body


def test_an_empty_place_in_the_store_answers_nothing() -> None:
    device = Device()
    device.open()
    device.drain()
    device.receive(to_wire(with_crc_0(pack_body(0, SESSION, 0, b""))))
    assert device.drain() == []
    assert device["strays"] == 1
