"""Raw chunks joined by the hour, once the hour is closed: by the process that seals for a daemon, an hour a job, or by `nightturn tidy --apply`.

An hour of a run that is under way is closed when a chunk of another hour is sealed behind it and no tape from before that waits. A joined file holds the row groups of its parts one after the other, of one epoch and one scale, and keeps each part's plan, so that
tape and scale are still those of the part. It is written, read back and compared row by row, said in the run's marks, and only then do
the parts go. A death at any moment leaves the parts, or the joined file with some of them: `tree.chunks` answers with the joined file
alone then, and the next time the rest goes. Who listed a part before it went reads its rows from the joined file (`chunk_file`).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import msgspec
import pyarrow as pa
from crc32c import crc32c

from nightturn.errors import CorruptFileError, NightturnError, StorageError
from nightturn.model.rows import ChunkPlan
from nightturn.storage import chunk, companions, parquet, paths, seal, tree
from nightturn.storage.alike import first_difference
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.chunk_file import ChunkFile
from nightturn.storage.files import RealFiles
from nightturn.storage.holdings import unsealed_runs
from nightturn.storage.manifest import ENDED, manifests, read_manifest
from nightturn.storage.marks import LOG, Mark, add_marks, one_at_a_time, read_lines
from nightturn.storage.sections import SECTIONS, Section
from nightturn.world import Files

HOUR_NS = 3_600_000_000_000
ROWS_MAX = 40_000_000
"""A joined file is written in memory, some 1.4 bytes a row: an hour of more rows becomes several files."""
KEPT_FACTS = ("fixture", "run", "epoch", "host_version", "calibration_id", "torque_lsb_nm", "torque_zero_count",
              "encoder_counts_per_rev", "rate_millihz", "tick_hz", "ticks_per_sample")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Hours:
    """Raw chunks of one run that become joined files, or have become them.

    Attributes:
        files, bytes: of the chunks.
        into: how many files they become.
        problem: why they stay as they are; empty where they do not.
    """

    fixture: str
    run: str
    files: int
    bytes: int
    into: int
    problem: str = ""


class Joinable(NamedTuple):
    """A run with raw chunks.

    Attributes:
        folder: of its raw chunks.
        over: it has ended, and no tape of it waits: its newest hour is closed as well.
        waits_from: the fixture's first record in tape that is not sealed; None where none is.
    """

    fixture: str
    run: str
    folder: str
    over: bool
    waits_from: int | None


def hours_to_join(root: Path) -> list[Hours]:
    """What `join_hours` would do; nothing is changed.

    Raises:
        CorruptFileError: a manifest cannot be read.
        StorageError: a folder cannot.
    """
    files = RealFiles(root)
    found = []
    for each in _runs(root):
        try:
            groups = list(_groups(_closed(files, each)))
        except (NightturnError, OSError) as problem:
            found.append(Hours(each.fixture, each.run, 0, 0, 0, str(problem)))
            continue
        if groups or _left(files, each.folder):
            found.append(_hours(files, each, groups))
    return found


def join_hours(root: Path, files: Files, now_utc_ns: int, by: str) -> list[Hours]:
    """Join the closed hours of every run; a run with a file that cannot be read stays as it is.

    Args:
        root: the data root.
        files: the same, where every write goes through.
        now_utc_ns: the wall clock, for the marks.
        by: who does it, for the marks.

    Raises:
        StorageError: a file cannot be written or removed; everything that was there is still there.
        CorruptFileError: a manifest cannot be read.
    """
    done = []
    for each in _runs(root):
        hours = _join_beside_none(root, files, each, now_utc_ns, by)
        if hours.files or hours.problem:
            done.append(hours)
    return done


def may_have_hours(root: Path) -> list[tuple[Joinable, int]]:
    """Every run that has more than one raw chunk, with how many, oldest first; no chunk is opened.

    Raises:
        CorruptFileError: a manifest cannot be read.
        StorageError: a folder cannot.
    """
    files = RealFiles(root)
    found = [(each, len(tree.all_chunks(files, each.folder))) for each in _runs(root)]
    return [(each, chunks) for each, chunks in found if chunks > 1]


def join_next_hour(root: Path, files: Files, fixture: str, run: str, now_utc_ns: int, by: str) -> Hours:
    """As `join_hours`, the first closed hour of one run that is still in pieces; no files where none is left.

    Raises:
        StorageError: as `join_hours`.
        CorruptFileError: its manifest cannot be read.
    """
    for each in _runs(root, (fixture, run)):
        return _join_beside_none(root, files, each, now_utc_ns, by, hours_max=1)
    return Hours(fixture, run, 0, 0, 0)


def _join_beside_none(
    root: Path, files: Files, run: Joinable, now_utc_ns: int, by: str, *, hours_max: int | None = None
) -> Hours:
    """As `_join_run`, beside no clearing; a run with a file that cannot be read stays as it is."""
    said = Mark(
        what="joined", utc_ns=now_utc_ns, by=by, reason="", fixture=run.fixture, run=run.run, kind="raw"
    )
    with one_at_a_time(root):  # what a clearing takes is not joined meanwhile
        try:
            return _join_run(root, files, run, said, hours_max)
        except OSError as problem:
            raise StorageError(f"{run.folder}: cannot be joined: {problem}") from problem
        except CorruptFileError as problem:
            return Hours(run.fixture, run.run, 0, 0, 0, str(problem))


def _join_run(root: Path, files: Files, run: Joinable, said: Mark, hours_max: int | None) -> Hours:
    """Join the closed hours of one run, into so many files at most; `said` is the mark of it, without its reason.

    Raises:
        CorruptFileError: a chunk cannot be read.
        StorageError: a joined file gave other rows than its parts, and was removed; or a mark cannot be written.
    """
    own = RealFiles(root)
    groups = list(_groups(_closed(own, run)))[:hours_max]
    hours = _hours(own, run, groups)
    for group in groups:
        _join(root, files, run.folder, group)
    _clear_parts(root, files, run.folder, said)
    return hours


def _hours(files: RealFiles, run: Joinable, groups: Sequence[Sequence[ChunkFile]]) -> Hours:
    paths_of = [each.path for group in groups for each in group]
    return Hours(run.fixture, run.run, len(paths_of), sum(map(files.size, paths_of)), len(groups))


def _runs(root: Path, only: tuple[str, str] | None = None) -> Iterator[Joinable]:
    """Every run with raw chunks, oldest first; or of `only` one."""
    files = RealFiles(root)
    open_runs = set(unsealed_runs(files))
    there = manifests(files) if only is None else [read_manifest(files, *only)]
    for manifest in sorted(there, key=lambda each: each.started_utc_ns):
        run = (manifest.fixture, manifest.run)
        folder = tree.run_folder(files, paths.RAW, *run)
        if folder is None:
            continue
        over = manifest.state == ENDED and not open_runs & {run, (manifest.fixture, "")}
        waiting = tree.segments(files, paths.journal_folder(manifest.fixture))
        yield Joinable(*run, folder.path, over, min(map(paths.first_of_segment, waiting), default=None))


def _closed(files: RealFiles, run: Joinable) -> list[ChunkFile]:
    """The chunks of the hours to which nothing comes any more, in record order."""
    there = [ChunkFile(files, path, name) for path, name in tree.chunks(files, run.folder)]
    if run.over:
        return there
    if run.waits_from is not None:  # a seal that failed is tried again
        there = [each for each in there if each.name.last < run.waits_from]
    newest = next((hour for each in reversed(there) if (hour := _hour(each)) is not None), None)
    while there and _hour(there[-1]) in {newest, None}:
        there.pop()
    return there


def _hour(each: ChunkFile) -> int | None:
    """In which hour a chunk begins, in hours since 1970; None of one without samples."""
    return each.span[0] // HOUR_NS if each.span is not None else None


def _left(files: RealFiles, folder: str) -> bool:
    """Whether parts of joined files are still there."""
    return len(tree.all_chunks(files, folder)) > len(tree.chunks(files, folder))


def _groups(there: Sequence[ChunkFile]) -> Iterator[list[ChunkFile]]:
    """Neighbours of one hour, epoch and scale, at least two."""
    group: list[ChunkFile] = []
    rows = 0
    for each in there:
        if group and not (_belongs(group, each) and rows + each.rows <= ROWS_MAX):
            yield from [group] if len(group) > 1 else ()
            group, rows = [], 0
        group.append(each)
        rows += each.rows
    yield from [group] if len(group) > 1 else ()


def _belongs(group: Sequence[ChunkFile], each: ChunkFile) -> bool:
    """Whether a chunk follows the last of a group, means the same by its counts, and is of the same hour."""
    last = group[-1]
    if each.name.first != last.name.last + 1 or last.parts or each.parts:
        return False
    if companions.companions_of(each.facts) is None or companions.companions_of(last.facts) is None:
        return False  # of a version that did not say what was sealed with it
    hours = {hour for one in (*group, each) if (hour := _hour(one)) is not None}
    return len(hours) <= 1 and _meaning(each.plan) == _meaning(last.plan)


def _meaning(plan: ChunkPlan) -> ChunkPlan:
    """What two chunks have in common whose counts, ticks and numbers mean the same."""
    return msgspec.structs.replace(
        plan, first=0, last=0, chunk_no=0, session=0, knots=(), unlocked_until_tick=0, skip=(), samples=0
    )


def _join(root: Path, files: Files, folder: str, group: Sequence[ChunkFile]) -> None:
    """Write the joined file and read it back."""
    described, sections = _described(group)
    tables = (table for each in group for table in each.groups())
    content = parquet.encode_groups(
        tables, chunk.SCHEMA, paths.RAW, {**described, SECTIONS: msgspec.json.encode(sections).decode()}
    )
    name = paths.ChunkName(group[0].name.chunk_no, group[0].name.first, group[-1].name.last, crc32c(content))
    path = seal.put(files, folder, name, content)
    if not _reads_as(ChunkFile(RealFiles(root), path, name), group):
        files.remove(path)  # it would hide its parts
        raise StorageError(f"{path}: gave other rows than its parts when it was read back, and was removed")


def _described(group: Sequence[ChunkFile]) -> tuple[dict[str, str], list[Section]]:
    """The facts of a joined file and its sections."""
    first, last = group[0], group[-1]
    sections, starts = [], 0
    for each in group:
        sections.append(Section(each.plan, starts, each.rows, each.span))
        starts += each.rows
    spans = [each.span for each in group if each.span is not None]
    knots = {tick: ns for each in group for tick, ns in each.plan.knots}
    plan = msgspec.structs.replace(
        first.plan,
        last=last.plan.last,
        knots=tuple(sorted(knots.items())),
        skip=(),
        samples=sum(each.plan.samples for each in group),
    )
    beside = [one for each in group for one in companions.companions_of(each.facts) or ()]
    parts = [companions.Companion(paths.RAW, each.name.text, each.rows) for each in group]
    described = {key: first.facts[key] for key in KEPT_FACTS if key in first.facts}
    described |= {
        "rows": str(starts),
        "ts_first": str(min(span[0] for span in spans)) if spans else "",
        "ts_last": str(max(span[1] for span in spans)) if spans else "",
        "chunk_no": str(plan.chunk_no),
        "record_first": str(plan.first),
        "record_last": str(plan.last),
        "plan": msgspec.json.encode(plan).decode(),
        companions.KEY: companions.companions_text(beside),
        companions.PARTS: companions.companions_text(parts),
    }
    return described, sections


def _reads_as(joined: ChunkFile, group: Sequence[ChunkFile]) -> bool:
    try:
        return first_difference(joined.groups(), (table for each in group for table in each.groups())) is None
    except NightturnError:
        return False


def _clear_parts(root: Path, files: Files, folder: str, said: Mark) -> None:
    """Say in the run's marks what was joined, then remove the parts that are still there and whose rows are in it.

    Raises:
        CorruptFileError: the joined file cannot be read; the parts stay.
    """
    own = RealFiles(root)
    current = tree.chunks(own, folder)
    shown = {path for path, _ in current}
    left = {
        name.text: ChunkFile(own, path, name)
        for path, name in tree.all_chunks(own, folder)
        if path not in shown
    }
    if not left:
        return
    gone: list[str] = []
    for joined in (ChunkFile(own, path, name) for path, name in current):
        there = [left[part.name] for part in joined.parts if part.name in left]
        if not there or not _has_all(joined, there):
            continue
        Catalogue(root).enter_joined(joined.path, [each.path for each in there])
        mark = msgspec.structs.replace(
            said, reason=joined.name.text, files=len(joined.parts), bytes=own.size(joined.path)
        )
        if not _is_said(own, mark):
            add_marks(files, [mark])
        gone += [each.path for each in there]
    for path in gone:
        files.remove(path)
    if gone:
        files.sync_dir(folder)


def _is_said(files: RealFiles, mark: Mark) -> bool:
    """Whether a mark is in the log and beside the run's manifest, whenever that was and whoever did it."""
    return all(
        any(
            (each.what, each.run, each.reason) == (mark.what, mark.run, mark.reason)
            for each in read_lines(files, path).marks
        )
        for path in (LOG, paths.marks_path(mark.fixture, mark.run))
    )


def _has_all(joined: ChunkFile, there: Sequence[ChunkFile]) -> bool:
    """Whether each part that is still there has its rows in the joined file: a death may have come before they were compared."""
    own = {each.name.text: each for each in there}
    for part, tables in zip(joined.parts, joined.by_section(), strict=True):
        alone = own.get(part.name)
        expected: Iterator[pa.Table] = alone.groups() if alone is not None else iter(())
        if alone is None:
            for _ in tables:
                pass
        elif first_difference(tables, expected) is not None:
            return False
    return True
