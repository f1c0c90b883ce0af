"""What a change is consistent with: the cycles before it against those since, as plain values for the table of causes."""

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pandas as pd

from nightturn.estimation.figures import COGGING_PP, RIPPLE_PP
from nightturn.estimation.symptoms import COGGING
from nightturn.evidence.cycle_values import CycleValues, Declared, DefectValue, OrderValue, Value
from nightturn.model.clocks import NS_PER_S
from nightturn.model.figures import OK
from nightturn.model.phases import SLOW_TURN
from nightturn.model.tiles import Int64s
from nightturn.model.trends import Because
from nightturn.storage.datasets import TEMPERATURE_ROLES
from nightturn.storage.reader import Run
from nightturn.trend.causes import (
    CYCLES,
    DEFECT_TURNS,
    FIGURES,
    LINE_TURNS,
    Kept,
    Window,
    because,
    declared_of,
    encoder_findings,
    has_reference,
    window_of,
)
from nightturn.trend.course import Course
from nightturn.trend.unchanged import bad_since, is_bad, signal_because, temperature_because
from nightturn.unit_history.nights import Night, ns_of

TEMPERATURE, DEGC = "temp_", "_degc"
COLUMNS = [
    "epoch", "cycle_no", "status", "direction", "ts_start", "speed_rpm", "setpoint_nm", "coverage", "railed", "jumps", "reasons", "orders",
    "cogging_orders", "lines", "defects", f"{COGGING_PP}_n_rev", *(f"{name}_band_high" for name in (RIPPLE_PP, COGGING_PP)),
    *(f"{name}{part}" for name in FIGURES.values() for part in ("", "_status", "_u_rep", "_nu_rep", "_u_common")),
    *(f"{TEMPERATURE}{role}{DEGC}" for role in TEMPERATURE_ROLES),
]  # fmt: skip
"""Of a stored cycle, that causes are asked of; a frame may have temperatures of more places."""
_WANTED = frozenset(COLUMNS)
EPOCHS_MAX = 1 << 31
"""Below it are the numbers of the epochs of a night."""
SIGNS = ("railed", "jumps")


def stored_rows(root: Path, night: Night) -> pd.DataFrame:
    """A night's cycles with `COLUMNS` below a data root, in order of time.

    Raises:
        StorageError: they cannot be read.
    """
    rows = Run(root, night.place.fixture, night.run).cycles(COLUMNS)
    rows.attrs = {}  # units, which pandas would copy with each step from here on
    return rows.sort_values("ts_start", kind="stable", ignore_index=True)


def complete_begins(nights: Sequence[Night]) -> list[Int64s]:
    """When the complete cycles of each night began (n,), ns since 1970 UTC."""
    return [
        ns_of(each.cycles["ts_start"])[each.cycles["status"].to_numpy() == OK]
        if len(each.cycles)
        else np.empty(0, np.int64)
        for each in nights
    ]


def because_of(
    course: Course,
    place: int,
    nights: Sequence[Night],
    begins: Sequence[Int64s],
    rows_of: Callable[[Night], pd.DataFrame],
) -> Because:
    """What a change of a course is consistent with, by the cycles of its mounting in whichever night they are; `begins` as `complete_begins` gives them.

    Raises:
        StorageError: the rows of a night cannot be read.
    """
    window = window_of(course, place)
    wanted = _wanted(range(int(course.series.night[0]), int(course.series.night[-1]) + 1), begins, window)
    kept = [
        each for number, since in wanted.items() for each in kept_of(rows_of(nights[number]), number, since)
    ]
    settings = nights[max(wanted)].settings
    declared = declared_of(settings.variant, settings.fixture.bearing)
    return because(kept, window, declared, referenced=has_reference(settings.fixture.encoder))


def _wanted(numbers: Sequence[int], begins: Sequence[Int64s], window: Window) -> dict[int, list[int]]:
    """The nights with the cycles that are compared, in order, and when those began."""
    wanted: dict[int, list[int]] = {numbers[-1]: []}
    for low, high in ((window.since, window.first), (window.last, window.until)):
        left = CYCLES
        for number in reversed(numbers):
            inside = begins[number][(begins[number] >= low) & (begins[number] < high)][-left:]
            if len(inside):
                wanted.setdefault(number, []).extend(inside.tolist())
            left -= len(inside)
            if left == 0:
                break
    return dict(sorted(wanted.items()))


def bad_signal_ts(night: Night) -> int | None:
    """When the first cycle of a night began whose torque signal railed or jumped, as `unchanged.bad_since` says it."""
    cycles = night.cycles
    railed, jumps = (pd.to_numeric(cycles[name]).fillna(0).tolist() for name in SIGNS)
    bad = np.array([is_bad(*each) for each in zip(railed, jumps, strict=True)], np.bool_)
    return bad_since(ns_of(cycles["ts_start"]), bad)


def because_of_signal(night: Night, rows: pd.DataFrame, bad_ts: int) -> Because | None:
    """As `unchanged.signal_because`, by the stored cycles of a night."""
    declared, referenced = _known(night)
    return signal_because(kept_of(rows, 0), bad_ts, declared, referenced=referenced)


def because_of_temperature(night: Night, rows: pd.DataFrame, window: Window) -> Because | None:
    """As `unchanged.temperature_because`, by the stored cycles of a night."""
    declared, referenced = _known(night)
    return temperature_because(kept_of(rows, 0), window, declared, referenced=referenced)


