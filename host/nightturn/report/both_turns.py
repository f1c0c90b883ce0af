"""The turns of two runs: their means, begun at one place of the rotor where a mark or one mounting says which, and where they differ most."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from nightturn.estimation.curves import BACK, FORWARD
from nightturn.model.clocks import NS_PER_S
from nightturn.model.phases import HOLD
from nightturn.model.quantities import number, quantity
from nightturn.model.tiles import Float64s
from nightturn.report.marked import NO_MARK, from_mark, mark_of
from nightturn.report.night import ReportNight

S_PER_H = 3600.0


@dataclass(frozen=True, slots=True)
class Means:
    """Torque over the turn and orders, each as the mean of a run's cycles; empty where there is none."""

    forward_nm: Float64s
    back_nm: Float64s
    amplitude_nm: Float64s
    amplitude_u_nm: Float64s


@dataclass(frozen=True, slots=True)
class BothTurns:
    """Means of both runs; what is said of their angles, and from where they count."""

    one: Means
    other: Means
    words: str
    foot: str


def turns_of(one: ReportNight, other: ReportNight, last_h: float | None) -> BothTurns:
    """Both turns; between two mountings each from the rotor's mark on, where both cards name it.

    Args:
        one: a run.
        other: another.
        last_h: only cycles of the last hours of each.
    """
    ours, theirs = means_of(one, last_h), means_of(other, last_h)
    remounted = _mounting(one) != _mounting(other)
    marks = (mark_of(one.settings), mark_of(other.settings))
    if remounted and marks[0] is not None and marks[1] is not None:
        ours, theirs = _from_mark(ours, marks[0]), _from_mark(theirs, marks[1])
    why = _not_held(one, other, ours, theirs, tied=not remounted or None not in marks)
    if why:
        return BothTurns(ours, theirs, f"angles are not compared: {why}", "angle, each from its own zero")
    foot = "angle from the mark of each rotor" if remounted else "angle from the index mark"
    return BothTurns(
        ours, theirs, _most(ours, theirs, " from the mark of each rotor" if remounted else ""), foot
    )


def cycle_numbers(night: ReportNight, last_h: float | None) -> frozenset[int]:
    """Which cycles are looked at."""
    ended = night.ended_ts
    if last_h is None or not len(ended):
        return frozenset(night.cycles["cycle_no"].tolist())
    late = ended > int(ended[-1]) - round(last_h * S_PER_H * NS_PER_S)
    return frozenset(night.cycles["cycle_no"][late].tolist())


def _mounting(night: ReportNight) -> tuple[str, str, str]:
    card = night.settings.card
    return night.run.fixture, card.unit, card.mounted_utc


def means_of(night: ReportNight, last_h: float | None) -> Means:
    """Torque over the turn and the orders of the hold, as means over the cycles."""
    curves = night.curves[night.curves["cycle_no"].isin(cycle_numbers(night, last_h))]
    turns = {leg: _stacked(curves, leg, "torque_nm") for leg in (FORWARD, BACK)}
    amplitude = _stacked(curves, HOLD, "amplitude_nm")
    count = len(amplitude)
    u = amplitude.std(axis=0, ddof=1) / np.sqrt(count) if count > 1 else np.full(amplitude.shape[1:], np.nan)
    return Means(
        turns[FORWARD].mean(axis=0) if len(turns[FORWARD]) else np.empty(0),
        turns[BACK].mean(axis=0) if len(turns[BACK]) else np.empty(0),
        amplitude.mean(axis=0) if count else np.empty(0),
        np.asarray(u, np.float64) if count else np.empty(0),
    )


def _stacked(curves: pd.DataFrame, leg: str, column: str) -> Float64s:
    rows = [np.asarray(each, np.float64) for each in curves[curves["leg"] == leg][column] if len(each)]
    points = max((len(each) for each in rows), default=0)
    return np.array([each for each in rows if len(each) == points], np.float64).reshape(-1, points)


def _from_mark(means: Means, mark_deg: float) -> Means:
    return replace(
        means, forward_nm=from_mark(means.forward_nm, mark_deg), back_nm=from_mark(means.back_nm, mark_deg)
    )


def _not_held(one: ReportNight, other: ReportNight, ours: Means, theirs: Means, *, tied: bool) -> str:
    """Why angles of both runs are not the same places of a rotor; empty where they are."""
    if not all(len(each) for means in (ours, theirs) for each in (means.forward_nm, means.back_nm)):
        return "a run has no whole turn in both senses"
    if "none" in {night.settings.fixture.encoder.reference for night in (one, other)}:
        return "an encoder has no index mark, so its zero is where it was switched on"
    if not tied:
        return f"between two mountings no mark ties the rotor to the encoder's zero; both are drawn from their own zero ({NO_MARK})"
    if len(ours.forward_nm) != len(theirs.forward_nm):
        return "the turns have a different number of points"
    return ""


def _most(ours: Means, theirs: Means, start: str) -> str:
    """Where friction differs most."""
    friction = [np.abs(each.back_nm - each.forward_nm) / 2 for each in (ours, theirs)]
    off = friction[0] - friction[1]
    at = int(np.nanargmax(np.abs(off)))
    return (
        f"friction differs most at {number(round((at + 0.5) * 360 / len(off), 1))}°{start}, by {quantity(float(off[at]), 'N·m', digits=3)}, "
        f"by {quantity(float(np.nanmean(off)), 'N·m', digits=3)} over the turn"
    )
