"""The runs of one unit, on whichever fixture and rig it was mounted, and the cycles of all of them in one table."""

import warnings
from collections.abc import Sequence

import numpy as np
import pandas as pd
import pyarrow as pa

from nightturn.errors import RunNotFoundError
from nightturn.model.rows import CYCLES
from nightturn.settings.mistakes import did_you_mean
from nightturn.storage.marks import cleared_text, read_marks
from nightturn.storage.reader import Run, RunWarning, check_columns, schema_of_dataset, unit_of_field
from nightturn.storage.redating import corrected
from nightturn.storage.runs import RunSummary, list_runs
from nightturn.storage.stored import Place, Stored, stored_at
from nightturn.storage.summaries import UNIT_UNKNOWN, known_units

UNITS_SHOWN_MAX = 5
KEYS = ("run", "fixture")


def runs_of_unit(root: Place, unit: str, *, endpoint: str = "") -> list[RunSummary]:
    """Every run of a unit over all fixtures of a data root or an object store, in the order in which they started.

    The catalogue's index by serial answers; what it does not know, or what has changed since, is worked out from the files. A
    run whose manifest cannot be read may have been any unit's: it is among them, with an empty `unit`, and says so in
    `unreadable`.

    Raises:
        RunNotFoundError: the root does not exist, or has no run of that unit; names units that are near, or some there are.
        CorruptFileError: the log of retention cannot be read.
        ObjectStoreError: an object store cannot be reached, or refuses.
    """
    place = stored_at(root, endpoint)
    found = list_runs(place, unit)
    if not any(each.unit == unit for each in found):
        raise RunNotFoundError(_no_run_of(place, unit))
    return found[::-1]


def cycles_of_unit(
    root: Place, unit: str, columns: Sequence[str] | None = None, *, endpoint: str = ""
) -> pd.DataFrame:
    """One row per cycle of every run of a unit, in the order of `runs_of_unit`; each file is read once.

    Args:
        root: as `nightturn.open_run`.
        unit: its serial.
        columns: of `Run.cycles`; all where none are given.
        endpoint: as `nightturn.open_run`.

    Returns:
        `run` and `fixture`, then the columns, their times corrected as `Run.redated` says; units by column in `attrs["units"]`.

    Raises:
        RunNotFoundError: as `runs_of_unit`.
        StorageError: no such column.
        CorruptFileError: a file fails its checksum, or a run's times are not known.

    Warns:
        RunWarning: a run's figures were cleared, or its manifest cannot be read, so its cycles are not among the rows.
    """
    check_columns(columns, CYCLES)
    place = stored_at(root, endpoint)
    marks = read_marks(place)
    parts: list[tuple[RunSummary, pa.Table, int]] = []
    for each in runs_of_unit(place, unit):
        table = None
        cleared = marks.cleared(each.fixture, each.run).get("figures")
        if each.unit != unit:
            _left_out(each, each.unreadable[0] if each.unreadable else "its unit is not known")
        elif cleared is not None and not each.cycles:
            _left_out(each, cleared_text(cleared, each.timezone))
        else:
            table = Run(place, each.fixture, each.run).table(CYCLES, columns)
        if table is not None:
            mark = marks.redated(each.fixture, each.run)
            parts.append((each, table, mark.by_ns if mark is not None else 0))
    return _framed(parts, columns)


def _framed(parts: Sequence[tuple[RunSummary, pa.Table, int]], columns: Sequence[str] | None) -> pd.DataFrame:
    tables = [table for _, table, _ in parts]
    if not tables:
        empty = schema_of_dataset(CYCLES).empty_table()
        tables = [empty if columns is None else empty.select(list(columns))]
    whole = pa.concat_tables(tables, promote_options="default")
    rows = [table.num_rows for _, table, _ in parts]
    by_ns = np.repeat(np.array([by for _, _, by in parts], np.int64), rows)
    frame = corrected(whole.to_pandas(), whole.schema, by_ns)
    for at, name in enumerate(KEYS):
        frame.insert(
            at, name, np.repeat(np.array([getattr(each, name) for each, _, _ in parts], object), rows)
        )
    frame.attrs["units"] = {field.name: unit for field in whole.schema if (unit := unit_of_field(field))}
    return frame


def _left_out(each: RunSummary, why: str) -> None:
    what = f"cycles of run {each.run} of {each.fixture} are left out: {why}"
    warnings.warn(what, RunWarning, stacklevel=3)


def _no_run_of(root: Stored, unit: str) -> str:
    known = known_units(root)
    serials = sorted({each for each in known.values() if each not in ("", UNIT_UNKNOWN)})
    shown = ", ".join(serials[:UNITS_SHOWN_MAX]) or "none"
    more = f" and {len(serials) - UNITS_SHOWN_MAX} more" if len(serials) > UNITS_SHOWN_MAX else ""
    unread = sum(each == UNIT_UNKNOWN for each in known.values())
    rest = f"; the units of {unread} runs are not known, see `nightturn verify`" if unread else ""
    return f"{root} has no run of unit {unit!r}{did_you_mean(unit, serials)}; it has {shown}{more}{rest}"
