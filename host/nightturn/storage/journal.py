"""The journal of one fixture: writes the tape, makes it durable, rotates and seals its segments."""

import secrets
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import structlog

from nightturn.errors import StorageError
from nightturn.model.facts import CUT, Synced
from nightturn.model.quantities import bytes_text
from nightturn.model.records import Emit, Host, Record
from nightturn.model.rows import ChunkPlan
from nightturn.storage import paths, tape
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.seal import Sealed, move_to_sealed
from nightturn.storage.sealer import OwnSealer, Sealer
from nightturn.storage.segment import Segment, SegmentHeader, encode_header, read_segment
from nightturn.world import Clock, Files

AHEAD_BYTES = 4_000_000
"""Room that the disk is asked to keep for the tape that comes next, when half of it is used up: a minute at 10 kS/s, less for the rest of a stop."""
AHEAD_SHARES = (1, 4, 16)
"""Where the disk has not all of that, what it has: events and state go on from there for a while."""

log: structlog.stdlib.BoundLogger = structlog.get_logger()


def random_segment_id() -> int:
    """A new 64-bit id, never 0."""
    return secrets.randbits(64) or 1


@dataclass(slots=True, eq=False)
class _Part:
    """A segment on disk and how far it is known to be good and durable."""

    path: str
    salt: int
    good_bytes: int
    last_record_no: int
    written_utc_ns: int
    named: bool = False  # its entry in the folder is durable
    reserved_bytes: int = 0  # up to here the disk keeps room for it
    torn: bool = False  # bytes after good_bytes that could not be cut off yet
    suspect: bool = False  # a sync failed: the system may have dropped pages, so later success proves nothing


