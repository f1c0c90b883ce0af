"""From a file and what a person says of it to what it gives."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np

from nightturn.capture.angle import Float64s, motion_of
from nightturn.capture.asked import Asked, checked
from nightturn.capture.figuring import figures_of
from nightturn.capture.found import Found
from nightturn.capture.gathering import KEPT_MAX, Gathered, Gatherer, Plan
from nightturn.capture.parts import Parts
from nightturn.capture.source import Table
from nightturn.errors import TableError
from nightturn.model.quantities import number
from nightturn.tables.choosing import Chosen, chosen_columns, missing_column
from nightturn.tables.units import ANGLE, COUNT, RATIO, TORQUE, VOLTAGE, Unit

EDGES = ("a", "b", "index", "sine")
"""Columns of which every row counts; a sine beside its cosine is none."""
SECONDS = "The time column names no unit: seconds are assumed; --time NAME:ms says otherwise."
RADIANS_OF_TURN = 2 * np.pi


@dataclass(frozen=True, slots=True)
class Scales:
    """N·m per unit of the torque, rad and period per unit of the angle, and what was assumed, as sentences."""

    nm_per_unit: float
    rad_per_unit: float
    period: float | None
    said: tuple[str, ...]


def opened(path: Path, asked: Asked) -> Table:
    """The file with its dialect.

    Raises:
        TableError: it is no table.
    """
    return Table(path, delimiter=asked.delimiter, decimal=asked.decimal)


SHORT_PART = 1000
"""Samples at the end of a long capture that make no part of their own."""


def capture(path: Path, asked: Asked, *, kept_max: int = KEPT_MAX) -> Found:
    """Everything that a file says.

    Args:
        path: a CSV or Parquet file.
        asked: what a person says of it.
        kept_max: samples that are kept in memory.

    Raises:
        TableError: what cannot be read, with line, column and remedy.
        ConfigError: an option that cannot be.
    """
    asked = checked(asked)
    table = opened(path, asked)
    columns = _columns(table, asked)
    scales = _scales(columns, asked, str(path), timed=_timed(table, columns))
    plan = _plan(table, columns, asked, scales.period, kept_max)
    gatherer = Gatherer(plan, str(path))
    known = _known(asked, columns)
    parts = Parts()

    def part(gathered: Gathered | None) -> None:
        if gathered is None:
            return
        parts.seen(gathered)
        if parts.first is not None and len(gathered.time_s) < SHORT_PART:
            return
        try:
            parts.add(
                figures_of(
                    gathered, scales.nm_per_unit, scales.rad_per_unit, known, scales.said, where=str(path)
                )
            )
        except TableError:
            if parts.first is None:
                raise
            parts.refused += 1

    for piece in table.pieces([each.at for each in columns.values()]):
        part(gatherer.take(piece.values, piece.place_of))
    part(gatherer.end())
    return parts.joined(asked.factor_u_pct, where=str(path))


@dataclass(frozen=True, slots=True)
class Trace:
    """A capture as time (n,) s, angle (n,) rad and torque (n,) N·m; `unit_of` is what kind of unit the torque's column has."""

    time_s: Float64s
    angle_rad: Float64s
    torque_nm: Float64s
    unit_of: str


def traced(path: Path, asked: Asked, factors: Mapping[str, float], *, kept_max: int = KEPT_MAX) -> Trace:
    """A capture that fits into one part, whose angle comes from an encoder.

    Args:
        path: as `capture`.
        asked: the same.
        kept_max: the same.
        factors: N·m per V and per mV/V, by the kind of unit; a kind that is absent is refused.

    Raises:
        TableError: as `capture`; and a file that is too long for one part, or without an angle.
        ConfigError: an option that cannot be.
    """
    asked, where = checked(asked), str(path)
    table = opened(path, asked)
    columns = _columns(table, asked)
    if "angle" not in columns and "a" not in columns:
        raise TableError(f"{where}: has no angle of an encoder; give --angle NAME:deg or NAME:counts")
    unit = columns["torque"].unit
    unit_of = VOLTAGE if unit is None else unit.of
    asked = msgspec.structs.replace(asked, factor=factors.get(unit_of))
    scales = _scales(columns, asked, where, timed=_timed(table, columns))
    gatherer = Gatherer(_plan(table, columns, asked, scales.period, kept_max), where)
    parts = [
        gatherer.take(piece.values, piece.place_of)
        for piece in table.pieces([each.at for each in columns.values()])
    ]
    whole = [each for each in (*parts, gatherer.end()) if each is not None]
    if len(whole) != 1:
        raise TableError(f"{where}: is empty or too long for one look; give --from and --to")
    (found,) = whole
    motion = motion_of(found, scales.rad_per_unit, _known(asked, columns), where=where)
    assert motion.angle_rad is not None
    return Trace(found.time_s, motion.angle_rad, found.torque * scales.nm_per_unit, unit_of)


def _timed(table: Table, columns: Mapping[str, Chosen]) -> bool:
    """Whether the time is a time of day."""
    return "time" in columns and table.dialect.stamps[columns["time"].at]


def _plan(
    table: Table, columns: Mapping[str, Chosen], asked: Asked, period: float | None, kept_max: int
) -> Plan:
    """How pieces become samples; of a part of a file nobody knows how many rows it has."""
    unit = columns["time"].unit if "time" in columns else None
    return Plan(
        roles=tuple(columns),
        time_factor=1.0 if unit is None else unit.factor,
        rate_hz=asked.rate_hz,
        period=period,
        start_s=asked.start_s,
        stop_s=asked.stop_s,
        rows=table.rows if asked.start_s is None and asked.stop_s is None else 1,
        levels=_levels(table, columns),
        kept_max=kept_max,
        stamps=_timed(table, columns),
    )


