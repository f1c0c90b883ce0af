"""Readings of a calibration in a file of rows, as a person or the questions wrote them."""

from collections.abc import Sequence
from pathlib import Path

import msgspec
import numpy as np
import numpy.typing as npt

from nightturn.calibration.dead_weight import Lever
from nightturn.calibration.series import Reading
from nightturn.capture.source import Table
from nightturn.errors import TableError
from nightturn.tables.choosing import chosen_columns, missing_column
from nightturn.tables.units import MASS, RATIO

ROWS_MAX = 10_000
"""Readings of one calibration; more is a recording."""
ROLES = ("load", "reading", "series", "position")


class Readings(msgspec.Struct, frozen=True):
    """Readings in V or mV/V, the unit of which they are, and whether the loads were masses on a lever."""

    readings: tuple[Reading, ...]
    unit: str
    masses: bool


def read_readings(path: Path, lever: Lever | None) -> Readings:
    """The readings of a file with the columns load and reading, and series and position where there are several.

    Raises:
        TableError: what cannot be read, with line, column and remedy.
    """
    table = Table(path, delimiter=None, decimal=None)
    where = str(path)
    if table.rows > 4 * ROWS_MAX:
        raise TableError(
            f"{where}: about {table.rows} rows; a calibration has {ROWS_MAX} readings at most: `capture` takes recordings"
        )
    found = chosen_columns(table.dialect, {}, ROLES, where=where)
    for role in ("load", "reading"):
        if role not in found:
            raise missing_column(table.dialect, role, where=where)
    load, reading = found["load"].unit, found["reading"].unit
    if load is None or reading is None:
        lacking = "load [kg], [g] or [Nm]" if load is None else "reading [V], [mV] or [mV/V]"
        raise TableError(f"{where}: a unit is missing; name the column {lacking}")
    masses = load.of == MASS
    if masses and lever is None:
        raise TableError(
            f"{where}: the loads are masses; give --arm in m, and --latitude with --height, or --gravity"
        )
    rows = _whole_rows(table, [each.at for each in found.values()])
    column = dict(zip(found, rows.T, strict=True))
    size = column["load"] * load.factor
    torque = (
        [lever.torque_nm(each) for each in size.tolist()] if masses and lever is not None else size.tolist()
    )
    series = column.get("series", np.ones(len(rows)))
    position = column.get("position", np.zeros(len(rows)))
    return Readings(
        tuple(
            Reading(t, y, int(s), p)
            for t, y, s, p in zip(
                torque,
                (column["reading"] * reading.factor).tolist(),
                series.tolist(),
                position.tolist(),
                strict=True,
            )
        ),
        "mV/V" if reading.of == RATIO else "V",
        masses,
    )


def _whole_rows(table: Table, places: Sequence[int]) -> npt.NDArray[np.float64]:
    """All rows (n, columns).

    Raises:
        TableError: a value is missing.
    """
    rows = np.concatenate([piece.values for piece in table.pieces(places)])
    missing = np.isnan(rows).any(axis=1)
    if missing.any():
        raise TableError(
            f"{table.path}: row {int(missing.argmax()) + 1} has no value in one of its columns; read it again"
        )
    return rows
