"""Which tape segments a replay reads: one file, or the sealed segments of a run in record order."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from nightturn.errors import RunNotFoundError, StorageError
from nightturn.model.names import FIXTURE_ID, RUN_ID
from nightturn.storage import paths
from nightturn.storage.segment import Segment, read_segment


@dataclass(frozen=True, slots=True)
class Tape:
    """Segments of one run, read one at a time."""

    name: str
    files: tuple[Path, ...]
    run: str = ""

    def segments(self) -> Iterator[tuple[Path, Segment]]:
        """File and segment in record order.

        Raises:
            CorruptFileError: a header cannot be read.
            StorageError: a file cannot be read.
        """
        for path in self.files:
            try:
                content = path.read_bytes()
            except OSError as error:
                raise StorageError(f"{path}: cannot be read: {error.strerror}") from error
            yield path, read_segment(content, str(path))


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
    """
    if not FIXTURE_ID.fullmatch(fixture) or not (run == "latest" or RUN_ID.fullmatch(run)):
        raise RunNotFoundError(f"fixture {fixture!r}, run {run!r}: not the names of a fixture and a run")
    by_run: dict[str, list[tuple[int, Path]]] = {}
    for path in sorted((root / paths.sealed_folder(fixture)).glob("*.ntj")):
        header = read_segment(path.read_bytes(), str(path)).header
        by_run.setdefault(header.run, []).append((header.first_record_no, path))
    if run == "latest" and by_run:
        run = max(by_run)
    if run not in by_run:
        known = ", ".join(sorted(by_run)) or "none"
        raise RunNotFoundError(f"no tape of run {run} of {fixture} under {root}; tapes are there of: {known}")
    return Tape(f"{fixture} {run}", tuple(path for _, path in sorted(by_run[run])), run)
