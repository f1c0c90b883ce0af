"""A stretch of a tape as a tape of its own, which replays as it is: the core's state, then the records behind it."""

from collections.abc import Iterator
from pathlib import Path

import msgspec
from crc32c import crc32c

from nightturn.errors import StorageError
from nightturn.fixture.core import Fixture
from nightturn.model.records import Record, Tick
from nightturn.replay.beginning import take_over
from nightturn.replay.full import read_by_this_version
from nightturn.replay.shown_again import segments_from
from nightturn.replay.tapes import Tape
from nightturn.storage import tape as records_of
from nightturn.storage.segment import SegmentHeader, encode_header, read_header


def cut_out(tape: Tape, from_ts: int, to_ts: int, into: Path) -> int:
    """Write the records of a stretch with the state before them; how many there are.

    It begins at the first control tick of the stretch, with the state that the core had before it, and ends at the latest where the host
    began anew. The same stretch gives the same bytes.

    Raises:
        CorruptFileError: a segment cannot be read.
        StorageError: the file exists, or cannot be written; the stretch holds no record.
    """
    if into.exists():
        raise StorageError(f"{into} exists; give the cut another name")
    cut = _Cut(from_ts, to_ts)
    core: Fixture | None = None
    for part in Tape(tape.name, segments_from(tape, from_ts), tape.run).parts():
        with read_by_this_version(part):
            if core is not None and part.begins:
                break  # the host began anew here; what follows has another beginning
            if core is None:
                core = Fixture(part.segment.first_record_no)
                take_over(core, part)
                cut.header = read_header(part.path, str(part.path))
            if not cut.play(core, part.segment.records()):
                break
    if cut.header is None or not cut.records:
        raise StorageError("the tape has no record in that stretch")
    _write(into, cut)
    return len(cut.records)


class _Cut:
    """What is kept of a core on its way through a stretch."""

    def __init__(self, from_ts: int, to_ts: int) -> None:
        self._from, self._to = from_ts, to_ts
        self.header: SegmentHeader | None = None
        self.first = 0
        self.at_ns = 0
        self.state = b""
        self.records: list[Record] = []

    def play(self, core: Fixture, records: Iterator[tuple[int, Record]]) -> bool:
        """Every record of a segment; whether the stretch goes on in the next one."""
        for number, record in records:
            if isinstance(record, Tick):
                if record.utc_ns > self._to:
                    return False
                if not self.records and record.utc_ns >= self._from:
                    self.first, self.at_ns, self.state = number, record.at_ns, core.snapshot()
                    self.records.append(record)
                    core.handle(record)
                    continue
            if self.records:
                self.records.append(record)
            core.handle(record)
        return True


def _write(into: Path, cut: _Cut) -> None:
    assert cut.header is not None
    ident = crc32c(cut.state, crc32c(cut.header.run.encode())) or 1
    first_tick = cut.records[0]
    assert isinstance(first_tick, Tick)
    header = msgspec.structs.replace(
        cut.header, segment_id=ident, first_record_no=cut.first, started_utc_ns=first_tick.utc_ns
    )
    salt = records_of.salt_of(ident)
    content = b"".join(
        (
            encode_header(header),
            records_of.encode_snapshot(cut.state, cut.first - 1, cut.at_ns, salt),
            records_of.encode_records(cut.records, cut.first, salt),
        )
    )
    try:
        into.parent.mkdir(parents=True, exist_ok=True)
        into.write_bytes(content)
    except OSError as problem:
        raise StorageError(f"{into} cannot be written: {problem}") from problem
