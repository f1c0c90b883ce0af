"""Runs as a person works with them: cycles, samples in N·m and radian, gaps, events."""

import warnings
from collections.abc import Iterator, Sequence
from functools import cache

import pandas as pd
import pyarrow as pa

from nightturn.calibration.torque import TorqueScale
from nightturn.errors import NotWholeError, RunNotFoundError, StorageError
from nightturn.model.rows import BUDGET, CYCLES, EVENTS, GAPS, TREND
from nightturn.model.tiles import Tile
from nightturn.settings.mistakes import did_you_mean
from nightturn.storage import chunk, datasets, paths, scales, spans, summary, tree, zones
from nightturn.storage.absent import Absent, absent, absent_between
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.chunk_file import ChunkFile, check_once
from nightturn.storage.manifest import Manifest, read_manifest
from nightturn.storage.marks import Kind, Mark, cleared_text, read_marks
from nightturn.storage.moments import Moment, moment_ns
from nightturn.storage.reanalysed import read_result
from nightturn.storage.redating import corrected, recorded_at
from nightturn.storage.sample_tiles import tiles_of
from nightturn.storage.scaled import DERIVED, between, empty, scaled
from nightturn.storage.sections import Section
from nightturn.storage.stored import Place, stored_at

_EVER_NS = 2**63 - 1


class RunWarning(UserWarning):
    """What was asked of a run is answered, and the answer may not be what was meant."""


