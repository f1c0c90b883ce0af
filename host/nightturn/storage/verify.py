"""Reads a run back, every checksum of it, and says what is missing and which gap row explains it."""

from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise

import pyarrow as pa

from nightturn.errors import (
    ForeignFileError,
    NightturnError,
    NotWholeError,
    ObjectStoreError,
    RunNotFoundError,
    StorageError,
)
from nightturn.model.rows import GAPS, RESTART
from nightturn.storage import paths, tree
from nightturn.storage.alike import ahead
from nightturn.storage.catalogue import entered_wrong
from nightturn.storage.chunk_file import ChunkFile
from nightturn.storage.continuity import Continuity, Gap, Stretches
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import ENDED, Manifest, read_signed
from nightturn.storage.marks import LOG, cleared_text, read_marks, undisturbed
from nightturn.storage.reader import Run
from nightturn.storage.redating import redated_text
from nightturn.storage.runs import known_runs, open_run, what_a_root_has
from nightturn.storage.sections import Section, cut
from nightturn.storage.standing import standing
from nightturn.storage.stored import Place, Stored, half_text, stored_at
from nightturn.storage.verify_beside import Found, calibrations, cards, marks, rig_records
from nightturn.storage.verify_companions import CompanionCheck
from nightturn.storage.verify_logbook import logbook
from nightturn.storage.verify_report import Problem, Report, RunReport
from nightturn.storage.verify_samples import compared, watched
from nightturn.storage.verify_tape import NOT_PUSHED, NoTape, TapeCheck


def verify(root: Place, run: str = "latest", fixture: str | None = None, *, endpoint: str = "") -> Report:
    """Check one run, the `latest` of each fixture, or `all`.

    Of an object store what `nightturn push` copied there: every object against its checksum and the run's own lists. Tape and marks
    beside the manifests are not pushed, so samples are not compared with tape there.

    Args:
        root: the data root, or `s3://BUCKET/PREFIX`.
        run: a run id, "latest" or "all".
        fixture: only this fixture.
        endpoint: of an S3 server, `http://HOST:PORT` or `https://HOST`.

    Raises:
        RunNotFoundError: there is no such run; says what exists.
        StorageError: an id that is no name but a path.
        ObjectStoreError: the store cannot be reached or refuses, or has no manifest of the one run that was asked for (NotWholeError).
    """
    place = stored_at(root, endpoint)
    if place.local is None:
        return _pushed(place, run, fixture)
    runs = tuple(_Check(place, each).report() for each in _chosen(place, run, fixture))
    wrong, unchecked = _logbook(place)
    try:
        problems = tuple(Problem("catalogue", paths.CATALOGUE, each) for each in entered_wrong(place.local))
    except StorageError as problem:
        return Report(runs, wrong, (*unchecked, str(problem)))
    return Report(runs, (*problems, *wrong), unchecked)


def _logbook(place: Stored) -> tuple[tuple[Problem, ...], tuple[str, ...]]:
    """What is wrong with the logbook and its photos, and what is not known of them."""
    found = list(logbook(place))
    wrong = tuple(Problem(each.kind, each.path, each.detail) for each in found if each.wrong)
    return wrong, tuple(f"{each.path}: {each.detail}" for each in found if not each.wrong)


def _pushed(place: Stored, run: str, fixture: str | None) -> Report:
    runs, halves = [], list(_without_manifest(place, fixture)) if run == "all" else []
    if halves and not known_runs(place):
        return Report((), tuple(halves))
    for each in _chosen(place, run, fixture):
        try:
            runs.append(_Check(place, each).report())
        except NotWholeError as problem:
            halves.append(Problem("not_whole", paths.manifest_path(each.fixture, each.run), str(problem)))
    wrong, unchecked = _logbook(place)
    return Report(tuple(runs), (*halves, *wrong), unchecked)


