"""Records to bytes and back: every record with its length, its number and a salted CRC-32C.

The salt is the CRC of the segment's random id, so bytes of another segment never pass, and a record that is not
whole ends the tape. Layout, little-endian: magic u16, kind u8, reserved u8, payload length u32, record_no u64,
at_ns i64, payload, CRC-32C u32 over salt, header and payload.
"""

import struct
from collections.abc import Sequence

import msgspec
from crc32c import crc32c

from nightturn.errors import StorageError
from nightturn.model.records import Bad, Frame, Host, Record, Tick
from nightturn_protocol.framing import CRC_RESIDUE

MAGIC = 0x93A7  # no zero byte: preallocated or zero-filled space never looks like a record
FRAME, BAD, TICK, HOST, SNAPSHOT = 1, 2, 3, 4, 5
PAYLOAD_BYTES_MAX = 64 * 1024 * 1024  # a snapshot is the longest payload; frames have at most 1 kB

HEADER = struct.Struct("<HBBIQq")
CRC = struct.Struct("<I")

_pack = msgspec.msgpack.Encoder().encode
_bad_of = msgspec.msgpack.Decoder(tuple[int, bytes]).decode
_tick_of = msgspec.msgpack.Decoder(tuple[int, int]).decode
_host_of = msgspec.msgpack.Decoder(tuple[str, bytes]).decode


class Entry(msgspec.Struct, frozen=True, gc=False):
    """Where a record lies in the segment: its payload is `content[start:stop]`.

    A msgspec struct, because one is made for every record, and costs a sixth of a named tuple this way.
    """

    kind: int
    record_no: int
    at_ns: int
    start: int
    stop: int


def salt_of(segment_id: int) -> int:
    """The value that every CRC of the segment starts from."""
    return crc32c(segment_id.to_bytes(8, "little"))


def encode_records(records: Sequence[Record], first_record_no: int, salt: int) -> bytes:
    """The records as tape bytes, numbered from `first_record_no`."""
    parts: list[bytes] = []
    pack_header, pack_crc, add = HEADER.pack, CRC.pack, parts.append
    for number, record in enumerate(records, first_record_no):
        if isinstance(record, Frame):
            kind, payload = FRAME, record.body
        else:
            kind, payload = _payload(record)
        header = pack_header(MAGIC, kind, 0, len(payload), number, record.at_ns)
        add(header)
        add(payload)
        add(pack_crc(crc32c(payload, crc32c(header, salt))))
    return b"".join(parts)


def encode_snapshot(state: bytes, last_record_no: int, at_ns: int, salt: int) -> bytes:
    """A core's state after `last_record_no` as a tape record; it has no number of its own.

    Raises:
        StorageError: the state is longer than a record may be.
    """
    if len(state) > PAYLOAD_BYTES_MAX:
        raise StorageError(f"a snapshot of {len(state)} bytes is over the limit of {PAYLOAD_BYTES_MAX}")
    header = HEADER.pack(MAGIC, SNAPSHOT, 0, len(state), last_record_no, at_ns)
    return b"".join((header, state, CRC.pack(crc32c(state, crc32c(header, salt)))))


def scan(content: memoryview, position: int, first_record_no: int, salt: int) -> tuple[list[Entry], int]:
    """Every whole record from `position` on, and where the first that is not whole begins.

    A record ends the tape when magic, length or CRC do not fit or its number is not the next.
    """
    entries: list[Entry] = []
    unpack_header, add, snapshot = HEADER.unpack_from, entries.append, SNAPSHOT
    header_bytes, crc_bytes, end = HEADER.size, CRC.size, len(content) - CRC.size
    number = first_record_no
    while position + header_bytes <= end:
        magic, kind, _, length, record_no, at_ns = unpack_header(content, position)
        stop = position + header_bytes + length
        if magic != MAGIC or length > PAYLOAD_BYTES_MAX or stop > end:
            break
        after = stop + crc_bytes
        if (
            crc32c(content[position:after], salt) != CRC_RESIDUE
        ):  # the record and its own CRC, whatever the salt
            break
        if kind == snapshot:
            if record_no != number - 1:
                break
        elif record_no != number:
            break
        else:
            number += 1
        add(Entry(kind, record_no, at_ns, position + header_bytes, stop))
        position = after
    return entries, position


def decode(kind: int, at_ns: int, payload: bytes) -> Record | None:
    """The record of a payload that passed its CRC; None for a kind that a later minor version added."""
    if kind == FRAME:
        return Frame(at_ns, payload)
    if kind == TICK:
        return Tick(at_ns, *_tick_of(payload))
    if kind == HOST:
        return Host(at_ns, *_host_of(payload))
    if kind == BAD:
        return Bad(at_ns, *_bad_of(payload))
    return None


def _payload(record: Bad | Tick | Host) -> tuple[int, bytes]:
    match record:
        case Tick():
            return TICK, _pack((record.utc_ns, record.effects_crc))
        case Host():
            return HOST, _pack((record.kind, record.body))
        case Bad():
            return BAD, _pack((record.count, record.head))
