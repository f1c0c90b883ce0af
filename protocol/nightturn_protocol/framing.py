"""Frames: an 8-byte header and a payload, closed by a CRC-32C, COBS-encoded and delimited by `00`.

COBS after Cheshire and Baker, IEEE/ACM Transactions on Networking 7(2), 1999; CRC-32C (Castagnoli) as in RFC 3720.
A *body* is header and payload without the CRC: what passes between the link and this module.
"""

import struct
from typing import NamedTuple

from cobs import cobs
from crc32c import crc32c

from nightturn_protocol.errors import LocalProtocolError, MalformedError
from nightturn_protocol.messages import (
    BY_KIND,
    FRAME_BYTES_MAX,
    FRAME_BYTES_MIN,
    MAJOR,
    WIRE_BYTES_MAX,
    Message,
)

HEADER = struct.Struct("<BBHI")
HEADER_BYTES = HEADER.size
VERSION_BYTE = MAJOR << 4
CRC_BYTES = 4
CRC_RESIDUE = 0x48674BC7  # CRC-32C over any message followed by its own CRC, little-endian
BAD_HEAD_BYTES = 64  # as much of a bad frame as is kept
MUST_UNDERSTAND = 0x80  # a kind with this bit may not be ignored

_CRC = struct.Struct("<I")


class Header(NamedTuple):
    """The first eight bytes of a frame."""

    version: int
    kind: int
    session: int
    seq: int

    @property
    def major(self) -> int:
        """The major version the sender speaks."""
        return self.version >> 4


def pack_body(kind: int, session: int, seq: int, payload: bytes) -> bytes:
    """Header and payload.

    Raises:
        LocalProtocolError: a number is out of range or the frame would be too long.
    """
    if len(payload) > FRAME_BYTES_MAX - FRAME_BYTES_MIN:
        raise LocalProtocolError(f"{len(payload)} bytes of payload make the frame too long")
    try:
        return HEADER.pack(VERSION_BYTE, kind, session, seq) + payload
    except struct.error as error:
        raise LocalProtocolError(f"header: {error}") from error


def frame_body(message: Message, session: int, seq: int) -> bytes:
    """Header and payload of a message.

    Raises:
        LocalProtocolError: a value does not fit the wire.
    """
    return pack_body(message.KIND, session, seq, message.encode())


def parse_header(body: bytes) -> Header:
    """The header of a body.

    Raises:
        MalformedError: fewer bytes than a header.
    """
    if len(body) < HEADER_BYTES:
        raise MalformedError(f"{len(body)} bytes are no header")
    return Header(*HEADER.unpack_from(body))


def parse_message(body: bytes) -> Message | None:
    """The message in a body, None when this version knows no such kind.

    Raises:
        MalformedError: the payload does not fit its kind.
    """
    message = BY_KIND.get(parse_header(body).kind)
    return None if message is None else message.decode(body[HEADER_BYTES:])


def to_wire(body: bytes) -> bytes:
    """The bytes that go on the line: CRC appended, COBS, delimiter.

    Raises:
        LocalProtocolError: the frame would be too long or has no whole header.
    """
    if not FRAME_BYTES_MIN <= len(body) + CRC_BYTES <= FRAME_BYTES_MAX:
        raise LocalProtocolError(f"a body of {len(body)} bytes makes no frame")
    encoded: bytes = cobs.encode(body + _CRC.pack(crc32c(body)))
    return encoded + b"\0"


def _unwrap(piece: bytes) -> tuple[bytes, str]:
    """The body in a piece between two delimiters, or the counter of what is wrong with it."""
    if len(piece) >= WIRE_BYTES_MAX:  # with its delimiter it is longer than any frame
        return b"", "oversize"
    try:
        frame = cobs.decode(piece)
    except cobs.DecodeError:
        return b"", "bad_cobs"
    if len(frame) < FRAME_BYTES_MIN:
        return b"", "undersize"
    if crc32c(frame) != CRC_RESIDUE:
        return b"", "bad_crc"
    return frame[:-CRC_BYTES], ""


class Deframer:
    """Bytes in, bodies out; whatever is not a whole valid frame is counted and dropped.

    The bytes before the first delimiter ever seen may be the rest of a frame whose start was missed: when they are
    no frame they count as `torn`, not as bad. A frame of another major version is delivered like any other.

    Attributes:
        frames: bodies delivered.
        bad_cobs: pieces between delimiters that COBS cannot have written.
        bad_crc: frames whose CRC does not agree.
        undersize: frames shorter than header and CRC.
        oversize: pieces that reach WIRE_BYTES_MAX without a delimiter; each counts once, however long.
        torn: 1 when the stream began inside a frame.
        last_bad: head of the newest piece that was dropped, as it was on the line.
    """

    __slots__ = (
        "_bad_seen",
        "_discarding",
        "_in_step",
        "_tail",
        "bad_cobs",
        "bad_crc",
        "frames",
        "last_bad",
        "oversize",
        "torn",
        "undersize",
    )

    def __init__(self) -> None:
        self.frames = 0
        self.bad_cobs = 0
        self.bad_crc = 0
        self.undersize = 0
        self.oversize = 0
        self.torn = 0
        self.last_bad = b""
        self._tail = b""
        self._discarding = False
        self._in_step = False
        self._bad_seen = 0

    @property
    def bad(self) -> int:
        """All bad frames, the torn start not among them."""
        return self.bad_cobs + self.bad_crc + self.undersize + self.oversize

    def receive_bytes(self, data: bytes) -> list[bytes]:
        """Takes what a read gave and returns the bodies it completes, in order."""
        pieces = (self._tail + data).split(b"\0")
        self._tail = pieces.pop()
        if pieces and self._discarding:
            del pieces[0]  # the end of a piece that was counted when it grew too long
            self._discarding = False
            self._in_step = True
        bodies: list[bytes] = []
        for piece in pieces:
            if piece:
                body, fault = _unwrap(piece)
                if fault:
                    self._drop(piece, fault)
                else:
                    bodies.append(body)
            self._in_step = True
        if self._discarding:
            self._tail = b""
        elif len(self._tail) >= WIRE_BYTES_MAX:
            self._drop(self._tail, "oversize")
            self._discarding = True
            self._tail = b""
        self.frames += len(bodies)
        return bodies

    def take_bad(self) -> tuple[int, bytes]:
        """How many bad frames came since the last call, and the head of the newest (empty when none)."""
        count = self.bad - self._bad_seen
        self._bad_seen += count
        return count, self.last_bad if count else b""

    def _drop(self, piece: bytes, fault: str) -> None:
        if not self._in_step and fault != "oversize":
            self.torn = 1
            return
        self.last_bad = piece[:BAD_HEAD_BYTES]
        setattr(self, fault, getattr(self, fault) + 1)
