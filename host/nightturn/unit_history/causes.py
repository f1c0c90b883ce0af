"""What a change is consistent with: the cycles before it against those since, as plain values for the table of causes."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from nightturn.estimation.bearings import declared_bearings
from nightturn.estimation.figures import BREAKAWAY, COGGING_PP, FRICTION, MEAN_TORQUE, RIPPLE_PP, ZERO
from nightturn.estimation.symptoms import COGGING
from nightturn.evidence import features as kinds
from nightturn.evidence.cycle_values import CycleValues, Declared, DefectValue, OrderValue, Value
from nightturn.evidence.features import Features
from nightturn.evidence.from_cycles import UNSOUND_JUMPS, features_of
from nightturn.evidence.judge import Finding, causes
from nightturn.fixture.stream import RunSettings
from nightturn.model.clocks import NS_PER_S
from nightturn.model.figures import OK
from nightturn.model.phases import SLOW_TURN
from nightturn.unit_history.nights import Night

LINE_TURNS, DEFECT_TURNS = 2, 3
"""Turns from which on a cycle is searched for lines between whole orders, and for deviations at one angle."""
CYCLES = 20
"""So many cycles before the change are held against as many of the newest."""
SIGNS = ("railed", "jumps")
BAD_LEAST = 3
"""Cycles with a bad signal from which on it is no accident."""
FIGURES = {
    kinds.FRICTION: FRICTION,
    kinds.BREAKAWAY: BREAKAWAY,
    kinds.ZERO: ZERO,
    kinds.MEAN_TORQUE: MEAN_TORQUE,
    kinds.RIPPLE: RIPPLE_PP,
    kinds.COGGING: COGGING_PP,
}
TEMPERATURE, DEGC = "temp_", "_degc"


def causes_since(night: Night, rows: pd.DataFrame, changed_ts: int) -> tuple[Features, tuple[Finding, ...]]:
    """Features and findings for a change in a night; `rows` are its cycles with all their columns, in order of time."""
    complete = rows[rows["status"] == OK]
    begins = complete["ts_start"].astype("int64").to_numpy()
    before = complete[begins < changed_ts].tail(CYCLES)
    now = complete[begins >= changed_ts].tail(CYCLES)
    found = features_of(_values(before), _values(now), declared_of(night.settings))
    return found, causes(found)


def bad_signal_ts(night: Night) -> int | None:
    """When the first cycle of a night began whose torque signal railed or jumped, ns since 1970 UTC; None with fewer than `BAD_LEAST` of them.

    Such cycles are not judged, so no figure changes with them.
    """
    cycles = night.cycles
    railed, jumps = (pd.to_numeric(cycles[name]).fillna(0) for name in SIGNS)
    begins = cycles["ts_start"][(railed > 0) | (jumps >= UNSOUND_JUMPS)]
    return int(begins.astype("int64").min()) if len(begins) >= BAD_LEAST else None


def declared_of(settings: RunSettings) -> Declared:
    """What is known of unit and rig."""
    own, rigs = declared_bearings(settings.variant.bearing), declared_bearings(settings.fixture.bearing)
    return Declared(
        settings.variant.pole_pairs,
        settings.variant.slots,
        (*((f"{name} of the unit", order) for name, order in own), *rigs),
    )


def _values(rows: pd.DataFrame) -> tuple[CycleValues, ...]:
    return tuple(
        cycle_values({str(name): value for name, value in row.items()}) for row in rows.to_dict("records")
    )


def cycle_values(row: Mapping[str, Any]) -> CycleValues:
    """A stored cycle as plain values; a column that an earlier version did not write was not looked for."""
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
            if name.startswith(TEMPERATURE) and name.endswith(DEGC) and _number(value) is not None
        },
        railed=_whole(row.get("railed")),
        jumps=_whole(row.get("jumps")),
        coverage=float(row["coverage"]),
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
