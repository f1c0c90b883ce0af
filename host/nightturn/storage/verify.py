"""Reads a run back, every checksum of it, and says what is missing and which gap row explains it."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import pyarrow as pa

from nightturn.errors import NightturnError, RunNotFoundError
from nightturn.model.rows import GAPS
from nightturn.storage import chunk, paths, tree
from nightturn.storage.chunk_file import ChunkFile
from nightturn.storage.continuity import Continuity, Gap, Hole
from nightturn.storage.files import RealFiles
from nightturn.storage.reader import Run
from nightturn.storage.runs import known_runs, open_run
from nightturn.storage.salvage import kept_aside, salvage
from nightturn.storage.segment import Segment, read_header, read_segment
from nightturn.storage.standing import Standing, standing


@dataclass(frozen=True, slots=True)
class Problem:
    """Something that is not as it should be.

    Attributes:
        kind: corrupt, damaged, stray, missing_chunk, overlap, identity, time, unexplained, sum, tape or manifest.
        path: the file, or the folder of the run.
        detail: a sentence.
    """

    kind: str
    path: str
    detail: str


@dataclass(slots=True)
class RunReport:
    """What was found in one run.

    Attributes:
        files, bytes: Parquet files read and their size.
        chunks: raw chunks that could be read.
        stored: samples in them.
        span: times of the first and the last sample, UTC ns.
        timezone: by which clocks people read them.
        missing: samples that gap rows count by index (exact).
        missing_by_time: samples that gap rows estimate between epochs; not part of the sum.
        produced: samples that the device numbered, first to last, over all epochs.
        holes: where the index jumps, each with the causes of the gap rows that explain it.
        segments: tape segments compared with their chunks.
        unsealed: segments not sealed yet: a daemon is running, or the next start seals them.
        unsealed_records: what is in them and in no chunk, so not checked and not counted here.
        state: how the run stands.
        problems: everything that is wrong.
    """

    fixture: str
    run: str
    files: int = 0
    bytes: int = 0
    chunks: int = 0
    stored: int = 0
    span: tuple[int, int] | None = None
    timezone: str = "UTC"
    missing: int = 0
    missing_by_time: int = 0
    produced: int = 0
    holes: tuple[Hole, ...] = ()
    segments: int = 0
    unsealed: tuple[str, ...] = ()
    unsealed_records: int = 0
    state: Standing = "unknown"
    problems: list[Problem] = field(default_factory=list)

    @property
    def ok(self) -> bool:
        """Whether everything is there or explained."""
        return not self.problems


@dataclass(frozen=True, slots=True)
class Report:
    """One report per run looked at."""

    runs: tuple[RunReport, ...]

    @property
    def ok(self) -> bool:
        """Whether every run is."""
        return all(run.ok for run in self.runs)


def verify(root: str | Path, run: str = "latest", fixture: str | None = None) -> Report:
    """Check one run, the `latest` of each fixture, or `all`.

    Args:
        root: the data root.
        run: a run id, "latest" or "all".
        fixture: only this fixture.

    Raises:
        RunNotFoundError: there is no such run; says what exists.
        StorageError: an id that is no name but a path.
    """
    place = Path(root)
    return Report(tuple(_Check(each).report() for each in _chosen(place, run, fixture)))


def _chosen(root: Path, run: str, fixture: str | None) -> list[Run]:
    if run not in {"latest", "all"}:
        paths.checked_run(run)
    if fixture is not None:
        opened = open_run(root, fixture, "latest" if run == "all" else run)
        return [Run(root, fixture, name) for name in known_runs(root)[fixture]] if run == "all" else [opened]
    known = known_runs(root)
    if not known:
        raise RunNotFoundError(f"{root} holds no runs; is it the data root (`data` in bench.toml)?")
    if run == "latest":
        return [Run(root, each, runs[-1]) for each, runs in known.items()]
    chosen = [Run(root, each, name) for each, runs in known.items() for name in runs if run in {"all", name}]
    if not chosen:
        newest = ", ".join(f"{each} {runs[-1]}" for each, runs in known.items())
        raise RunNotFoundError(f"{root} has no run {run}; the newest: {newest}")
    return chosen


class _Check:
    """One pass over the files of one run, one chunk in memory at a time."""

    def __init__(self, run: Run) -> None:
        self._run = run
        self._files = RealFiles(run.root)
        self._report = RunReport(run.fixture, run.run)
        self._listed: dict[str, list[ChunkFile]] = {}
        self._names: dict[str, set[tuple[int, int]]] = {}  # dataset -> record ranges
        self._sealed: dict[int, str] = {}  # first record -> segment
        self._waiting: dict[int, str] = {}  # same, not sealed yet

    def report(self) -> RunReport:
        """Run all checks."""
        self._manifest()
        self._load_tapes()
        # All names before any content, raw first: a chunk that a daemon seals meanwhile is then left for next time.
        self._listed = {dataset: self._run.chunks(dataset) for dataset in tree.DATASETS}
        gaps = [gap for each in self._chunks(GAPS) for gap in self._gap_rows(each)]
        for dataset in tree.DATASETS:
            if dataset not in {paths.RAW, GAPS}:
                for each in self._chunks(dataset):
                    self._table(each, dataset)
        self._raw(gaps)
        self._coverage()
        self._damages()
        return self._report

    def _problem(self, kind: str, path: str, detail: str) -> None:
        self._report.problems.append(Problem(kind, path, detail))

    def _manifest(self) -> None:
        try:
            manifest = self._run.manifest
            self._report.timezone = self._run.timezone
            self._report.state = standing(self._run.root, manifest)
            if manifest is None:
                path = paths.manifest_path(self._run.fixture, self._run.run)
                self._problem("manifest", path, "absent: what the run was opened with is not known")
        except NightturnError as problem:
            self._problem("manifest", paths.manifest_path(self._run.fixture, self._run.run), str(problem))

    def _chunks(self, dataset: str) -> list[ChunkFile]:
        found = self._listed[dataset]
        self._names[dataset] = {(each.name.first, each.name.last) for each in found}
        folder = tree.run_folder(self._files, dataset, self._run.fixture, self._run.run)
        for name in self._files.list(folder.path) if folder is not None else ():
            if paths.chunk_name(name) is None:
                self._problem(
                    "stray", f"{folder.path if folder else ''}/{name}", "is no chunk; left by a crash?"
                )
        return found

    def _table(self, each: ChunkFile, dataset: str) -> pa.Table | None:
        """The rows, when name, footer and pages agree; else None and the problem noted."""
        self._report.files += 1
        try:
            self._report.bytes += (self._run.root / each.path).stat().st_size
            table = each.read()
            self._identity(each, dataset, table.num_rows)
        except (NightturnError, OSError) as problem:
            self._problem("corrupt", each.path, str(problem))
            return None
        return table

    def _identity(self, each: ChunkFile, dataset: str, rows: int) -> None:
        facts, name = each.facts, each.name
        said = (facts["dataset"], facts["fixture"], facts["run"], facts["record_first"], facts["record_last"])
        lies = (dataset, self._run.fixture, self._run.run, str(name.first), str(name.last))
        if said != lies or int(facts["rows"]) != rows:
            self._problem("identity", each.path, f"its footer says {said} with {facts['rows']} rows")

    def _gap_rows(self, each: ChunkFile) -> list[Gap]:
        table = self._table(each, GAPS)
        if table is None:
            return []
        rows = table.select(["cause", "epoch", "index_from", "n_missing", "exact"]).to_pylist()
        self._report.missing_by_time += sum(row["n_missing"] for row in rows if not row["exact"])
        return [
            Gap(row["cause"], row["epoch"], row["index_from"], row["index_from"] + row["n_missing"])
            for row in rows
            if row["exact"]
        ]

    def _raw(self, gaps: Sequence[Gap]) -> None:
        continuity = Continuity()
        for each in self._chunks(paths.RAW):
            table = self._table(each, paths.RAW)
            if table is None:
                continue
            self._report.chunks += 1
            self._report.stored += table.num_rows
            self._seen(each.span)
            for detail in continuity.add(table):
                self._problem("time" if "time" in detail else "overlap", each.path, detail)
            self._compare_tape(each, table)
        self._sums(continuity, gaps)

    def _seen(self, span: tuple[int, int] | None) -> None:
        known = self._report.span
        if span is not None:
            self._report.span = (min(known[0], span[0]), max(known[1], span[1])) if known else span

    def _sums(self, continuity: Continuity, gaps: Sequence[Gap]) -> None:
        report, folder = self._report, f"run={self._run.run}"
        report.holes = continuity.holes(gaps)
        report.missing = sum(gap.stop - gap.start for gap in gaps)
        report.produced = continuity.produced(gaps)
        for hole in report.holes:
            if hole.unexplained:
                where = f"epoch {hole.epoch}, index {hole.start} to {hole.stop - 1}"
                self._problem(
                    "unexplained", folder, f"{hole.unexplained} samples missing without a gap row: {where}"
                )
        for detail in continuity.contradictions(gaps):
            self._problem("overlap", folder, detail)
        unexplained = sum(hole.unexplained for hole in report.holes)
        if report.produced != report.stored + report.missing + unexplained:
            self._problem(
                "sum",
                folder,
                f"produced {report.produced} is not stored {report.stored} + gaps {report.missing}",
            )

    def _coverage(self) -> None:
        """Every record of the run is in one raw chunk: by the chunks' own order, by other datasets, by the tapes."""
        raw = sorted(self._names[paths.RAW])
        folder = f"{paths.RAW}/fixture={self._run.fixture}/run={self._run.run}"
        absent: dict[tuple[int, int], str] = {}
        for (_, before), (after, _) in pairwise(raw):
            if after <= before:
                self._problem("overlap", folder, f"two raw chunks hold records {after} to {before}")
            elif after > before + 1:
                absent[before + 1, after - 1] = "there are chunks on both sides"
        for dataset, spans in self._names.items():
            absent.update(dict.fromkeys(spans - set(raw), f"{dataset} has their rows"))
        absent.update(dict.fromkeys(self._taped_without(raw), "the sealed tape still has them"))
        for (first, last), source in sorted(absent.items()):
            if first not in self._waiting:
                self._problem(
                    "missing_chunk", folder, f"no raw chunk holds records {first} to {last}; {source}"
                )

    def _load_tapes(self) -> None:
        """Which segments belong to the run, by their headers alone; a night of tape is more than memory should hold."""
        fixture = self._run.fixture
        for known, folder in (
            (self._sealed, paths.sealed_folder(fixture)),
            (self._waiting, paths.journal_folder(fixture)),
        ):
            for path in tree.segments(self._files, folder):
                try:
                    header = read_header(self._run.root / path, path)
                except (NightturnError, OSError) as problem:
                    self._problem("tape", path, str(problem))
                    continue
                if header.run == self._run.run:
                    known[header.first_record_no] = path
        self._report.unsealed = tuple(self._waiting.values())
        self._report.unsealed_records = sum(self._records_in(path) for path in self._waiting.values())

    def _records_in(self, path: str) -> int:
        """Whole records of a segment that may be growing, or be sealed and moved meanwhile."""
        try:
            segment = read_segment(self._files.read(path), path)
        except FileNotFoundError:
            return 0
        except (NightturnError, OSError) as problem:
            self._problem("tape", path, str(problem))
            return 0
        return segment.last_record_no - segment.first_record_no + 1

    def _damages(self) -> None:
        """Damage in the tape that waits to be sealed, and what recovery has kept aside of earlier damage."""
        for path in self._waiting.values():
            found = salvage(self._files.read(path), path)
            for damage in found.damages if found is not None else ():
                self._damaged(path, damage.first, damage.last)
        folder = paths.journal_folder(self._run.fixture)
        known = {path.rpartition("/")[2] for path in (*self._waiting.values(), *self._sealed.values())}
        for name in self._files.list(folder):
            aside = kept_aside(name)
            if aside is not None and aside[0] in known:
                self._damaged(f"{folder}/{name}", *aside[1:])

    def _damaged(self, path: str, first: int, last: int) -> None:
        lost = f"records {first} to {last} are lost" if last >= first else "no record is lost"
        self._problem("damaged", path, f"bytes of the tape were damaged: {lost}")

    def _segment(self, path: str) -> Segment | None:
        try:
            segment = read_segment(self._files.read(path), path)
        except (NightturnError, OSError) as problem:
            self._problem("tape", path, str(problem))
            return None
        if segment.dropped_bytes:
            self._problem("tape", path, f"its last {segment.dropped_bytes} bytes are no whole record")
        return segment

    def _taped_without(self, raw: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
        """Record ranges of sealed segments that no raw chunk begins with."""
        known = {first for first, _ in raw}
        lone = [self._segment(path) for first, path in self._sealed.items() if first not in known]
        return [(segment.first_record_no, segment.last_record_no) for segment in lone if segment is not None]

    def _compare_tape(self, each: ChunkFile, table: pa.Table) -> None:
        """The sealed segment must give the same chunk again."""
        path = self._sealed.get(each.name.first)
        segment = self._segment(path) if path is not None else None
        if path is None or segment is None:
            return
        self._report.segments += 1
        try:
            if not chunk.encode(segment, each.plan).equals(table):
                self._problem("tape", path, f"gives other samples than {each.path}")
        except NightturnError as problem:
            self._problem("tape", path, f"does not give {each.path} again: {problem}")
