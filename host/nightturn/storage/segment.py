"""A tape segment: one file, one cut, one chunk."""

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import msgspec
from crc32c import crc32c

from nightturn.errors import CorruptFileError, SchemaVersionError
from nightturn.model.facts import CUT
from nightturn.model.records import Frame, Host, Record
from nightturn.storage import packed, tape

MAGIC = b"\x93ntape\r\n"  # a text-mode copy changes the end of it
MAJOR, MINOR = 1, 0
PACKED = 2  # the major version of a finished tape that is compressed; its header is the same otherwise
HEADER_BYTES_MAX = 4096

_FIXED = struct.Struct("<8sHHIQ")  # magic, major, minor, length of the text part, segment id


class SegmentHeader(msgspec.Struct, frozen=True):
    """Who wrote the segment and where its numbering begins; readers ignore what a later minor version adds."""

    segment_id: int
    fixture: str
    run: str
    epoch: int
    first_record_no: int
    started_utc_ns: int
    host_version: str
    wire_version: str


class Snapshot(msgspec.Struct, frozen=True):
    """A core's state after the record `last_record_no`."""

    last_record_no: int
    at_ns: int
    state: bytes


def encode_header(header: SegmentHeader) -> bytes:
    """The first bytes of a segment."""
    text = msgspec.msgpack.encode(header)
    fixed = _FIXED.pack(MAGIC, MAJOR, MINOR, len(text), header.segment_id)
    return b"".join((fixed, text, tape.CRC.pack(crc32c(text, crc32c(fixed)))))


def decode_header(content: bytes | memoryview, path: str = "tape") -> tuple[SegmentHeader, int]:
    """The header and where the first record begins.

    Raises:
        CorruptFileError: no tape, or its header is torn.
        SchemaVersionError: written by another major version.
    """
    if len(content) < _FIXED.size or bytes(content[: len(MAGIC)]) != MAGIC:
        raise CorruptFileError(path, "not a tape: it does not begin like one")
    _, major, minor, length, segment_id = _FIXED.unpack_from(content)
    if major not in {MAJOR, PACKED}:
        reads = f"this nightturn reads {MAJOR}.x and {PACKED}.x"
        raise SchemaVersionError(f"{path}: tape format {major}.{minor}; {reads}")
    stop = _FIXED.size + length
    if length > HEADER_BYTES_MAX or stop + tape.CRC.size > len(content):
        raise CorruptFileError(path, "the tape's header is torn")
    if crc32c(bytes(content[:stop])) != tape.CRC.unpack_from(content, stop)[0]:
        raise CorruptFileError(path, "the tape's header fails its checksum")
    try:
        header = msgspec.msgpack.decode(content[_FIXED.size : stop], type=SegmentHeader)
    except (
        msgspec.MsgspecError,
        UnicodeDecodeError,
    ) as problem:  # it passed its checksum, so it was written so
        raise SchemaVersionError(f"{path}: a header of another version: {problem}") from problem
    if header.segment_id != segment_id:
        raise CorruptFileError(path, "the tape's header names two ids")
    return header, stop + tape.CRC.size


def is_packed(content: bytes | memoryview) -> bool:
    """Whether it begins as a compressed tape does."""
    return (
        len(content) >= _FIXED.size
        and bytes(content[: len(MAGIC)]) == MAGIC
        and _FIXED.unpack_from(content)[1] == PACKED
    )


def pack(content: bytes, path: str = "tape") -> bytes | None:
    """A whole plain tape compressed; None when it is packed already, holds nothing, or not all of it is whole records.

    Raises:
        CorruptFileError: the header is not whole.
        SchemaVersionError: another major version.
    """
    if is_packed(content):
        return None
    header, start = decode_header(content, path)
    salt = tape.salt_of(header.segment_id)
    entries, good = tape.scan(memoryview(content), start, header.first_record_no, salt)
    if not entries or good != len(content):
        return None
    result = b"".join((_with_major(content, start, PACKED), *packed.pack(content, entries, salt)))
    whole = _with_major(result, start, MAJOR) == content[:start] and packed.holds(
        result, start, content, salt
    )
    return result if whole else None  # never less evidence than before


def unpack(content: bytes, path: str = "tape") -> tuple[bytes, int]:
    """The plain form of a tape in either form, byte for byte, and how many stretches of a compressed one are damaged.

    In a damaged stretch stand bytes that are no record, as in a plain tape that was damaged there.

    Raises:
        CorruptFileError: the header is not whole.
        SchemaVersionError: another major version.
    """
    if not is_packed(content):
        return content, 0
    header, start = decode_header(content, path)
    found = packed.unpack(
        content,
        start,
        header.first_record_no,
        tape.salt_of(header.segment_id),
        _with_major(content, start, MAJOR),
    )
    return found.plain, found.damaged_blocks


