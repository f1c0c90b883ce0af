"""What a damaged segment still holds: whole records before and behind the damage, and the numbers that are lost in it.

A flipped bit, a bad sector or a page that never reached the disk spoils some records, not those behind them: magic,
salted CRC and a number that goes up find the next whole one. The salt is in the segment's name as well, so a damaged
header spoils no record either.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import msgspec
from crc32c import crc32c

from nightturn.errors import CorruptFileError, SchemaVersionError
from nightturn.model.facts import FAILURE, Failure, host
from nightturn.model.records import Bad, Host, Record
from nightturn.storage import packed, paths, tape
from nightturn.storage.segment import (
    SegmentHeader,
    decode_header,
    encode_header,
    header_is_whole,
    is_packed,
    last_packed,
    unpack,
)

DAMAGED_SUFFIX = ".damaged"
EVENT = "tape"  # the failure that a damaged stretch is told as
NOTHING_LOST = "tape_bytes"  # the same for damage that cost no record
_MAGIC = tape.MAGIC.to_bytes(2, "little")
_RECORD_BYTES_MIN = tape.HEADER.size + tape.CRC.size
_NAME = re.compile(r"(\d{12,20})-([0-9a-f]{16})\.ntj")
_ASIDE = re.compile(r"(.+\.ntj)\.(\d+)-(\d+)-(\d+)\.damaged")


class Damage(NamedTuple):
    """Bytes `start` to `stop` are no whole record; records `first` to `last` are lost in them (none if last < first)."""

    start: int
    stop: int
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Salvaged:
    """What a segment still holds.

    Attributes:
        header: None when it is damaged.
        entries: the whole records and snapshots, in order.
        damages: in order; a torn tail, which was never durable, is none.
        last_used: the highest record number that anything in it has or may have used.
    """

    header: SegmentHeader | None
    segment_id: int
    first_record_no: int
    entries: tuple[tape.Entry, ...]
    damages: tuple[Damage, ...]
    last_used: int


def salvage(content: bytes, path: str) -> Salvaged | None:
    """Everything whole in a plain segment; None when neither its header nor its name says which segment it is.

    Raises:
        SchemaVersionError: written by another major version.
    """
    name = _NAME.match(path.rpartition("/")[2])
    header: SegmentHeader | None = None
    try:
        header, position = decode_header(content, path)
        first, segment_id = header.first_record_no, header.segment_id
    except (CorruptFileError, SchemaVersionError) as problem:
        if isinstance(problem, SchemaVersionError) and header_is_whole(content):
            raise
        if name is None:
            return None
        first, segment_id, position = int(name[1]), int(name[2], 16), 0
        if _resynchronised(content, 0, first, tape.salt_of(segment_id)) is None:
            return Salvaged(None, segment_id, first, (), (), first - 1)
    entries, damages = _walk(content, position, first, tape.salt_of(segment_id))
    last_used = max(
        [entry.record_no for entry in entries] + [damage.last for damage in damages] + [first - 1]
    )
    return Salvaged(header, segment_id, first, tuple(entries), tuple(damages), last_used)


def mended(
    content: bytes, found: Salvaged, header: SegmentHeader, snapshot: bytes, *, last: bool = False
) -> bytes:
    """The segment anew: every whole record under its number, and in place of each lost one a record that says so.

    Damage that cost no record has no number to say it under; the last segment says it under the next one.

    Args:
        content: the damaged segment.
        found: what `salvage` found in it.
        header: its own, or one made from what is known.
        snapshot: the core's state before its first record; used if its own is damaged.
        last: no number after its last one is in use.
    """
    salt = tape.salt_of(found.segment_id)
    at_ns = found.entries[0].at_ns if found.entries else 0
    parts = [encode_header(header)]
    if not any(
        entry.kind == tape.SNAPSHOT and entry.record_no < found.first_record_no for entry in found.entries
    ):
        parts.append(tape.encode_snapshot(snapshot, found.first_record_no - 1, at_ns, salt))
    holes = [damage for damage in found.damages if damage.last >= damage.first]
    for entry in found.entries:
        while holes and holes[0].stop <= entry.start:
            parts.append(_in_place_of(holes.pop(0), at_ns, salt))
        at_ns = entry.at_ns
        parts.append(content[entry.start - tape.HEADER.size : entry.stop + tape.CRC.size])
    parts += [_in_place_of(hole, at_ns, salt) for hole in holes]
    if last and not any(damage.last >= damage.first for damage in found.damages):
        detail = "bytes of the tape that are no record were damaged and repaired: no record is lost"
        failure = host(at_ns, FAILURE, Failure(NOTHING_LOST, detail))
        parts.append(tape.encode_records([failure], found.last_used + 1, salt))
    return b"".join(parts)


def stands_for_lost(record: Record) -> bool:
    """Whether the record was put in the place of lost ones."""
    if not isinstance(record, Host) or record.kind != FAILURE:
        return False
    return msgspec.msgpack.decode(record.body, type=Failure).what == EVENT


def aside_path(segment_path: str, damage: Damage) -> str:
    """Where the damaged bytes are kept: beside the tape, by offset and the record numbers that were in them."""
    return f"{segment_path}.{damage.start}-{damage.first}-{damage.last}{DAMAGED_SUFFIX}"


def kept_aside(name: str) -> tuple[str, int, int] | None:
    """The segment's name and the first and last record number that a file of damaged bytes is named by, or None."""
    match = _ASIDE.fullmatch(name)
    return (match[1], int(match[3]), int(match[4])) if match is not None else None