def _without_manifest(place: Stored, fixture: str | None) -> Iterator[Problem]:
    """Runs that an object store has samples of and no manifest."""
    known = known_runs(place)
    for each in tree.fixtures(place) if fixture is None else (fixture,):
        for folder in tree.run_folders(place, paths.RAW, each):
            if folder.run not in known.get(each, []):
                yield Problem("not_whole", folder.path, half_text(each, folder.run, place))


def _chosen(root: Stored, run: str, fixture: str | None) -> list[Run]:
    if run not in {"latest", "all"}:
        paths.checked_run(run)
    if fixture is not None:
        opened = open_run(root, fixture, "latest" if run == "all" else run)
        return [Run(root, fixture, name) for name in known_runs(root)[fixture]] if run == "all" else [opened]
    known = known_runs(root)
    if not known:
        raise RunNotFoundError(f"{root} contains no {what_a_root_has(root)}")
    if run == "latest":
        return [Run(root, each, runs[-1]) for each, runs in known.items()]
    chosen = [Run(root, each, name) for each, runs in known.items() for name in runs if run in {"all", name}]
    if not chosen:
        newest = ", ".join(f"{each} {runs[-1]}" for each, runs in known.items())
        raise RunNotFoundError(f"{root} has no run {run}; the newest: {newest}")
    return chosen


