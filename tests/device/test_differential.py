"""Both decoders on the same bytes: the same bodies, the same counters, at every split; both codecs on the same payloads."""

import math
import os
import struct
from pathlib import Path
from typing import Any

import pytest
from cobs import cobs
from crc32c import crc32c
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.device.codec import MESSAGES, CDeframer, c_cobs, c_crc, c_fields, c_get, c_put, c_uncobs, c_wire
from tests.device.library import Deframer as CStruct

from generator.definition import Message
from nightturn_protocol.errors import MalformedError
from nightturn_protocol.framing import Deframer, pack_body, to_wire
from nightturn_protocol.messages import BY_KIND, FRAME_BYTES_MAX, WIRE_BYTES_MAX

CORPUS = Path(__file__).parent / "corpus"
ROUNDS = 40 if os.environ.get("NIGHTTURN_HARNESS") else 200


def both(pieces: list[bytes]) -> tuple[list[bytes], dict[str, int]]:
    """What both decoders make of bytes that come in pieces; they agree."""
    python, c = Deframer(), CDeframer()
    bodies: list[bytes] = []
    for piece in pieces:
        found = python.receive_bytes(piece)
        assert c.receive_bytes(piece) == found
        counters = {name: getattr(python, name) for name in CStruct.COUNTERS}
        assert c.counters == counters
        bodies += found
    return bodies, c.counters


BODIES = st.builds(
    pack_body,
    st.integers(0, 255),
    st.integers(0, 0xFFFF),
    st.integers(0, 0xFFFFFFFF),
    st.binary(max_size=60)
    | st.binary(min_size=240, max_size=260)
    | st.sampled_from([bytes(1012), b"\xff" * 1012]),
)
WIRES = st.builds(to_wire, BODIES)
RUNS = st.builds(
    lambda byte, n: bytes([byte]) * n,
    st.sampled_from([0, 1, 0x55, 0xFE, 0xFF]),
    st.integers(0, 12) | st.integers(250, 260) | st.integers(WIRE_BYTES_MAX - 4, WIRE_BYTES_MAX + 4),
)


@st.composite
def damaged(draw: st.DrawFn) -> bytes:
    """A whole frame with bytes flipped, lost or added."""
    data = bytearray(draw(WIRES))
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.integers(0, len(data) - 1))
        match draw(st.sampled_from(["flip", "lose", "add", "cut"])):
            case "flip":
                data[at] ^= draw(st.integers(1, 255))
            case "lose" if len(data) > 1:
                del data[at]
            case "add":
                data.insert(at, draw(st.integers(0, 255)))
            case _:
                data[at:] = data[at : at + 3]
    return bytes(data)


GARBAGE = st.lists(WIRES | damaged() | RUNS | st.binary(max_size=40), max_size=8)


@given(GARBAGE, st.data())
@settings(max_examples=ROUNDS)
def test_c_and_python_take_the_same_frames_from_garbage_at_every_split(
    parts: list[bytes], data: st.DataObject
) -> None:
    stream = b"".join(parts)
    whole = both([stream])
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=8)))
    assert both([stream[a:b] for a, b in zip([0, *cuts], [*cuts, len(stream)], strict=True)]) == whole
    assert both([stream[n : n + 1] for n in range(len(stream))]) == whole


def corpus() -> list[Path]:
    found = sorted(path for path in CORPUS.rglob("*") if path.is_file())
    assert found, "the fuzz corpus is committed"
    return found