def _columns(table: Table, asked: Asked) -> dict[str, Chosen]:
    """What is read: torque, time unless a rate is given, and whatever says the angle."""
    where, dialect = str(table.path), table.dialect
    wanted = ["torque"] if asked.rate_hz else ["time", "torque"]
    given = {role for role in asked.columns if role not in {"time", "torque"}}
    if not given and asked.rpm is None:
        wanted.append("angle")
    if asked.rate_hz and "time" in asked.columns:
        raise TableError(f"{where}: --rate and --time both say when a sample was; give one of them")
    if asked.rate_hz and dialect.columns == 1 and "torque" not in asked.columns:
        return {"torque": Chosen(0, dialect.units[0])}
    found = chosen_columns(dialect, asked.columns, wanted, where=where)
    if "angle" not in found and not given and asked.rpm is None:
        for pair in (("a", "b"), ("sine", "cosine"), ("index",)):
            more = chosen_columns(dialect, asked.columns, [*wanted, *pair], where=where)
            if all(role in more for role in pair):
                found = more
                break
    for role in wanted[: 1 if asked.rate_hz else 2]:
        if role not in found:
            raise missing_column(dialect, role, where=where)
    return found


def _known(asked: Asked, columns: Mapping[str, Chosen]) -> Asked:
    """What was asked, with the roles that were found, so that the angle is looked for where it is."""
    return msgspec.structs.replace(asked, columns={role: str(each.at + 1) for role, each in columns.items()})


def _scales(columns: Mapping[str, Chosen], asked: Asked, where: str, *, timed: bool) -> Scales:
    torque, angle = columns["torque"].unit, columns["angle"].unit if "angle" in columns else None
    nm_per_unit, said = _torque_scale(torque, asked, where)
    if "time" in columns and columns["time"].unit is None and not timed:
        said = (*said, SECONDS)
    if "a" in columns:
        return Scales(nm_per_unit, RADIANS_OF_TURN / _counts(asked, where, "A and B"), None, said)
    if "angle" not in columns:
        return Scales(nm_per_unit, 1.0, None, said)
    if angle is None and asked.counts is None:
        raise TableError(
            f"{where}: the unit of the angle is not known; give --angle NAME:deg, NAME:rad or NAME:turns, or --counts of one turn"
        )
    if angle is None or angle.of == COUNT:
        rad = RADIANS_OF_TURN / _counts(asked, where, "an angle in counts")
        return Scales(nm_per_unit, rad, RADIANS_OF_TURN / rad, said)
    if angle.of != ANGLE:
        raise TableError(
            f"{where}: {angle.text} is no unit of an angle; give --angle NAME:deg, NAME:rad, NAME:turns or NAME:counts"
        )
    return Scales(nm_per_unit, angle.factor, RADIANS_OF_TURN / angle.factor, said)


def _counts(asked: Asked, where: str, what: str) -> int:
    if asked.counts is None:
        raise TableError(
            f"{where}: {what} need --counts, the counts of one turn (four for each line of A and B)"
        )
    return asked.counts


def _torque_scale(unit: Unit | None, asked: Asked, where: str) -> tuple[float, tuple[str, ...]]:
    """N·m per unit of the column."""
    if unit is not None and unit.of == TORQUE:
        if asked.factor is not None:
            raise TableError(
                f"{where}: the torque is in {unit.text} already; leave --factor out, or give --torque NAME:V where it is a voltage"
            )
        return unit.factor, ()
    if unit is not None and unit.of not in {VOLTAGE, RATIO}:
        raise TableError(
            f"{where}: {unit.text} is no unit of a torque; give --torque NAME:V, NAME:mV, NAME:mV/V or NAME:Nm"
        )
    if asked.factor is None:
        what = "the torque has no unit" if unit is None else f"the torque is in {unit.text}"
        per = "mV/V" if unit is not None and unit.of == RATIO else "V"
        raise TableError(
            f"{where}: {what}; give --factor, N·m per {per}, or --torque NAME:Nm where it is in N·m"
        )
    if unit is None:
        return asked.factor, (
            f"The torque column names no unit: V are assumed, times {number(asked.factor)} N·m/V; --torque NAME:mV says otherwise.",
        )
    return asked.factor * unit.factor, ()


def _levels(table: Table, columns: Mapping[str, Chosen]) -> dict[str, tuple[float, float]]:
    """Lowest and highest value of the columns of which edges are wanted: one reading of the file more, before the other."""
    roles = [role for role in EDGES if role in columns and not (role == "sine" and "cosine" in columns)]
    if not roles:
        return {}
    low, high = np.full(len(roles), np.inf), np.full(len(roles), -np.inf)
    for piece in table.pieces([columns[role].at for role in roles]):
        if len(piece.values):
            low = np.fmin(low, np.fmin.reduce(piece.values, axis=0))
            high = np.fmax(high, np.fmax.reduce(piece.values, axis=0))
    flat = [role for at, role in enumerate(roles) if not high[at] > low[at]]
    if flat:
        raise TableError(f"{table.path}: the column of --{flat[0]} never changes; give another column")
    return {role: (float(low[at]), float(high[at])) for at, role in enumerate(roles)}