def _known(night: Night) -> tuple[Declared, bool]:
    """What is declared, and whether the encoder finds its zero again after a boot."""
    settings = night.settings
    return declared_of(settings.variant, settings.fixture.bearing), has_reference(settings.fixture.encoder)


def kept_of(rows: pd.DataFrame, night: int, begun: Collection[int] | None = None) -> list[Kept]:
    """The complete cycles of a night, whose `rows` have `COLUMNS` and lie in order of time, as causes are asked of; of some, those that began then."""
    if rows.empty:
        return []
    findings = np.cumsum([encoder_findings(each) for each in _reasons(rows)])
    starts, complete = ns_of(rows["ts_start"]), np.flatnonzero((rows["status"] == OK).to_numpy())
    since = np.diff(findings[complete], prepend=0)
    chosen = np.ones(len(complete), np.bool_) if begun is None else np.isin(starts[complete], list(begun))
    found = list[Kept]()
    for row, behind in zip(_dicts(rows, complete[chosen]), since[chosen], strict=True):
        values = cycle_values(row, int(behind))
        boot = night * EPOCHS_MAX + int(row["epoch"])
        ts = pd.Timestamp(row["ts_start"]).value
        found.append(Kept(int(row["cycle_no"]), ts, boot, msgspec.msgpack.encode(values)))
    return found


def _dicts(rows: pd.DataFrame, places: Int64s) -> Iterator[dict[str, Any]]:
    """Some rows by column, which takes a tenth of what pandas takes for rows of mixed types."""
    names = [name for name in rows.columns.astype(str) if name in _WANTED or _is_temperature(name)]
    cells = [rows[name].iloc[places].tolist() for name in names]
    return (dict(zip(names, row, strict=True)) for row in zip(*cells, strict=True))


def _is_temperature(name: str) -> bool:
    return name.startswith(TEMPERATURE) and name.endswith(DEGC)


def _reasons(rows: pd.DataFrame) -> list[Sequence[str]]:
    """Of each cycle; none of one that an earlier version wrote without."""
    if "reasons" not in rows:
        return [()] * len(rows)
    return [list(each) if isinstance(each, list | np.ndarray) else () for each in rows["reasons"]]


def cycle_values(row: Mapping[str, Any], findings: int) -> CycleValues:
    """A stored cycle as plain values, with the findings of the encoder before it; a column that an earlier version did not write was not looked for."""
    turns = _whole(row.get(f"{COGGING_PP}_n_rev")) or 0
    bands = [_whole(row.get(f"{name}_band_high")) for name in (RIPPLE_PP, COGGING_PP) if _has(row, name)]
    return CycleValues(
        start_s=pd.Timestamp(row["ts_start"]).value / NS_PER_S,
        direction=int(row["direction"]),
        speed_rpm=abs(float(row["speed_rpm"])),
        setpoint_nm=abs(float(row["setpoint_nm"])),
        figures={kind: value for kind, name in FIGURES.items() if (value := _figure(row, name)) is not None},
        hold_orders=_orders(row.get("orders")) if _has(row, RIPPLE_PP) else None,
        cogging_orders=_orders(row.get("cogging_orders")) if _has(row, COGGING_PP) else None,
        highest_order=min((band for band in bands if band is not None), default=0),
        lines=_lines(row.get("lines")) if turns >= LINE_TURNS else None,
        defects=_defects(row.get("defects")) if turns >= DEFECT_TURNS else None,
        temperatures_degc={
            name.removeprefix(TEMPERATURE).removesuffix(DEGC): float(value)
            for name, value in row.items()
            if _is_temperature(name) and _number(value) is not None
        },
        railed=_whole(row.get("railed")),
        jumps=_whole(row.get("jumps")),
        coverage=float(row["coverage"]),
        encoder_findings=findings,
    )


def _has(row: Mapping[str, Any], name: str) -> bool:
    """Whether a figure was worked out, believed or not."""
    return _number(row.get(name)) is not None


def _figure(row: Mapping[str, Any], name: str) -> Value | None:
    value, status = row.get(name), row.get(f"{name}_status")
    if status != OK or value is None or not np.isfinite(value):
        return None
    u, nu, common = (_number(row.get(f"{name}_{part}")) for part in ("u_rep", "nu_rep", "u_common"))
    return Value(float(value), u or 0.0, max(nu or 1.0, 1.0), common or 0.0)


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float | np.number) and np.isfinite(value) else None


def _whole(value: object) -> int | None:
    found = _number(value)
    return None if found is None else int(found)


def _rows(table: object) -> list[Mapping[str, Any]] | None:
    return list(table) if isinstance(table, list | np.ndarray) else None


def _orders(table: object) -> tuple[OrderValue, ...] | None:
    rows = _rows(table)
    return (
        None
        if rows is None
        else tuple(
            OrderValue(float(row["order"]), row["amplitude_nm"], row["phase_rad"], row["u_nm"])
            for row in rows
        )
    )


def _lines(table: object) -> tuple[OrderValue, ...] | None:
    """Those of the unpowered passes, in which no current stands beside them."""
    rows = _rows(table)
    if rows is None:
        return None
    return tuple(OrderValue(row["order"], row["amplitude_nm"]) for row in rows if row["phase"] == SLOW_TURN)


def _defects(table: object) -> tuple[DefectValue, ...] | None:
    """Those of the cogging, for the same reason."""
    rows = _rows(table)
    if rows is None:
        return None
    return tuple(DefectValue(row["angle_deg"], row["height_nm"]) for row in rows if row["figure"] == COGGING)