class Run:
    """One run of one fixture, on disk or in an object store; nothing is read before it is asked for.

    Every method raises CorruptFileError when a file fails its checksum, SchemaVersionError when a newer major version
    wrote it, ObjectStoreError when an object store does, or has not the whole run.
    """

    def __init__(self, root: Place, fixture: str, run: str) -> None:
        self.stored = stored_at(root)
        self.fixture = fixture
        self.run = run
        self._known_spans: dict[str, spans.Span] = {}

    @property
    def manifest(self) -> Manifest | None:
        """What the run was opened with; None when its file is absent."""
        try:
            return read_manifest(self.stored, self.fixture, self.run)
        except RunNotFoundError:
            return None

    def chunks(self, dataset: str) -> list[ChunkFile]:
        """The files of one dataset, in record order.

        Raises:
            StorageError: no such dataset.
        """
        if dataset not in tree.DATASETS:
            known = ", ".join(tree.DATASETS)
            raise StorageError(
                f"no dataset {dataset!r}{did_you_mean(dataset, tree.DATASETS)}; there are {known}"
            )
        self.stored.check_whole(self.fixture, self.run)
        folder = tree.run_folder(self.stored, dataset, self.fixture, self.run)
        if folder is None:
            return []
        found = [ChunkFile(self.stored, path, name) for path, name in tree.chunks(self.stored, folder.path)]
        if self.stored.local is None:
            check_once(found)
        return found

    @property
    def cleared(self) -> dict[Kind, Mark]:
        """What retention has cleared of the run: `tape`, `raw` or `figures`, each with when, by whom and why.

        Raises:
            CorruptFileError: the log of retention cannot be read.
        """
        return read_marks(self.stored, (self.fixture, self.run)).cleared(self.fixture, self.run)

    @property
    def redated(self) -> Mark | None:
        """The correction of the run's times that is in force, by whom and why; None where the recorded times stand.

        Frames, `samples` and `span` are corrected by it; the files, and Arrow tables of them, hold what was recorded.

        Raises:
            CorruptFileError: a line of marks cannot be read, so the run's times are not known.
        """
        return read_marks(self.stored, (self.fixture, self.run)).redated(self.fixture, self.run)

    @property
    def _by_ns(self) -> int:
        mark = self.redated
        return mark.by_ns if mark is not None else 0

    def _there(self, dataset: str) -> list[ChunkFile]:
        """The files of a dataset that was not cleared.

        Raises:
            StorageError: it was.
        """
        found = self.chunks(dataset)
        kind: Kind = "raw" if dataset == paths.RAW else "figures"
        mark = None if found else self.cleared.get(kind)
        if mark is not None:
            raise StorageError(f"run {self.run}: {cleared_text(mark, self.timezone)}")
        return found

    def table(self, dataset: str, columns: Sequence[str] | None = None) -> pa.Table | None:
        """All rows of a dataset as an Arrow table, with its recorded times; None when there is none. Not for `raw`, which may be large.

        Raises:
            StorageError: retention has cleared it.
        """
        tables = [each.read(columns) for each in self._there(dataset)]
        return pa.concat_tables(tables, promote_options="default") if tables else None

    def frame(
        self, dataset: str, columns: Sequence[str] | None = None, *, reanalysis: str | None = None
    ) -> pd.DataFrame:
        """All rows of a dataset with their run; units by column in `attrs["units"]`; no row where nothing was recorded.

        Only some `columns` are read faster than all; one that a file of an older version lacks is left out. With `reanalysis`
        as that method of `nightturn reanalyse` made it again, not as recorded: cycles, budget and curves.

        Raises:
            StorageError: no such dataset, column or result, or retention has cleared it.
        """
        empty = schema_of_dataset(dataset).empty_table() if dataset in tree.DATASETS else None
        if empty is not None:
            check_columns(columns, dataset)
        if reanalysis is not None:
            made = read_result(self.stored, reanalysis, self.fixture, self.run, dataset, columns)
            return self._framed(made)
        table = self.table(dataset, columns)
        if table is None:
            assert empty is not None
            table = empty if columns is None else empty.select(list(columns))
        return self._framed(table)

    def _framed(self, table: pa.Table) -> pd.DataFrame:
        frame = corrected(table.to_pandas(), table.schema, self._by_ns)
        frame.insert(0, "run", self.run)
        frame.attrs["units"] = {field.name: unit for field in table.schema if (unit := unit_of_field(field))}
        return frame

    def cycles(self, columns: Sequence[str] | None = None, *, reanalysis: str | None = None) -> pd.DataFrame:
        """One row per cycle: each figure with `_u`, `_nu`, `_n_rev`, `_status`, `_reasons`, units in the names.

        `_kind` says what `_u` holds: the whole `budget`, or `repeatability` where the calibration record carries no
        certificate data; `_u_rep` and `_nu_rep` are the cycle's own scatter, `_u_common` the part that all cycles share.
        `_band_low`, `_band_high` and `_unseen` are the orders that it contains and the declared ones that it could not see.
        Arguments and errors as with `frame`.
        """
        return self.frame(CYCLES, columns, reanalysis=reanalysis)

    def budget(self) -> pd.DataFrame:
        """The uncertainty budgets (`model.rows.BudgetRow`); the squares of a figure's `u` add up to that of its `_u` in `cycles()`."""
        return self.frame(BUDGET)

    def trend(self) -> pd.DataFrame:
        """The course of each figure as the run saw it, cycle by cycle (`model.rows.TrendRow`)."""
        return self.frame(TREND)

    def gaps(self) -> pd.DataFrame:
        """Samples that are missing, and why."""
        return self.frame(GAPS)

    def events(self) -> pd.DataFrame:
        """What happened."""
        return self.frame(EVENTS)

    def samples(
        self,
        start: Moment = None,
        stop: Moment = None,
        columns: Sequence[str] = ("torque_nm", "angle_rad"),
        calibration: scales.Calibration = "current",
    ) -> pd.DataFrame:
        """Samples with start <= time < stop.

        Args:
            start: text, datetime, Timestamp or ns since 1970; one without an offset is by the clocks of the run's bench
                (`[bench] timezone`, which its manifest keeps).
            stop: same.
            columns: `torque_nm` (N·m), `angle_rad` (rad), or columns of `raw`.
            calibration: "current" applies the transducer's record that holds for that time as known now, "recorded"
                the scale that was in force.

        Returns:
            A frame with a UTC index `ts`; units by column in `attrs["units"]`.

        Raises:
            StorageError: no such column or calibration; `start` is not before `stop`; the run has no samples in that
                time; a time without offset that the clocks showed twice or never.
            CalibrationError: "current" was asked for and cannot be worked out.

            NotWholeError: an object store lacks raw samples of that time, which the run has.

        Warns:
            RunWarning: the run has samples before and after, but none in that time; or a raw chunk of that time is absent.
        """
        wanted = _checked_columns(columns)
        scales.check_calibration(calibration)
        self._there(paths.RAW)
        known, by_ns = self._spans(), self._by_ns
        asked = self._stretch(start, stop, whole := spans.moved(spans.whole(known), by_ns))
        start_ns, stop_ns = (recorded_at(each, by_ns) for each in asked)
        self._lacks(absent_between(known, self.manifest, start_ns, stop_ns))
        parts = [
            part
            for each, span in known
            if spans.overlaps(span, start_ns, stop_ns)
            for part in self.parts(each, start_ns, stop_ns, wanted, calibration, by_ns)
        ]
        if not sum(map(len, parts)):
            self._nothing_between(*asked, whole)
        frame = pd.concat(parts) if parts else empty(wanted)
        frame.index += pd.Timedelta(by_ns, unit="ns")
        frame.attrs["units"] = {name: unit for name in wanted if (unit := _unit_of_column(name))}
        return frame

    def check_samples(self) -> None:
        """Return when no raw chunk is absent that the run must have, and none was cleared.

        Raises:
            NotWholeError: an object store lacks one.
            StorageError: retention has cleared them.

        Warns:
            RunWarning: the data root lacks one.
        """
        self._lacks(absent(self._there(paths.RAW), self.manifest))

    def _lacks(self, missing: Sequence[Absent]) -> None:
        """A chunk that is absent is no gap of the recording."""
        if not missing:
            return
        what = f"run {self.run} of {self.fixture}: {missing[0].text}"
        if self.stored.local is None:
            raise NotWholeError(f"{what} in {self.stored}; `nightturn push --check` sends it again")
        warnings.warn(f"{what}; `nightturn verify` says more", RunWarning, stacklevel=3)

    def parts(
        self,
        each: ChunkFile,
        start_ns: int,
        stop_ns: int,
        wanted: Sequence[str],
        calibration: scales.Calibration,
        by_ns: int,
    ) -> Iterator[pd.DataFrame]:
        """The samples of a file in [start, stop), a row group at a time, each by the scale of its section; all times as recorded."""
        settings = scales.settings_of(self.manifest) if "angle_rad" in wanted else None
        angle = scales.angle_scale(each.plan, settings)
        torque = [
            (section.span[0], self._torque_scale(section, calibration, by_ns))
            for section in (each.sections if "torque_nm" in wanted else ())
            if section.span is not None
        ]
        for table in each.read_between(start_ns, stop_ns, _stored(wanted)):
            yield scaled(between(table, start_ns, stop_ns), wanted, torque, angle)

    @property
    def timezone(self) -> str:
        """By which clocks people read the run's times: an IANA name."""
        manifest = self.manifest
        return manifest.timezone if manifest is not None else "UTC"

    @property
    def span(self) -> tuple[int, int] | None:
        """Times of the first and the last sample that are sealed, UTC ns; None when there is none."""
        return spans.moved(spans.whole(self._spans()), self._by_ns)

    def _spans(self) -> list[tuple[ChunkFile, spans.Span]]:
        """The raw chunks and the times in them: from the catalogue, a footer is read where it does not know the file.

        The name of a file carries the checksum of its content, so what is entered under it holds.
        """
        chunks = self.chunks(paths.RAW)
        if any(each.path not in self._known_spans for each in chunks):
            catalogue = Catalogue.present(self.stored.local) if self.stored.local is not None else None
            entered = catalogue.chunks(self.fixture, self.run, paths.RAW) if catalogue is not None else []
            self._known_spans = {each.path: spans.pair(each.ts_first, each.ts_last) for each in entered}
        for each in chunks:
            if each.path not in self._known_spans:
                self._known_spans[each.path] = each.span
        return [(each, self._known_spans[each.path]) for each in chunks]

    def _stretch(self, start: Moment, stop: Moment, span: spans.Span) -> tuple[int, int]:
        """The time asked for, which has something to do with the run's."""
        zone = self.timezone
        start_ns, stop_ns = moment_ns(start, -_EVER_NS, zone), moment_ns(stop, _EVER_NS, zone)
        if start_ns >= stop_ns:
            raise StorageError(
                f"start {start!r} is not before stop {stop!r}; samples have start <= time < stop"
            )
        if span is not None and not spans.overlaps(span, start_ns, stop_ns):
            asked = f"{'from the beginning' if start is None else start!r} to {'the end' if stop is None else stop!r}"
            first, last = (zones.local_text(each, zone) for each in span)
            raise StorageError(f"run {self.run} has samples from {first} to {last}, none of {asked}")
        return start_ns, stop_ns

    def _nothing_between(self, start_ns: int, stop_ns: int, span: spans.Span) -> None:
        """Say why a frame is empty."""
        if span is None:
            why = "nothing of it is sealed yet, or nothing was recorded"
        else:
            gaps = self.gaps()
            starts, stops = (gaps[name].astype("int64") for name in ("ts_from", "ts_to"))
            causes = sorted(set(gaps["cause"][(starts < stop_ns) & (stops >= start_ns)]))
            why = (
                f"a gap by {' and '.join(causes)}"
                if causes
                else "the time asked for is shorter than one sample"
            )
        warnings.warn(f"run {self.run} has no samples in that time: {why}", RunWarning, stacklevel=3)

    def tiles(self, seconds: float = 10.0) -> Iterator[Tile]:
        """The stored samples in counts, as tiles of at most `seconds`, none across a gap or a chunk.

        One row group of one chunk is decoded at a time, however long the run is.
        """
        self.check_samples()
        for each in self._there(paths.RAW):
            yield from tiles_of(each, seconds)

    def _torque_scale(self, each: Section, calibration: scales.Calibration, by_ns: int) -> TorqueScale:
        if calibration == "recorded" or each.span is None:
            return scales.recorded_scale(each.plan)
        return scales.current_scale(self.stored, each.plan, each.span[0] + by_ns, self.manifest)