def last_used(content: bytes, path: str) -> int:
    """The highest record number that a file of the journal's folder has or may have used."""
    aside = kept_aside(path.rpartition("/")[2])
    if aside is not None:
        return aside[2]
    first = paths.first_of_segment(path)
    if is_packed(content):
        return _last_of_packed(content, path, first)
    try:
        found = salvage(content, path)
    except SchemaVersionError:  # as many as fit
        return first + len(content) // _RECORD_BYTES_MIN
    return found.last_used if found is not None else first


def _last_of_packed(content: bytes, path: str, first: int) -> int:
    """The same of a compressed segment; with a damaged header its name tells the salt, and its table the number."""
    try:
        told, plain = last_packed(content, path), unpack(content, path)[0]
    except CorruptFileError:
        name = _NAME.match(path.rpartition("/")[2])
        return packed.unpack(content, 0, first, tape.salt_of(int(name[2], 16))).last_used if name else first
    found = salvage(plain, path)
    return max(told, found.last_used if found is not None else first)


def _walk(content: bytes, position: int, number: int, salt: int) -> tuple[list[tape.Entry], list[Damage]]:
    entries: list[tape.Entry] = []
    damages: list[Damage] = []
    view = memoryview(content)
    while True:
        more, position = tape.scan(view, position, number, salt)
        entries += more
        number = max([number, *(entry.record_no + 1 for entry in more[-2:])])
        found = _resynchronised(content, position, number, salt)
        if found is None:
            lost = _lost_in_the_tail(content[position:], number, salt)
            if lost is not None:
                damages.append(Damage(position, len(content), number, number + lost - 1))
            return entries, damages
        start, following = found
        damages.append(Damage(position, start, number, following - 1))
        position, number = start, following


def _resynchronised(content: bytes, position: int, number: int, salt: int) -> tuple[int, int] | None:
    """Where the next whole record begins, and the number that a scan has to expect there."""
    at = content.find(_MAGIC, position)
    while 0 <= at <= len(content) - _RECORD_BYTES_MIN:
        _, kind, _, length, record_no, _ = tape.HEADER.unpack_from(content, at)
        stop = at + tape.HEADER.size + length
        following = record_no + 1 if kind == tape.SNAPSHOT else record_no
        if (
            following >= number
            and stop + tape.CRC.size <= len(content)
            and crc32c(content[at:stop], salt) == tape.CRC.unpack_from(content, stop)[0]
        ):
            return at, following
        at = content.find(_MAGIC, at + 1)
    return None


def _lost_in_the_tail(tail: bytes, number: int, salt: int) -> int | None:
    """How many records that may have been durable are lost behind the last whole one; None when nothing was durable.

    A write that was cut short leaves a record that reaches beyond the end of the file, or zeros: it was never durable,
    and its number is free. One that is all there and fails its checksum was whole once.
    """
    if len(tail) < _RECORD_BYTES_MIN or not any(tail):
        return None
    magic, kind, zero, length, record_no, at_ns = tape.HEADER.unpack_from(tail)
    if _RECORD_BYTES_MIN + length > len(tail):
        rest = len(tail) - _RECORD_BYTES_MIN
        header = tape.HEADER.pack(magic, kind, zero, rest, record_no, at_ns)
        body = tail[tape.HEADER.size : -tape.CRC.size]
        was_whole = crc32c(body, crc32c(header, salt)) == tape.CRC.unpack(tail[-tape.CRC.size :])[0]
        return int(kind != tape.SNAPSHOT) if was_whole else None
    if kind == tape.SNAPSHOT and _RECORD_BYTES_MIN + length == len(tail):
        return 0
    most = number + len(tail) // _RECORD_BYTES_MIN
    at, last = tail.find(_MAGIC), number
    while 0 <= at <= len(tail) - tape.HEADER.size:
        record_no = tape.HEADER.unpack_from(tail, at)[4]
        if number <= record_no < most:
            last = max(last, record_no)
        at = tail.find(_MAGIC, at + 1)
    return last - number + 1


def _in_place_of(hole: Damage, at_ns: int, salt: int) -> bytes:
    count = hole.last - hole.first + 1
    detail = (
        f"{hole.stop - hole.start} bytes of the tape were damaged: records {hole.first} to {hole.last} are lost; "
        "the bytes are kept beside the journal"
    )
    records: Sequence[Record] = (
        host(at_ns, FAILURE, Failure(EVENT, detail)),
        *[Bad(at_ns, 0, b"")] * (count - 1),
    )
    return tape.encode_records(records, hole.first, salt)
