"""Cycle records as evidence takes them, with what their figures say in words: rails, jumps, lines and deviations at one angle."""

import re
from collections.abc import Sequence
from typing import NamedTuple

from nightturn.evidence.cycle_values import CycleValues, DefectValue, OrderValue, Value
from nightturn.evidence.features import BREAKAWAY, COGGING, FRICTION, MEAN_TORQUE, RIPPLE, ZERO
from nightturn.model.figures import OK, CycleRecord, Figure

FIGURE_OF_KIND = {
    FRICTION: "friction_nm",
    BREAKAWAY: "breakaway_nm",
    ZERO: "zero_nm",
    MEAN_TORQUE: "mean_torque_nm",
    RIPPLE: "ripple_pp_nm",
    COGGING: "cogging_pp_nm",
}
LINE_TURNS, DEFECT_TURNS = 4, 3
"""Turns of all slow passes from which on they are searched for lines between whole orders, and for deviations at one angle. A line needs two
turns of one pass; four turns in at most three passes have them, three may not."""
NS_PER_S = 1e9

NM = {"N·m": 1.0, "mN·m": 1e-3, "µN·m": 1e-6}
NUMBER = r"(−?[\d.]+)"
UNIT = "(N·m|mN·m|µN·m)"
RAILED = re.compile(r"^Torque signal at the end of its range \((\d+) samples\)")
JUMPED = re.compile(r"^The torque signal jumped (\d+) times")
APART = re.compile(r"^Torque at order (.+) does not repeat from turn to turn")
ONE_APART = re.compile(rf"{NUMBER} \({NUMBER} {UNIT} peak\)")
UNSETTLED = re.compile(rf"^Torque at order (\d+) changes from turn to turn.* up to {NUMBER} {UNIT} peak")
DEVIATION = re.compile(rf"^A deviation of {NUMBER} {UNIT} at {NUMBER}°")


class Noted(NamedTuple):
    """What sentences of figures say: railed samples, jumps, lines between whole orders, deviations at one angle."""

    railed: int
    jumps: int
    lines: tuple[OrderValue, ...]
    defects: tuple[DefectValue, ...]


def noted(reasons: Sequence[str]) -> Noted:
    """What is said in the reasons of a ripple and a cogging, of a record or of a stored row."""
    railed = sum(int(found[1]) for each in reasons if (found := RAILED.match(each)))
    jumps = sum(int(found[1]) for each in reasons if (found := JUMPED.match(each)))
    lines = []
    for each in reasons:
        if found := APART.match(each):
            lines += [OrderValue(_number(order), _nm(*size)) for order, *size in ONE_APART.findall(found[1])]
        elif found := UNSETTLED.match(each):
            lines.append(OrderValue(float(found[1]), _nm(found[2], found[3])))
    defects = tuple(
        DefectValue(_number(found[3]), _nm(found[1], found[2]))
        for each in reasons
        if (found := DEVIATION.match(each))
    )
    return Noted(railed, jumps, tuple(lines), defects)


def values_of(record: CycleRecord) -> CycleValues:
    """A record as evidence takes it; what it cannot say (angles of jumps, findings of the encoder, lag) stays "not looked for"."""
    by_name = {each.name: each for each in record.figures}
    waveforms = [by_name.get(FIGURE_OF_KIND[kind]) for kind in (RIPPLE, COGGING)]
    ripple, cogging = (each if each is not None and each.value is not None else None for each in waveforms)
    searched = [each for each in (ripple, cogging) if each is not None]
    said = noted([reason for each in searched for reason in each.reasons])
    of_cogging = noted(cogging.reasons if cogging is not None else ())
    bands = [each.band[1] for each in searched if each.band is not None]
    turns = 0 if cogging is None else cogging.n
    return CycleValues(
        start_s=record.ts_start / NS_PER_S,
        direction=record.direction,
        speed_rpm=abs(record.speed_rpm),
        setpoint_nm=abs(record.setpoint_nm),
        figures={
            kind: _value(by_name[name])
            for kind, name in FIGURE_OF_KIND.items()
            if _believed(by_name.get(name))
        },
        hold_orders=None if ripple is None else _orders(record.orders),
        cogging_orders=None if cogging is None else _orders(record.cogging_orders),
        highest_order=min(bands, default=0),
        lines=of_cogging.lines if turns >= LINE_TURNS else None,
        defects=of_cogging.defects if turns >= DEFECT_TURNS else None,
        temperatures_degc=dict(record.temperatures_degc),
        railed=said.railed if searched else None,
        jumps=said.jumps if searched else None,
        coverage=record.coverage,
    )


def _believed(figure: Figure | None) -> bool:
    return figure is not None and figure.status == OK and figure.value is not None


def _value(figure: Figure) -> Value:
    """A figure by its own part of the uncertainty; what all cycles share leaves a comparison."""
    u, nu = (figure.u_rep, figure.nu_rep) if figure.u_rep is not None else (figure.u, figure.nu)
    return Value(float(figure.value or 0.0), u or 0.0, nu or 1.0, figure.u_common)


def _orders(table: Sequence[tuple[int, float, float, float]]) -> tuple[OrderValue, ...]:
    return tuple(OrderValue(*row) for row in table)


def _number(text: str) -> float:
    return float(text.replace("−", "-"))


def _nm(number: str, unit: str) -> float:
    return _number(number) * NM[unit]