def last_packed(content: bytes, path: str = "tape") -> int:
    """The highest record number that a compressed tape says it holds, also where it is damaged; 0 of a plain one.

    Raises:
        CorruptFileError: the header is not whole.
        SchemaVersionError: another major version.
    """
    if not is_packed(content):
        return 0
    header, start = decode_header(content, path)
    return packed.unpack(content, start, header.first_record_no, tape.salt_of(header.segment_id)).last_used


def _with_major(content: bytes, stop: int, major: int) -> bytes:
    """The header that ends at `stop`, of another major version."""
    magic, _, minor, length, segment_id = _FIXED.unpack_from(content)
    whole = _FIXED.pack(magic, major, minor, length, segment_id) + content[_FIXED.size : stop - tape.CRC.size]
    return whole + tape.CRC.pack(crc32c(whole))


def header_is_whole(content: bytes | memoryview) -> bool:
    """Whether the header passes its checksum, whatever version wrote it."""
    if len(content) < _FIXED.size:
        return False
    stop = _FIXED.size + _FIXED.unpack_from(content)[3]
    if stop > HEADER_BYTES_MAX or stop + tape.CRC.size > len(content):
        return False
    return bool(crc32c(bytes(content[:stop])) == tape.CRC.unpack_from(content, stop)[0])


def read_header(place: Path, path: str) -> SegmentHeader:
    """The header of a segment on disk, without reading its records.

    Args:
        place: the file.
        path: how errors name it.

    Raises:
        CorruptFileError: no tape, or its header is torn.
        SchemaVersionError: written by another major version.
    """
    with place.open("rb") as opened:
        return decode_header(opened.read(_FIXED.size + HEADER_BYTES_MAX + tape.CRC.size), path)[0]


@dataclass(frozen=True, slots=True)
class Segment:
    """What can be read of a segment: everything before its first record that is not whole.

    Attributes:
        header: who wrote it.
        good_bytes: length up to the end of the last whole record.
        dropped_bytes: what follows it.
        damaged_blocks: stretches of a compressed tape that are damaged; lengths are those of its plain form.
    """

    header: SegmentHeader
    good_bytes: int
    dropped_bytes: int
    _content: bytes = field(repr=False)
    _entries: list[tape.Entry] = field(repr=False)
    damaged_blocks: int = 0

    @property
    def first_record_no(self) -> int:
        """Number of the first record, also when there is none yet."""
        return self.header.first_record_no

    @property
    def last_record_no(self) -> int:
        """Number of the last whole record; one less than the first when there is none."""
        return self._entries[-1].record_no if self._entries else self.header.first_record_no - 1

    @property
    def ends_with_cut(self) -> bool:
        """Whether the segment is finished: its last record is a `cut`."""
        if not self._entries:
            return False
        entry = self._entries[-1]
        last = self._decode(entry) if entry.kind == tape.HOST else None
        return isinstance(last, Host) and last.kind == CUT

    def records(self) -> Iterator[tuple[int, Record]]:
        """Every record in order with its number."""
        content, frame = self._content, tape.FRAME
        for entry in self._entries:
            if entry.kind == frame:
                yield entry.record_no, Frame(entry.at_ns, content[entry.start : entry.stop])
            else:
                record = self._decode(entry)
                if record is not None:
                    yield entry.record_no, record

    def frames(self) -> tuple[bytes, list[tape.Entry]]:
        """The tape's bytes, and where in them the body of every frame stands."""
        frame = tape.FRAME
        return self._content, [each for each in self._entries if each.kind == frame]

    def snapshots(self) -> Iterator[Snapshot]:
        """The core states in the segment; the first stands before the first record."""
        for entry in self._entries:
            if entry.kind == tape.SNAPSHOT:
                yield Snapshot(entry.record_no, entry.at_ns, self._content[entry.start : entry.stop])

    def _decode(self, entry: tape.Entry) -> Record | None:
        return tape.decode(entry.kind, entry.at_ns, self._content[entry.start : entry.stop])


def damaged_text(stretches: int) -> str:
    """What is said of a compressed tape that is damaged."""
    if stretches == 1:
        return "1 stretch of the compressed tape is damaged; the records in its other blocks are whole"
    return (
        f"{stretches} stretches of the compressed tape are damaged; the records in its other blocks are whole"
    )


def read_segment(content: bytes, path: str = "tape") -> Segment:
    """Scan a segment, in either form, up to its first record that is not whole.

    Raises:
        CorruptFileError: the header is not whole.
        SchemaVersionError: another major version.
    """
    content, damaged = unpack(content, path)
    view = memoryview(content)
    header, start = decode_header(view, path)
    entries, good = tape.scan(view, start, header.first_record_no, tape.salt_of(header.segment_id))
    return Segment(header, good, len(content) - good, content, entries, damaged)
