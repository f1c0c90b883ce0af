"""The records of a finished tape, compressed block by block; a damaged block costs the records in it and no other.

A block holds whole records. Layout, little-endian: magic u16, kind u8, reserved u8, packed length u32, plain length u32,
first record_no u64, plain offset u64, payload, CRC-32C u32 over the segment's salt, header and payload. The payload is
one frame of Zstandard (RFC 8878). The first and the last block are a table instead: how long the plain records are and
which record number is their last, so that a lost end shows.
"""

import struct
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import pyarrow as pa
from crc32c import crc32c

from nightturn.storage import tape

MAGIC = 0x93B7
BLOCK, TABLE = 1, 2
BLOCK_BYTES = 256 * 1024  # plain; a longer record has a block of its own
LEVEL = 3
_HEADER = struct.Struct("<HBBIIQQ")
TABLE_BYTES = _HEADER.size + tape.CRC.size
_PLAIN_BYTES_MAX = tape.PAYLOAD_BYTES_MAX + BLOCK_BYTES
_LOST = b"\xff"  # begins no record


class Unpacked(NamedTuple):
    """The plain records, with `_LOST` bytes in place of what is damaged; `last_used` is the highest number in them."""

    plain: bytes
    damaged_blocks: int
    last_used: int


class _Block(NamedTuple):
    kind: int
    plain_bytes: int
    record_no: int
    offset: int
    payload: bytes
    stop: int


def pack(content: bytes, entries: Sequence[tape.Entry], salt: int) -> list[bytes]:
    """The records of a plain tape as blocks, a table before and behind them.

    Args:
        content: the whole tape.
        entries: its records and snapshots in order, as `tape.scan` gives them; not empty.
        salt: of the segment.
    """
    first, last = entries[0].start - tape.HEADER.size, entries[-1]
    whole = last.stop + tape.CRC.size - first
    table = _block(TABLE, b"", 0, last.record_no, whole, salt)
    parts, begin, number = [table], first, entries[0].record_no
    for entry in entries:
        start, stop = entry.start - tape.HEADER.size, entry.stop + tape.CRC.size
        if stop - begin > BLOCK_BYTES and start > begin:
            parts.append(_compressed(content[begin:start], number, begin - first, salt))
            begin, number = start, entry.record_no
    parts.append(_compressed(content[begin : last.stop + tape.CRC.size], number, begin - first, salt))
    return [*parts, table]


def holds(content: bytes, position: int, plain: bytes, salt: int) -> bool:
    """Whether the blocks behind a packed tape's header give the records behind the header of a plain one, of the same length."""
    length, tables = position, 0
    for block in _blocks(content, position, salt):
        if block.kind == TABLE:
            tables += 1
            continue
        part = _inflated(block)
        if part is None or block.offset != length - position or part != plain[length : length + len(part)]:
            return False
        length += len(part)
    return tables == 2 and length == len(plain)


def unpack(content: bytes, position: int, first_record_no: int, salt: int, before: bytes = b"") -> Unpacked:
    """The plain records behind a packed tape's header, each whole block at its place, with `before` in front of them.

    Damage never shortens what is returned unseen: in its place stand bytes that are no record.
    """
    parts: list[bytes] = [before]
    length, lost, last_used, tables, whole = 0, 0, first_record_no - 1, 0, 0
    for block in _blocks(content, position, salt):
        if block.kind == TABLE:
            tables, whole = tables + 1, max(whole, block.offset)
            last_used = max(last_used, block.record_no)
            continue
        plain = _inflated(block)
        if plain is None or block.offset < length:
            continue
        if block.offset > length:
            parts.append(_LOST * (block.offset - length))
            lost += 1
        parts.append(plain)
        length = block.offset + len(plain)
        last_used = max(last_used, block.record_no)
    missing = max(whole - length, 0) if tables else 1  # without a table nobody knows what came behind
    if missing:
        parts.append(_LOST * missing)
        lost += 1
    return Unpacked(b"".join(parts), max(lost, 2 - tables), last_used)


def _block(kind: int, payload: bytes, plain_bytes: int, record_no: int, offset: int, salt: int) -> bytes:
    header = _HEADER.pack(MAGIC, kind, 0, len(payload), plain_bytes, record_no, offset)
    return b"".join((header, payload, tape.CRC.pack(crc32c(payload, crc32c(header, salt)))))


def _compressed(plain: bytes, record_no: int, offset: int, salt: int) -> bytes:
    payload = pa.Codec("zstd", LEVEL).compress(plain, asbytes=True)
    return _block(BLOCK, payload, len(plain), record_no, offset, salt)


def _inflated(block: _Block) -> bytes | None:
    try:
        plain = pa.Codec("zstd").decompress(block.payload, block.plain_bytes, asbytes=True)
    except (pa.ArrowException, OSError):
        return None
    return plain if len(plain) == block.plain_bytes else None


def _blocks(content: bytes, position: int, salt: int) -> Iterator[_Block]:
    """Every whole block, found again behind damage by magic and checksum."""
    sign = MAGIC.to_bytes(2, "little")
    while position <= len(content) - _HEADER.size - tape.CRC.size:
        block = _block_at(content, position, salt)
        if block is not None:
            yield block
            position = block.stop
            continue
        position = content.find(sign, position + 1)
        if position < 0:
            return


def _block_at(content: bytes, position: int, salt: int) -> _Block | None:
    magic, kind, _, packed_bytes, plain_bytes, record_no, offset = _HEADER.unpack_from(content, position)
    start = position + _HEADER.size
    stop = start + packed_bytes
    if magic != MAGIC or stop + tape.CRC.size > len(content):
        return None
    if kind == BLOCK and plain_bytes > _PLAIN_BYTES_MAX:
        return None
    if crc32c(memoryview(content)[position:stop], salt) != tape.CRC.unpack_from(content, stop)[0]:
        return None
    return _Block(kind, plain_bytes, record_no, offset, content[start:stop], stop + tape.CRC.size)