class _Check:
    """One pass over the files of one run, one chunk in memory at a time."""

    def __init__(self, files: Stored, run: Run) -> None:
        self._run = run
        self._files = files
        self._report = RunReport(run.fixture, run.run)
        self._listed: dict[str, list[ChunkFile]] = {}
        self._companions = CompanionCheck(self._problem, self._report.unchecked)
        self._tapes: TapeCheck | NoTape = NoTape()
        if files.local is None:
            self._report.unchecked.append(NOT_PUSHED)
        else:
            self._tapes = TapeCheck(RealFiles(files.local), run.fixture, run.run, self._problem)
        self._by_ns = 0  # the correction of the run's times
        self._names: dict[str, set[tuple[int, int]]] = {}  # dataset -> record ranges

    def report(self) -> RunReport:
        """Run all checks.

        Raises:
            NotWholeError: an object store has no whole manifest of the run.
            ObjectStoreError: it does not answer.
        """
        self._files.check_whole(self._run.fixture, self._run.run)
        manifest = self._manifest()
        self._report.unsealed = tuple(self._tapes.waiting.values())
        self._report.unsealed_records = self._tapes.waiting_records
        # All names before any content, raw first: a chunk that a daemon seals meanwhile is then left for next time.
        raw = self._files_of(paths.RAW)
        sealed = {each.name.stem for each in raw}
        for dataset in tree.DATASETS[1:]:
            found = self._files_of(dataset)
            self._listed[dataset] = [each for each in found if self._is_due(each, sealed)]
        self._listed[paths.RAW] = raw
        gaps = [gap for each in self._chunks(GAPS) for gap in self._gap_rows(each)]
        for dataset in tree.DATASETS:
            if dataset not in {paths.RAW, GAPS}:
                for each in self._chunks(dataset):
                    self._table(each, dataset)
        if not self._cleared():
            self._raw(gaps)
            self._companions.check(self._listed)
            self._coverage(manifest)
        self._tapes.damages()
        self._tapes.stands(manifest, sorted(span for each in raw for span in self._spans(each)))
        return self._report

    def _files_of(self, dataset: str) -> list[ChunkFile]:
        """The files of a dataset, also where a reader refuses them because two hold the same records."""
        folder = tree.run_folder(self._files, dataset, self._run.fixture, self._run.run)
        found = tree.chunks(self._files, folder.path) if folder is not None else []
        return [ChunkFile(self._files, path, name) for path, name in found]

    def _is_due(self, each: ChunkFile, sealed: set[str]) -> bool:
        """Whether a file is of a chunk that is sealed, or should be; others are being written."""
        return each.name.stem in sealed or each.name.first not in self._tapes.waiting

    def _problem(self, kind: str, path: str, detail: str) -> None:
        self._report.problems.append(Problem(kind, path, detail))

    def _cleared(self) -> bool:
        """Whether retention has cleared the raw samples, which cannot be checked then, and are not missing."""
        try:
            key = (self._run.fixture, self._run.run)
            if self._files.local is not None:
                with undisturbed(self._files.local):
                    self._note(marks(self._files, *key))
            said = read_marks(self._files, key)
            cleared, damage = said.cleared(*key), said.damage(*key)
        except NightturnError as problem:
            self._problem("retention", LOG, str(problem))
            return False
        self._report.corrections = said.corrections(*key)
        mark = None if damage else said.redated(*key)  # the damage is named already
        if mark is not None:
            self._by_ns, self._report.redated = mark.by_ns, redated_text(mark)
        self._report.cleared = tuple(cleared_text(mark, self._report.timezone) for mark in cleared.values())
        return "raw" in cleared and not (self._files.local is None and self._listed[paths.RAW])

    def _note(self, found: Iterable[Found]) -> None:
        for each in found:
            if each.wrong:
                self._problem(each.kind, each.path, each.detail)
            else:
                self._report.unchecked.append(f"{each.path}: {each.detail}")

    def _manifest(self) -> Manifest | None:
        """How the run stands, and the files that its manifest can be compared with."""
        path = paths.manifest_path(self._run.fixture, self._run.run)
        try:
            manifest, signed = read_signed(self._files, self._run.fixture, self._run.run)
        except RunNotFoundError:
            self._problem("manifest", path, "absent: what the run was opened with is not known")
            return None
        except (NightturnError, OSError) as problem:
            self._problem("manifest", path, str(problem))
            return None
        self._report.timezone = manifest.timezone
        if self._files.local is None:  # nobody records there
            self._report.state = "ended" if manifest.state == ENDED else "unknown"
        else:
            self._report.state = standing(self._files.local, manifest)
        if not signed:
            self._report.unchecked.append(f"{path} has no checksum")
        for check in (cards, calibrations, rig_records):
            self._note(check(self._files, manifest))
        return manifest

    def _chunks(self, dataset: str) -> list[ChunkFile]:
        found = self._listed[dataset]
        self._names[dataset] = {span for each in found for span in self._spans(each)}
        fixture, run = self._run.fixture, self._run.run
        read = tree.run_folder(self._files, dataset, fixture, run)
        for folder in tree.run_folders(self._files, dataset, fixture):
            if folder.run != run:
                continue
            for name in self._files.list(folder.path):
                if read is None or folder.path != read.path:
                    self._problem("stray", f"{folder.path}/{name}", "lies in a second folder of the run")
                elif paths.chunk_name(name) is None and not self._being_written(name):
                    self._problem("stray", f"{folder.path}/{name}", "is not a chunk; perhaps left by a crash")
        return found

    def _spans(self, each: ChunkFile) -> list[tuple[int, int]]:
        """The records of each chunk that a file has rows of."""
        try:
            parts = [paths.chunk_name(part.name) for part in each.parts]
        except (NightturnError, OSError):
            return []  # it is named for it when it is read
        return [(name.first, name.last) for name in parts or [each.name] if name is not None]

    def _being_written(self, name: str) -> bool:
        temporary = name.startswith(".") and name.endswith(paths.TEMPORARY_SUFFIX)
        return temporary and self._report.state == "running"

    def _table(self, each: ChunkFile, dataset: str) -> pa.Table | None:
        """The rows, when name, footer and pages agree; else None and the problem noted."""
        try:
            self._sized(each)
            table = each.read()
            self._counted(each, dataset, table.num_rows)
        except (NightturnError, OSError) as problem:
            self._unread(each, problem)
            return None
        return table

    def _sized(self, each: ChunkFile) -> None:
        self._report.files += 1
        self._report.bytes += each.bytes

    def _unread(self, each: ChunkFile, problem: Exception) -> None:
        if isinstance(problem, ObjectStoreError) and not isinstance(problem, NotWholeError):
            raise problem  # nothing is known of the object
        kind = "identity" if isinstance(problem, ForeignFileError) else "corrupt"
        self._problem("not_whole" if isinstance(problem, NotWholeError) else kind, each.path, str(problem))

    def _counted(self, each: ChunkFile, dataset: str, rows: int) -> None:
        if rows != each.rows:
            self._problem("identity", each.path, f"has {rows} rows, its footer says {each.rows}")
        self._companions.read(each, dataset, rows)

    def _gap_rows(self, each: ChunkFile) -> list[Gap]:
        table = self._table(each, GAPS)
        if table is None:
            return []
        rows = table.select(["cause", "epoch", "index_from", "n_missing", "exact"]).to_pylist()
        self._report.missing_by_time += sum(row["n_missing"] for row in rows if not row["exact"])
        between = (row["n_missing"] for row in rows if row["exact"] and row["cause"] == RESTART)
        self._report.missing_between += sum(between)
        return [
            Gap(row["cause"], row["epoch"], row["index_from"], row["index_from"] + row["n_missing"])
            for row in rows
            if row["exact"]
        ]

    def _raw(self, gaps: Sequence[Gap]) -> None:
        continuity = Continuity()
        for each in self._chunks(paths.RAW):
            found = self._samples(each)
            if found is None:
                continue
            self._report.chunks += 1
            self._report.stored += found.rows
            self._seen(each.span)
            for detail in continuity.add(found):
                self._problem("time" if "time" in detail else "overlap", each.path, detail)
        self._sums(continuity, gaps)

    def _samples(self, each: ChunkFile) -> Stretches | None:
        """A raw chunk, a row group at a time, beside the tape that it was made from; None with the problem noted."""
        found = Stretches()
        tables = ahead(watched(each.groups(), found))
        try:
            self._sized(each)
            self._compare_tape(each, tables)
            self._counted(each, paths.RAW, found.rows)
        except (NightturnError, OSError) as problem:
            self._unread(each, problem)
            return None
        return found

    def _seen(self, span: tuple[int, int] | None) -> None:
        known = self._report.span
        if span is not None:
            span = (span[0] + self._by_ns, span[1] + self._by_ns)
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

    def _coverage(self, manifest: Manifest | None) -> None:
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
        absent.update(dict.fromkeys(self._tapes.without_chunk(raw), "the sealed tape still has them"))
        absent.update(self._outside(manifest, raw))
        for (first, last), source in sorted(absent.items()):
            if first not in self._tapes.waiting:
                self._problem(
                    "missing_chunk", folder, f"no raw chunk holds records {first} to {last}; {source}"
                )

    def _outside(
        self, manifest: Manifest | None, raw: Sequence[tuple[int, int]]
    ) -> Iterator[tuple[tuple[int, int], str]]:
        """Chunks at either end of the run that only its manifest knows of."""
        if manifest is None:
            return
        first = raw[0][0] if raw else manifest.record_last + 1
        if manifest.record_first and manifest.record_first < first <= manifest.record_last + 1:
            yield (manifest.record_first, first - 1), "the run began with them"
        if raw and manifest.record_last > raw[-1][1] and not self._tapes.is_waiting(raw[-1][1] + 1):
            yield (raw[-1][1] + 1, manifest.record_last), f"its manifest knows chunk {manifest.chunk_last}"

    def _compare_tape(self, each: ChunkFile, tables: Iterator[pa.Table]) -> None:
        """The sealed segments must give the same chunk again, or the chunks that it was joined from.

        Raises:
            CorruptFileError: as `ChunkFile.groups`.
        """
        rest: list[pa.Table] = []
        for section in each.sections:
            rows = cut(tables, section.rows, rest)
            self._compare_section(each, section, rows)
            for _ in rows:
                pass
        for _ in tables:
            pass

    def _compare_section(self, each: ChunkFile, section: Section, rows: Iterator[pa.Table]) -> None:
        found = self._tapes.segment_of(section.plan.first)
        if found is None:
            return
        path, segment = found
        self._report.segments += 1
        detail = compared(segment, section, rows, each.path)
        if detail:
            self._problem("tape", path, detail)