class Journal:
    """Appends records in order and says how far they are durable.

    `open`, `write` and `rotate` belong to the loop thread and do no sync. `sync` and `seal` are slow and belong in
    `Offload`; they may run while the loop writes on. What takes long in a seal is done by `sealer`; which file is where is
    known here only, so what moves a segment stays here.
    """

    def __init__(
        self,
        files: Files,
        fixture: str,
        clock: Clock,
        *,
        catalogue: Catalogue | None = None,
        host_version: str = "",
        wire_version: str = "1.0",
        new_id: Callable[[], int] = random_segment_id,
        sealer: Sealer | None = None,
    ) -> None:
        self.fixture = paths.checked_fixture(fixture)
        self._files = files
        self._clock = clock
        self._catalogue = catalogue
        self._host_version = host_version
        self._wire_version = wire_version
        self._new_id = new_id
        self._sealer = sealer or OwnSealer(files)
        self._part: _Part | None = None
        self._behind: list[_Part] = []  # finished, not known to be durable
        self._at_cut = False
        self._slow = threading.Lock()  # between sync and seal, never taken on the loop thread

    @property
    def next_record_no(self) -> int:
        """The number that the next record gets.

        Raises:
            StorageError: no segment is open.
        """
        return self._open_part().last_record_no + 1

    @property
    def path(self) -> str:
        """The segment being written.

        Raises:
            StorageError: no segment is open.
        """
        return self._open_part().path

    def open(self, first_record_no: int, run: str, epoch: int, snapshot: bytes) -> str:
        """Begin a segment with the core's state before `first_record_no`; returns its path.

        Raises:
            StorageError: a segment is open already, or the file cannot be written (nothing is left of it).
        """
        if self._part is not None:
            raise StorageError(f"{self._part.path} is still open")
        self._part = self._begin(first_record_no, run, epoch, snapshot)
        self._at_cut = False
        return self._part.path

    def reopen(self, path: str) -> Segment:
        """Go on in a segment that recovery found, after its last whole record; what is torn behind it is cut off.

        Raises:
            StorageError: a segment is open already, or the file cannot be read or cut.
            CorruptFileError: its header is not whole.
        """
        if self._part is not None:
            raise StorageError(f"{self._part.path} is still open")
        try:
            segment = read_segment(self._files.read(path), path)
            if segment.dropped_bytes:
                self._files.truncate(path, segment.good_bytes)
                self._files.sync(path)
        except OSError as problem:
            raise StorageError(f"{path}: {problem.strerror or problem}") from problem
        salt, utc_ns = tape.salt_of(segment.header.segment_id), self._clock.utc_ns()
        self._part = _Part(path, salt, segment.good_bytes, segment.last_record_no, utc_ns)
        self._at_cut = segment.ends_with_cut
        return segment

    def write(self, records: Sequence[Record]) -> int:
        """Append the records in one write and return the number of the last.

        Raises:
            StorageError: not written; the tape is back at its last good record and the numbers are not used up.
        """
        part = self._open_part()
        if not records:
            return part.last_record_no
        if part.torn:
            self._cut_back(part)
        content = tape.encode_records(records, part.last_record_no + 1, part.salt)
        try:
            self._files.append(part.path, content)
        except OSError as problem:
            part.torn = True
            try:
                self._cut_back(part)
            except StorageError as second:
                raise second from problem
            raise StorageError(
                f"{part.path}: {problem.strerror or problem}; no record lost before it"
            ) from problem
        part.written_utc_ns = self._clock.utc_ns()
        part.good_bytes += len(content)
        part.last_record_no += len(records)
        last = records[-1]
        self._at_cut = isinstance(last, Host) and last.kind == CUT
        return part.last_record_no

    def sync(self) -> Synced:
        """Make everything written before the call durable and say up to which record; for `Offload`.

        Raises:
            StorageError: the system could not; nothing more counts as durable until that segment is sealed.
        """
        with self._slow:
            # The loop thread may write and rotate meanwhile: what is asked for is fixed here, newest part last.
            part = self._open_part()
            record_no, utc_ns = part.last_record_no, part.written_utc_ns
            behind = tuple(self._behind)
            for each in (*behind, part):
                self._make_durable(each)
            self._let_go(behind)
            refused = self._reserved(part)
            return Synced(record_no, utc_ns, short=refused, low=bool(refused))

    def _reserved(self, part: _Part) -> str:
        """Have the disk keep room for what comes next; why it will not, empty where it does."""
        if part.reserved_bytes - part.good_bytes >= AHEAD_BYTES // 2:
            return ""
        refused = ""
        for share in AHEAD_SHARES:
            wanted = part.good_bytes + AHEAD_BYTES // share
            if wanted <= part.reserved_bytes:
                break
            try:
                self._files.reserve(part.path, wanted)
            except OSError as problem:
                why = problem.strerror or str(problem)
                refused = (
                    refused or f"the disk keeps no room for the next {bytes_text(AHEAD_BYTES)} of tape: {why}"
                )
            else:
                part.reserved_bytes = wanted
                break
        return refused

    def rotate(self, snapshot: bytes, run: str, epoch: int) -> str:
        """Finish the segment at its cut, open the next and return the path of the finished one.

        Raises:
            StorageError: the next segment cannot be begun (the present one stays open), or the last record written
                is no `cut`.
        """
        part = self._open_part()
        if not self._at_cut:
            raise StorageError(
                f"{part.path}: a segment ends with a cut, and record {part.last_record_no} is none"
            )
        begun = self._begun_behind(part, snapshot, run, epoch)
        self._behind.append(part)
        self._part = begun
        self._at_cut = False
        return part.path

    def _begun_behind(self, part: _Part, snapshot: bytes, run: str, epoch: int) -> _Part:
        """The next segment; on a full disk in the room that was kept for the finished one."""
        try:
            return self._begin(part.last_record_no + 1, run, epoch, snapshot)
        except StorageError:
            if part.reserved_bytes <= part.good_bytes:
                raise
            self._cut_back(part)
            part.reserved_bytes = 0
            return self._begin(part.last_record_no + 1, run, epoch, snapshot)

    def seal(
        self, segment_path: str, plan: ChunkPlan, rows: Sequence[Emit], earlier: Sequence[ChunkPlan] = ()
    ) -> Sealed:
        """Write the chunks of a finished segment, then move it to `sealed/` and compress it; for `Offload`.

        `earlier` are the plans of cuts at which `rotate` failed, so that this segment went on. Safe to repeat after
        any failure.

        Raises:
            StorageError: not sealed; the segment stays where it is.
            CorruptFileError: the segment's header cannot be read.
        """
        if self._part is not None and segment_path == self._part.path:
            raise StorageError(f"{segment_path} is still being written")
        with self._slow:
            # Once the chunk is there recovery has no use for this segment; what says where the run stands is the
            # snapshot of the next one.
            if self._part is not None:
                self._make_durable(self._part)
        sealed = self._sealer.write(self._where(segment_path), (*earlier, plan), rows)
        with self._slow:
            moved = move_to_sealed(self._files, self.fixture, segment_path)
            self._let_go([part for part in tuple(self._behind) if part.path == segment_path])
        sealed = replace(sealed, segment_bytes=self._packed(moved, sealed.segment_bytes))
        if self._catalogue is not None:
            self._catalogue.add_sealed(sealed, moved)
        return sealed

    def _packed(self, moved: str, plain_bytes: int) -> int:
        """Compress what is sealed; where that cannot be done it is whole as it is, and larger."""
        try:
            return self._sealer.pack(moved)
        except StorageError as problem:
            log.warning("tape_not_compressed", fixture=self.fixture, why=str(problem))
            return plain_bytes

    def _where(self, segment_path: str) -> str:
        """The segment, which an attempt that failed later on may have moved already."""
        folder, _, name = segment_path.rpartition("/")
        sealed = paths.sealed_folder(self.fixture)
        gone = name not in self._files.list(folder) and name in self._files.list(sealed)
        return f"{sealed}/{name}" if gone else segment_path

    def close(self) -> Synced:
        """Make everything durable and let go of the segment; recovery seals it at the next start.

        Raises:
            StorageError: the last records may not be durable.
        """
        synced = self.sync()
        self._part = None
        return synced

    def _open_part(self) -> _Part:
        if self._part is None:
            raise StorageError(f"the journal of {self.fixture} is not open")
        return self._part

    def _let_go(self, parts: Sequence[_Part]) -> None:
        # In place and one by one: the loop thread may append meanwhile.
        for part in parts:
            if part in self._behind:
                self._behind.remove(part)

    def _begin(self, first_record_no: int, run: str, epoch: int, snapshot: bytes) -> _Part:
        segment_id, utc_ns = self._new_id(), self._clock.utc_ns()
        salt = tape.salt_of(segment_id)
        path = paths.segment_path(self.fixture, first_record_no, segment_id)
        header = SegmentHeader(
            segment_id,
            self.fixture,
            run,
            epoch,
            first_record_no,
            utc_ns,
            self._host_version,
            self._wire_version,
        )
        at_ns = self._clock.monotonic_ns()
        content = encode_header(header) + tape.encode_snapshot(snapshot, first_record_no - 1, at_ns, salt)
        try:
            self._files.append(path, content)
        except OSError as problem:
            self._drop(path)
            raise StorageError(f"{path}: {problem.strerror or problem}") from problem
        return _Part(path, salt, len(content), first_record_no - 1, utc_ns)

    def _drop(self, path: str) -> None:
        try:
            self._files.remove(path)
        except OSError:
            return  # recovery sets a segment without a whole header aside

    def _cut_back(self, part: _Part) -> None:
        try:
            self._files.truncate(part.path, part.good_bytes)
        except OSError as problem:
            raise StorageError(f"{part.path}: cannot be cut back to its last record: {problem}") from problem
        part.torn = False

    def _make_durable(self, part: _Part) -> None:
        if part.suspect:
            raise StorageError(f"{part.path}: an earlier sync failed; durable again after it is sealed")
        try:
            self._files.sync(part.path)
            if not part.named:
                self._files.sync_dir(paths.journal_folder(self.fixture))
                part.named = True
        except OSError as problem:
            part.suspect = True
            raise StorageError(f"{part.path}: {problem.strerror or problem}") from problem
