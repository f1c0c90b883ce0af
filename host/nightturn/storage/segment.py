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
from nightturn.storage import tape

MAGIC = b"\x93ntape\r\n"  # a text-mode copy changes the end of it
MAJOR, MINOR = 1, 0
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
        raise CorruptFileError(path, "no tape: it does not begin as one")
    _, major, minor, length, segment_id = _FIXED.unpack_from(content)
    if major != MAJOR:
        raise SchemaVersionError(f"{path}: tape format {major}.{minor}; this nightturn reads {MAJOR}.x")
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
    """

    header: SegmentHeader
    good_bytes: int
    dropped_bytes: int
    _content: memoryview = field(repr=False)
    _entries: list[tape.Entry] = field(repr=False)

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
        kind, _, at_ns, start, stop = self._entries[-1]
        last = tape.decode(kind, at_ns, bytes(self._content[start:stop])) if kind == tape.HOST else None
        return isinstance(last, Host) and last.kind == CUT

    def records(self) -> Iterator[tuple[int, Record]]:
        """Every record in order with its number."""
        content, frame = self._content, tape.FRAME
        for kind, record_no, at_ns, start, stop in self._entries:
            if kind == frame:
                yield record_no, Frame(at_ns, bytes(content[start:stop]))
            else:
                record = tape.decode(kind, at_ns, bytes(content[start:stop]))
                if record is not None:
                    yield record_no, record

    def frames(self) -> Iterator[tuple[int, bytes]]:
        """Number and body of every frame, without building records."""
        for kind, record_no, _, start, stop in self._entries:
            if kind == tape.FRAME:
                yield record_no, bytes(self._content[start:stop])

    def snapshots(self) -> Iterator[Snapshot]:
        """The core states in the segment; the first stands before the first record."""
        for kind, record_no, at_ns, start, stop in self._entries:
            if kind == tape.SNAPSHOT:
                yield Snapshot(record_no, at_ns, bytes(self._content[start:stop]))


def read_segment(content: bytes | memoryview, path: str = "tape") -> Segment:
    """Scan a segment up to its first record that is not whole.

    Raises:
        CorruptFileError: the header is not whole.
        SchemaVersionError: another major version.
    """
    view = memoryview(content)
    header, start = decode_header(view, path)
    entries, good = tape.scan(view, start, header.first_record_no, tape.salt_of(header.segment_id))
    return Segment(header, good, len(view) - good, view, entries)
