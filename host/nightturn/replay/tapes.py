"""Which tape segments a replay reads: one file, a folder of segments, or the sealed segments of a run."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from nightturn.errors import ConfigError, CorruptFileError, RunNotFoundError, StorageError
from nightturn.model.facts import RUN_OPENED
from nightturn.model.names import RUN_ID, fixture_id_problem
from nightturn.model.records import Host
from nightturn.storage import paths
from nightturn.storage.segment import Segment, Snapshot, damaged_text, read_header, read_segment


@dataclass(frozen=True, slots=True)
class Part:
    """One segment in its place in the chain.

    Attributes:
        path: its file.
        segment: what could be read of it.
        start: the state that the live core had before its first record.
        begins: whether the core begins anew from `start`: it is the first segment, records are missing before it, or
            the host itself began anew here.
        problem: what is missing before it or behind its last whole record, as a sentence; empty when nothing is.
    """

    path: Path
    segment: Segment
    start: Snapshot
    begins: bool
    problem: str


@dataclass(frozen=True, slots=True)
class Tape:
    """Segments of one run, read one at a time."""

    name: str
    files: tuple[Path, ...]
    run: str = ""

    def parts(self) -> Iterator[Part]:
        """The segments in record order, each with what is missing around it.

        A damaged segment ends at its damage; the next one goes on from the snapshot that it begins with.

        Raises:
            CorruptFileError: a header, or the snapshot to begin with, cannot be read.
            StorageError: a file cannot be read.
        """
        wanted: int | None = None
        for path in self.files:
            segment = _read(path)
            start = next(iter(segment.snapshots()), None)
            if start is None:
                raise CorruptFileError(str(path), _no_start(segment))
            problems = []
            follows = segment.first_record_no == wanted
            if wanted is not None and not follows:
                problems.append(f"it begins with record {segment.first_record_no}, not with {wanted}")
            if segment.damaged_blocks:
                problems.append(
                    f"{damaged_text(segment.damaged_blocks)}; read to record {segment.last_record_no}"
                )
            elif segment.dropped_bytes:
                last = segment.last_record_no
                problems.append(f"{segment.dropped_bytes} bytes after record {last} are not a whole record")
            problem = f"{path.name}: {'; '.join(problems)}" if problems else ""
            yield Part(path, segment, start, not follows or _opens_run(segment), problem)
            wanted = segment.last_record_no + 1


def tape_of(log: Path, fixture: str, run: str) -> Tape:
    """The tape that a person means: a file, a folder of segments, or a run below a data root.

    Raises:
        ConfigError: a folder that holds no segments, and no fixture to look for below it.
        StorageError: no such tape.
        RunNotFoundError: no sealed segment of that run.
    """
    if fixture:
        return tape_of_run(log, fixture, run)
    if not log.is_dir():
        return tape_of_file(log)
    files = tuple(sorted(log.glob(f"*{paths.SEGMENT_SUFFIX}")))
    if not files:
        allowed = "a *.ntj file, a folder of them, or --fixture ID with a data root"
        raise ConfigError(f"{log} contains no tape", where="replay", allowed=allowed)
    return Tape(log.name, files)


def tape_of_file(path: Path) -> Tape:
    """A tape of one segment.

    Raises:
        StorageError: there is no such file.
    """
    if not path.is_file():
        raise StorageError(f"{path}: no such tape; give a *.ntj file, or a data root with --fixture")
    return Tape(path.name, (path,))


def tape_of_run(root: Path, fixture: str, run: str) -> Tape:
    """The sealed segments of a run.

    Raises:
        RunNotFoundError: no sealed segment of that run is there (any more); `latest` takes the newest run.
        CorruptFileError: a header cannot be read.
    """
    if fixture_id_problem(fixture) or not (run == "latest" or RUN_ID.fullmatch(run)):
        raise RunNotFoundError(f"fixture {fixture!r}, run {run!r}: not the names of a fixture and a run")
    by_run: dict[str, list[tuple[int, Path]]] = {}
    for path in sorted((root / paths.sealed_folder(fixture)).glob(f"*{paths.SEGMENT_SUFFIX}")):
        header = read_header(path, str(path))
        by_run.setdefault(header.run, []).append((header.first_record_no, path))
    if run == "latest" and by_run:
        run = max(by_run)
    if run not in by_run:
        known = ", ".join(sorted(by_run)) or "none"
        raise RunNotFoundError(f"no tape of run {run} of {fixture} under {root}; tapes are there of: {known}")
    return Tape(f"{fixture} {run}", tuple(path for _, path in sorted(by_run[run])), run)


def _read(path: Path) -> Segment:
    try:
        content = path.read_bytes()
    except OSError as error:
        raise StorageError(f"{path}: cannot be read: {error.strerror}") from error
    return read_segment(content, str(path))


def _opens_run(segment: Segment) -> bool:
    """Whether a host began here: its core knew nothing of the records before."""
    first = next(iter(segment.records()), None)
    return first is not None and isinstance(first[1], Host) and first[1].kind == RUN_OPENED


def _no_start(segment: Segment) -> str:
    if segment.damaged_blocks:
        return f"nothing of it can be replayed, because it is damaged where the core's state begins: {damaged_text(segment.damaged_blocks)}"
    if segment.dropped_bytes:
        return f"nothing of it can be replayed: {segment.dropped_bytes} bytes after its header are not a whole record"
    return "nothing of it can be replayed: it does not begin with a snapshot"
