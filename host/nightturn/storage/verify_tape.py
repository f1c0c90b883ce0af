"""Checks of a run's tape: what is sealed agrees with the chunks, what waits is whole, and none of it is absent."""

from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType

from nightturn.errors import NightturnError
from nightturn.storage import paths, tree
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import RUNNING, Manifest
from nightturn.storage.salvage import kept_aside, salvage
from nightturn.storage.segment import Segment, SegmentHeader, damaged_text, read_header, read_segment
from nightturn.storage.standing import recorder_alive

NOT_PUSHED = "whether the samples are those of the tape: tape is not pushed; `nightturn verify` of the data root compares them"


class NoTape:
    """In the place of a run's tape where none is kept."""

    waiting: Mapping[int, str] = MappingProxyType({})
    waiting_records = 0

    def is_waiting(self, _record: int) -> bool:
        """No tape waits."""
        return False

    def stands(self, _manifest: Manifest | None, _chunks: Sequence[tuple[int, int]]) -> None:
        """Nothing is due."""

    def damages(self) -> None:
        """Nothing is there to be damaged."""

    def segment_of(self, _first: int) -> tuple[str, Segment] | None:
        """No chunk has a segment."""
        return None

    def without_chunk(self, _raw: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
        """No segment is without a chunk."""
        return []


class TapeCheck:
    """The tape of one run; what is wrong is told as kind, path and sentence.

    Attributes:
        sealed: first record -> segment whose chunks are made.
        waiting: same, not sealed yet.
        waiting_records: in what waits, as far as it is whole.
    """

    def __init__(
        self, files: RealFiles, fixture: str, run: str, tell: Callable[[str, str, str], None]
    ) -> None:
        self._files = files
        self._fixture = fixture
        self._run = run
        self._problem = tell
        self._reach: dict[int, int] = {}  # first record of a sealed segment -> its last, where it was read
        self._torn: dict[str, int] = {}  # of what waits: bytes behind the last whole record
        self.sealed: dict[int, str] = {}
        self.waiting: dict[int, str] = {}
        self._load()
        self.waiting_records = sum(self._records_in(path) for path in self.waiting.values())

    def is_waiting(self, record: int) -> bool:
        """Whether tape that is not sealed begins at or before a record."""
        return any(first <= record for first in self.waiting)

    def stands(self, manifest: Manifest | None, chunks: Sequence[tuple[int, int]]) -> None:
        """The tape of a run that has not ended is there, and whole; sealed tape goes oldest first, so it has no hole."""
        if manifest is not None and manifest.state == RUNNING and not recorder_alive(self._files.root):
            folder = paths.journal_folder(self._fixture)
            if not self.waiting:
                detail = "holds no tape of the run, which has not ended; what followed its last chunk is lost"
                self._problem("tape", folder, detail)
            for path, dropped in self._torn.items():
                self._problem(
                    "tape",
                    path,
                    f"its last {dropped} bytes are not a whole record; the next start cuts them off",
                )
        reached = 0
        for first, last in chunks:
            if first in self.sealed:
                reached = self._reach.get(first, last)
            elif reached and last > reached and not self.is_waiting(first):
                folder = paths.sealed_folder(self._fixture)
                self._problem("tape", folder, f"records {first} to {last} are absent, older ones are there")

    def _load(self) -> None:
        """Which segments belong to the run, by their headers alone; a night of tape is more than memory should hold."""
        fixture = self._fixture
        # What waits first: a segment that is sealed meanwhile is then met twice rather than never.
        for known, folder in (
            (self.waiting, paths.journal_folder(fixture)),
            (self.sealed, paths.sealed_folder(fixture)),
        ):
            for path in tree.segments(self._files, folder):
                try:
                    header = read_header(self._files.root / path, path)
                except FileNotFoundError:  # sealed, or past its age, meanwhile
                    continue
                except (NightturnError, OSError) as problem:
                    self._problem("tape", path, str(problem))
                    continue
                if path.rpartition("/")[2].partition(".")[0] != _named(header) or header.fixture != fixture:
                    detail = f"is the segment {_named(header)} of run {header.run} of {header.fixture}, as its header says"
                    self._problem("tape", path, detail)
                elif header.run == self._run:
                    known[header.first_record_no] = path
        for first in self.sealed:
            self.waiting.pop(first, None)

    def _records_in(self, path: str) -> int:
        """Whole records of a segment that may be growing, or be sealed and moved meanwhile."""
        try:
            segment = read_segment(self._files.read(path), path)
        except FileNotFoundError:
            return 0
        except (NightturnError, OSError) as problem:
            self._problem("tape", path, str(problem))
            return 0
        if segment.dropped_bytes:
            self._torn[path] = segment.dropped_bytes
        return segment.last_record_no - segment.first_record_no + 1

    def damages(self) -> None:
        """Damage in the tape that waits to be sealed, and what recovery has kept aside of earlier damage."""
        for path in self.waiting.values():
            try:
                found = salvage(self._files.read(path), path)
            except (NightturnError, OSError):  # sealed meanwhile, or named when its records were counted
                continue
            for damage in found.damages if found is not None else ():
                self._damaged(path, damage.first, damage.last)
        folder = paths.journal_folder(self._fixture)
        known = {path.rpartition("/")[2] for path in (*self.waiting.values(), *self.sealed.values())}
        for name in self._files.list(folder):
            aside = kept_aside(name)
            if aside is not None and aside[0] in known:
                self._damaged(f"{folder}/{name}", *aside[1:])

    def _damaged(self, path: str, first: int, last: int) -> None:
        self._torn.pop(path, None)
        lost = f"records {first} to {last} are lost" if last >= first else "no record is lost"
        self._problem("damaged", path, f"bytes of the tape were damaged: {lost}")

    def segment_of(self, first: int) -> tuple[str, Segment] | None:
        """The sealed segment that begins with this record, and its path; None when there is none that can be read."""
        path = self.sealed.get(first)
        segment = self._segment(path) if path is not None else None
        if path is None or segment is None:
            return None
        self._reach[first] = segment.last_record_no
        return path, segment

    def _segment(self, path: str) -> Segment | None:
        try:
            segment = read_segment(self._files.read(path), path)
        except (NightturnError, OSError) as problem:
            self._problem("tape", path, str(problem))
            return None
        if segment.damaged_blocks:
            self._problem("tape", path, damaged_text(segment.damaged_blocks))
        elif segment.dropped_bytes:
            self._problem("tape", path, f"its last {segment.dropped_bytes} bytes are not a whole record")
        return segment

    def without_chunk(self, raw: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
        """Record ranges of sealed segments that no raw chunk begins with."""
        known = {first for first, _ in raw}
        lone = [self._segment(path) for first, path in self.sealed.items() if first not in known]
        return [(segment.first_record_no, segment.last_record_no) for segment in lone if segment is not None]


def _named(header: SegmentHeader) -> str:
    return f"{header.first_record_no:012d}-{header.segment_id:016x}"