def _checked_columns(columns: Sequence[str]) -> list[str]:
    allowed = [*DERIVED, *(name for name in chunk.SCHEMA.names if name != "ts")]
    _check_known(columns, allowed, "samples")
    return list(columns)


def _check_known(columns: Sequence[str], allowed: Sequence[str], what: str) -> None:
    if isinstance(columns, str):
        raise StorageError(f"columns is a list of names; give [{columns!r}]")
    for name in columns:
        if name not in allowed:
            near = did_you_mean(name, allowed)
            raise StorageError(f"{what} have no column {name!r}{near}; there are {', '.join(allowed)}")


def check_columns(columns: Sequence[str] | None, dataset: str) -> None:
    """Whether a dataset has all of these columns.

    Raises:
        StorageError: it has not; names one that is near.
    """
    if columns is not None:
        _check_known(columns, schema_of_dataset(dataset).names, dataset)


@cache
def schema_of_dataset(dataset: str) -> pa.Schema:
    """The columns of a dataset as this version writes them."""
    if dataset == paths.RAW:
        return chunk.SCHEMA
    return summary.SCHEMA if dataset in {paths.SUMMARY_1S, paths.SUMMARY_1M} else datasets.schema_of(dataset)


def _stored(wanted: Sequence[str]) -> list[str]:
    return ["ts", *dict.fromkeys(DERIVED[name][0] if name in DERIVED else name for name in wanted)]


def _unit_of_column(name: str) -> str:
    return DERIVED[name][1] if name in DERIVED else unit_of_field(chunk.SCHEMA.field(name))


def unit_of_field(field: "pa.Field[pa.DataType]") -> str:
    """The unit of a column; empty where it has none."""
    return (field.metadata or {}).get(b"unit", b"").decode()
