"""What lies below a data root that retention may clear: each run's tape, raw samples and figures, and which stay."""

from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from nightturn.errors import NightturnError, StorageError
from nightturn.storage import paths, tree
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import ENDED, Manifest, manifests
from nightturn.storage.marks import Kind, Marks
from nightturn.storage.segment import read_header


class Holding(NamedTuple):
    """What goes or stays as a whole: a segment of tape, or all files of one kind of a run.

    Attributes:
        record_first: the first record number in it; the order in which a fixture recorded, whatever its clock said.
        since_utc_ns: age is counted from here: a segment's start, a run's end.
    """

    kind: Kind
    fixture: str
    run: str
    record_first: int
    since_utc_ns: int
    bytes: int
    paths: tuple[str, ...]


class Holdings(NamedTuple):
    """Everything that there is.

    Attributes:
        held: in no order.
        spared: (fixture, run) of which nothing goes: kept, not ended, not wholly sealed, or without a manifest.
        evidence: wall-clock times at which something was recorded, UTC ns, in no order.
    """

    held: tuple[Holding, ...]
    spared: frozenset[tuple[str, str]]
    evidence: tuple[int, ...]


def holdings(root: Path, marks: Marks) -> Holdings:
    """Look at everything below a data root.

    Raises:
        StorageError: a folder cannot be read.
        CorruptFileError: a manifest cannot be read, so it is not known which runs are kept.
    """
    files = RealFiles(root)
    try:
        known = {(each.fixture, each.run): each for each in manifests(files)}
        open_runs = set(unsealed_runs(files))
        held = [*_tape(root), *_stored(files, known)]
    except OSError as problem:
        raise StorageError(f"{root}: cannot be looked through: {problem}") from problem
    runs = {(each.fixture, each.run) for each in held}
    may_go = {
        run
        for run, manifest in known.items()
        if manifest.state == ENDED
        and not marks.keeps(manifest)
        and run not in open_runs
        and (run[0], "") not in open_runs
    }
    recorded = [each.started_utc_ns for each in known.values()]
    recorded += [each.ended_utc_ns for each in known.values() if each.ended_utc_ns is not None]
    recorded += [each.since_utc_ns for each in held if each.kind == "tape"]
    return Holdings(tuple(held), frozenset(runs - may_go), tuple(recorded))


def unsealed_runs(files: RealFiles) -> Iterator[tuple[str, str]]:
    """Runs with tape that is not sealed; (fixture, "") where it is not known of which run."""
    for fixture in files.list("journal"):
        for path in tree.segments(files, paths.journal_folder(fixture)):
            try:
                yield fixture, read_header(files.root / path, path).run
            except (NightturnError, OSError):
                yield fixture, ""


def _tape(root: Path) -> Iterator[Holding]:
    for each in Catalogue(root).segments():
        yield Holding(
            "tape", each.fixture, each.run, each.record_first, each.started_utc_ns, each.bytes, (each.path,)
        )


def _stored(files: RealFiles, known: dict[tuple[str, str], Manifest]) -> Iterator[Holding]:
    """Raw samples and figures of every run."""
    found: dict[tuple[Kind, str, str], list[tuple[str, int]]] = {}
    for dataset in tree.DATASETS:
        kind: Kind = "raw" if dataset == paths.RAW else "figures"
        for name in files.list(dataset):
            fixture = name.partition("=")[2]
            for folder in tree.run_folders(files, dataset, fixture):
                listed = found.setdefault((kind, fixture, folder.run), [])
                listed += [(path, each.first) for path, each in tree.all_chunks(files, folder.path)]
    for (kind, fixture, run), chunks in found.items():
        manifest = known.get((fixture, run))
        if manifest is not None and chunks:
            since = max(manifest.started_utc_ns, manifest.ended_utc_ns or 0)
            size = sum((files.root / path).stat().st_size for path, _ in chunks)
            first = min(first for _, first in chunks)
            yield Holding(kind, fixture, run, first, since, size, tuple(path for path, _ in chunks))
