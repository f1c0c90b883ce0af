"""Messages against the vectors, which a second implementation wrote."""

import dataclasses
import struct
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.protocol.vector_files import BY_NAME, lines, message_of

from generator import reference
from nightturn_protocol import messages
from nightturn_protocol.errors import LocalProtocolError, MalformedError
from nightturn_protocol.framing import Deframer, frame_body, parse_message, to_wire
from nightturn_protocol.messages import (
    BY_KIND,
    DATA_FRAME_BYTES,
    FRAME_BYTES_MAX,
    FRAME_BYTES_MIN,
    Block,
    Drive,
    EncoderForm,
    Event,
    EventCode,
    Lane,
    Opened,
    SheetPart,
    Slow,
)


@pytest.mark.parametrize("name", BY_NAME)
def test_every_vector_of_a_message_reads_back_and_writes_the_same(name: str) -> None:
    chosen = [line for line in lines("messages.jsonl") if line["message"] == name]
    assert chosen
    for line in chosen:
        body, wire = bytes.fromhex(line["body"]), bytes.fromhex(line["wire"])
        built = frame_body(message_of(line), line["session"], line["seq"])
        assert built == body, line["case"]
        assert to_wire(built) == wire
        assert Deframer().receive_bytes(wire) == [body]
        decoded = parse_message(body)
        assert type(decoded) is BY_NAME[name]
        assert repr(decoded) == repr(message_of(line))  # repr, because NaN is not equal to itself
        assert decoded.encode() == body[8:]


@pytest.mark.parametrize(
    "line", [line for line in lines("bad.jsonl") if line["what"] == "body"], ids=lambda line: line["case"]
)
def test_bad_bodies_are_told_apart(line: dict[str, Any]) -> None:
    (body,) = Deframer().receive_bytes(bytes.fromhex(line["wire"]))
    match line["fault"]:
        case "malformed":
            with pytest.raises(MalformedError):
                parse_message(body)
        case "unknown":
            assert parse_message(body) is None
        case "tail":
            message = parse_message(body)
            assert message is not None
            assert message.encode() == body[8:-1]
        case fault:
            assert fault == "version"
            assert body[0] >> 4 != messages.MAJOR


@pytest.mark.parametrize(
    "name", sorted(set(BY_NAME) - {"Block", "SheetPart"})
)  # these two take all that is left
def test_a_fixed_message_ignores_a_longer_tail_and_refuses_a_shorter_one(name: str) -> None:
    line = next(line for line in lines("messages.jsonl") if line["message"] == name)
    payload = bytes.fromhex(line["body"])[8:]
    assert BY_NAME[name].decode(payload + b"\xaa\xbb") == BY_NAME[name].decode(payload)
    for short in range(len(payload)):
        with pytest.raises(MalformedError):
            BY_NAME[name].decode(payload[:short])


@given(st.sampled_from(sorted(BY_KIND)), st.binary(max_size=1012))
def test_any_payload_is_read_or_refused_and_nothing_else(kind: int, payload: bytes) -> None:
    try:
        message = BY_KIND[kind].decode(payload)
    except MalformedError:
        return
    again = message.encode()
    assert repr(BY_KIND[kind].decode(again)) == repr(message)
    assert len(again) <= len(payload)


@given(
    count=st.integers(0, 200),
    form=st.integers(0, 3),
    length=st.integers(0, 1000),
    exact=st.booleans(),
)
def test_a_block_is_taken_only_when_its_count_fills_its_samples(
    count: int, form: int, length: int, exact: bool
) -> None:
    width = (
        {EncoderForm.DELTA16: 5, EncoderForm.OFFSET32: 7}.get(EncoderForm(form)) if form in (1, 2) else None
    )
    if exact and width:
        length = count * width
    payload = messages.BLOCK_HEADER.pack(1, 2, 3, count, 0, form, 0, 0, 0, 0) + bytes(length)
    if width and 1 <= count <= messages.BLOCK_SAMPLES_MAX and length == count * width:
        assert Block.decode(payload).encode() == payload
    else:
        with pytest.raises(MalformedError):
            Block.decode(payload)


@pytest.mark.parametrize(
    "message",
    [
        Block(0, 0, 0, 10, 0, 1, 0, 0, 0, 0, bytes(49)),
        Block(0, 0, 0, 121, 0, 1, 0, 0, 0, 0, bytes(605)),
        Slow(0, tuple((n, 0.0) for n in range(33))),
        Slow(0, ((256, 0.0),)),
        Slow(-1, ()),
        SheetPart(0, 600, bytes(513)),
        Event(0, 0, 2**31, 0, EventCode.BOOT, 0, 0),
        Drive(0, 0, 0, 1e39, 0.0, 0.0, 0, 0, 0),
    ],
    ids=["samples short", "too many samples", "too many pairs", "channel", "tick", "part", "i32", "f32"],
)
def test_a_value_that_does_not_fit_is_our_own_mistake(message: messages.Message) -> None:
    with pytest.raises(LocalProtocolError):
        message.encode()


def test_texts_are_padded_with_zeros_and_never_cut() -> None:
    line = next(line for line in lines("messages.jsonl") if line["message"] == "Opened")
    opened = message_of(line)
    assert isinstance(opened, Opened)
    named = dataclasses.replace(opened, firmware=b"1.2.0", board=b"B-7")
    again = Opened.decode(named.encode())
    assert again.firmware == b"1.2.0" + bytes(11)
    assert again.board == b"B-7" + bytes(13)
    with pytest.raises(LocalProtocolError):
        dataclasses.replace(opened, board=bytes(17)).encode()


def test_the_longest_form_of_every_message_keeps_the_limits() -> None:
    for line in lines("messages.jsonl"):
        length = len(line["body"]) // 2 + 4
        assert FRAME_BYTES_MIN <= length <= FRAME_BYTES_MAX
        if line["message"] == "Block":
            assert length <= DATA_FRAME_BYTES
    widest = Block(0, 0, 0, 120, 0, EncoderForm.DELTA16, 0, 0, 0, 0, bytes(600))
    assert len(frame_body(widest, 1, 0)) + 4 <= DATA_FRAME_BYTES


def test_requests_and_answers_belong_together() -> None:
    for message in BY_KIND.values():
        if message.REPLY_KIND is not None:
            reply = BY_KIND[message.REPLY_KIND]
            assert message.FROM_HOST
            assert not reply.FROM_HOST
            assert message.LANE == reply.LANE == Lane.CONTROL
    assert [message for message in BY_KIND.values() if message.LANE == Lane.DATA] == [Block]


def test_probe_and_its_answer_are_equally_long() -> None:
    # the offset of a two-way exchange assumes equal legs (RFC 5905 section 8)
    by_name = {line["message"]: len(line["body"]) for line in lines("messages.jsonl")}
    assert by_name["Probe"] == by_name["Probed"]


def test_the_hot_path_header_reads_what_decode_reads() -> None:
    block = Block(2**64 - 1, 2, -3, 10, 1, 2, 0x7F, 4, 5, 6, bytes(range(70)))
    body = frame_body(block, 1, 0)
    assert messages.BLOCK_HEADER.unpack_from(body, 8) == (2**64 - 1, 2, -3, 10, 1, 2, 0x7F, 4, 5, 6)
    assert body[8 + messages.BLOCK_HEADER.size :] == block.samples


def test_the_reference_agrees_with_struct_on_floats() -> None:
    for value in (0.0, -0.0, 1.5, 3.4028234663852886e38, float("inf")):
        bits = struct.pack("<f", value)
        assert reference.field_bytes("f32", f"0x{int.from_bytes(bits, 'little'):08x}") == bits