def test_c_and_python_agree_on_the_whole_fuzz_corpus() -> None:
    for path in corpus():
        stream = path.read_bytes()
        whole = both([stream])
        for cut in range(0, len(stream), max(1, len(stream) // 12)):
            assert both([stream[:cut], stream[cut:]]) == whole, path.name


@given(st.binary(max_size=300) | RUNS)
@settings(max_examples=ROUNDS)
def test_c_and_python_encode_and_decode_cobs_alike(data: bytes) -> None:
    assert c_cobs(data) == cobs.encode(data)
    try:
        plain: bytes | None = cobs.decode(data)
    except cobs.DecodeError:
        plain = None
    assert c_uncobs(data) == plain


@pytest.mark.parametrize(
    "data", [b"\0", b"\x02\0", b"\x03\x11\0", b"\x02\x11\0", b"\x01\x03\0\x11", b"\x05\x11", b"", b"\xff"]
)
def test_c_and_python_refuse_the_same_pieces(data: bytes) -> None:
    try:
        plain: bytes | None = cobs.decode(data)
    except cobs.DecodeError:
        plain = None
    assert c_uncobs(data) == plain


@given(st.binary(max_size=600), st.integers(0, 600))
@settings(max_examples=ROUNDS)
def test_c_and_python_agree_on_the_crc_whatever_the_split(data: bytes, cut: int) -> None:
    assert c_crc(data) == crc32c(data)
    assert c_crc(data[cut:], c_crc(data[:cut])) == crc32c(data)


@given(BODIES)
@settings(max_examples=ROUNDS)
def test_c_and_python_write_the_same_frames(body: bytes) -> None:
    assert c_wire(body) == to_wire(body)


def python_fields(message: Message, made: Any) -> dict[str, Any]:
    """Field values of a Python message as the vectors write them; a NaN by its sort, for Python quietens it."""
    values: dict[str, Any] = {}
    for field in message.fields:
        value = getattr(made, field.name)
        if field.type == "f32":
            value = _bits(value)
        elif field.type == "pairs":
            value = [[number, _bits(number_value)] for number, number_value in value]
        elif isinstance(value, bytes):
            value = value.hex()
        values[field.name] = value
    return values


def _bits(value: float) -> str:
    return "NaN" if math.isnan(value) else f"0x{struct.unpack('<I', struct.pack('<f', value))[0]:08x}"


def without_nan(values: dict[str, Any]) -> dict[str, Any]:
    """NaNs by their sort."""

    def sort(bits: Any) -> Any:
        is_float = isinstance(bits, str) and bits.startswith("0x")
        return "NaN" if is_float and int(bits, 16) & 0x7FFFFFFF > 0x7F800000 else bits

    return {
        name: [[number, sort(bits)] for number, bits in value] if isinstance(value, list) else sort(value)
        for name, value in values.items()
    }


@pytest.mark.parametrize("kind", MESSAGES, ids=lambda kind: MESSAGES[kind].name)
@given(data=st.data())
@settings(max_examples=ROUNDS // 4)
def test_c_and_python_read_the_same_fields_from_any_payload_or_both_refuse(
    kind: int, data: st.DataObject
) -> None:
    message = MESSAGES[kind]
    fixed = message.fixed_bytes
    lengths = st.integers(0, 3) | st.just(fixed) | st.integers(max(0, fixed - 2), fixed + 60)
    payload = bytearray(data.draw(st.binary(min_size=1000, max_size=1000)))
    del payload[data.draw(lengths | st.integers(0, 1000)) :]
    if message.planar is not None and len(payload) > fixed:
        count, form = data.draw(st.integers(0, 140)), data.draw(st.integers(0, 3))
        payload[24:28] = struct.pack("<HBB", count, 0, form)
        del payload[
            fixed + max(0, count * {1: 5, 2: 7}.get(form, 5) + data.draw(st.sampled_from([0, 0, -1, 1]))) :
        ]
    elif len(payload) > fixed and message.fields and message.fields[-1].type == "pairs":
        payload[fixed] = data.draw(st.integers(0, 40))
    made = c_get(message, bytes(payload))
    try:
        python = BY_KIND[kind].decode(bytes(payload))
    except MalformedError:
        assert made is None
        return
    assert made is not None
    assert without_nan(c_fields(message, made)) == python_fields(message, python)
    assert len(payload) <= FRAME_BYTES_MAX - 12
    assert bytes(payload).startswith(c_put(message, made))
