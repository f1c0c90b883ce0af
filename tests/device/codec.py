"""The C codec and deframer behind the same small interface as Python's."""

import ctypes
import struct
from typing import Any

from tests.device.library import Deframer, core, definition, struct_of

from generator.definition import Message, snake
from nightturn_protocol.framing import CRC_BYTES
from nightturn_protocol.messages import FRAME_BYTES_MAX

MESSAGES = {message.kind: message for message in definition().messages}
_PAYLOAD_MAX = FRAME_BYTES_MAX - 12


class CDeframer:
    """`nt_deframer`: bytes in, bodies out."""

    def __init__(self) -> None:
        self.c = Deframer()
        core().nt_deframer_init(ctypes.byref(self.c))

    def receive_bytes(self, data: bytes) -> list[bytes]:
        """The bodies that these bytes complete."""
        feed, bodies = core().nt_deframer_byte, []
        reference = ctypes.byref(self.c)
        for byte in data:
            n = feed(reference, byte)
            if n:
                bodies.append(bytes(self.c.piece[:n]))
        return bodies

    @property
    def counters(self) -> dict[str, int]:
        """All counters by name."""
        return {name: getattr(self.c, name) for name in Deframer.COUNTERS}


def c_crc(data: bytes, crc: int = 0) -> int:
    """`nt_crc32c`."""
    return int(core().nt_crc32c(crc, data, len(data)))


def c_cobs(data: bytes) -> bytes:
    """`nt_cobs_encode`; fails when it writes more than it promises."""
    room = len(data) + len(data) // 254 + 1
    out = ctypes.create_string_buffer(b"\xa5" * (room + 8), room + 8)
    n = core().nt_cobs_encode(out, data, len(data))
    assert n <= room
    assert out.raw[room:] == b"\xa5" * 8
    return out.raw[:n]


def c_uncobs(data: bytes) -> bytes | None:
    """`nt_cobs_decode` in place; None when it refuses."""
    buffer = ctypes.create_string_buffer(data, len(data) + 1)
    n = ctypes.c_size_t(12345)
    good = core().nt_cobs_decode(buffer, ctypes.byref(n), buffer, len(data))
    return buffer.raw[: n.value] if good else None


def c_wire(body: bytes) -> bytes:
    """`nt_frame_close`."""
    frame = ctypes.create_string_buffer(body, len(body) + CRC_BYTES)
    room = len(frame) + len(frame) // 254 + 2
    out = ctypes.create_string_buffer(room)
    n = core().nt_frame_close(out, frame, len(body))
    return out.raw[:n]


def c_get(message: Message, payload: bytes) -> Any:
    """The struct that `nt_get_<message>` fills, None when it refuses."""
    if not message.fields:
        return ()
    made = struct_of(message.kind)()
    get = getattr(core(), f"h_get_{snake(message.name)}")
    get.restype = ctypes.c_bool
    buffer = ctypes.create_string_buffer(
        payload, max(len(payload), 1)
    )  # not one byte more, for the sanitizer
    if not get(ctypes.byref(made), buffer, ctypes.c_size_t(len(payload))):
        return None
    made.kept = buffer  # fields of variable length point into it
    return made


def c_fields(message: Message, made: Any) -> dict[str, Any]:
    """Field values as the vectors write them: floats as their bits, bytes as hex."""
    values: dict[str, Any] = {}
    for field in message.fields:
        value = getattr(made, field.name)
        if field.is_bytes:
            values[field.name] = bytes(value).hex()
        elif field.type == "rest":
            values[field.name] = bytes(value[: getattr(made, f"{field.name}_bytes")]).hex()
        elif field.type == "pairs":
            count = getattr(made, f"{field.name}_count")
            values[field.name] = [[pair.number, _bits_at(pair, "value")] for pair in value[:count]]
        elif field.type == "f32":
            values[field.name] = _bits_at(made, field.name)
        else:
            values[field.name] = value
    return values


def c_put(message: Message, made: Any) -> bytes:
    """What `nt_put_<message>` writes; it keeps to the room it is given."""
    if not message.fields:
        return b""
    put = getattr(core(), f"h_put_{snake(message.name)}")
    put.restype = ctypes.c_int
    out = ctypes.create_string_buffer(_PAYLOAD_MAX)
    n = put(ctypes.byref(made), out, ctypes.c_size_t(_PAYLOAD_MAX))
    assert n > 0
    exact = ctypes.create_string_buffer(n)
    assert put(ctypes.byref(made), exact, ctypes.c_size_t(n)) == n
    assert put(ctypes.byref(made), exact, ctypes.c_size_t(n - 1)) == -1
    assert exact.raw == out.raw[:n]
    return exact.raw


def _bits_at(made: Any, name: str) -> str:
    """A float's bits as they stand in the struct: reading it as a number would quieten a NaN."""
    at = getattr(type(made), name).offset
    (bits,) = struct.unpack_from("<I", bytes(made), at)
    return f"0x{bits:08x}"
