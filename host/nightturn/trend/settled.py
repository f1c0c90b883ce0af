"""Which cycles of a series can be compared: warmed up, in stretches without a gap, and not more than can be judged at once."""

import numpy as np

from nightturn.estimation.turns import Bools
from nightturn.model.clocks import NS_PER_S
from nightturn.model.tiles import Float64s, Int64s
from nightturn.trend.block_means import GAP_STEPS
from nightturn.trend.series import Series

LIMIT_K = 0.5
WINDOW_H = 1.0
"""Warmed up is a unit whose temperature has kept within this range for this long: 0.5 K an hour (common practice, no source)."""
SWEEP_K = 1.0
"""So much up and down again tells temperature from wear (common practice, no source)."""
POINTS = 300
"""Of a longer series, means of neighbouring cycles are judged."""
NS_PER_H = 3600 * NS_PER_S


def hours_of(series: Series) -> Float64s:
    """Hours since its first cycle (n,)."""
    return np.asarray((series.ts - series.ts[0]) / NS_PER_H if len(series.ts) else np.empty(0))


def settled(series: Series) -> Bools:
    """Which cycles (n,) ran with the unit warmed up; all of them where no temperature was read."""
    hours, degc = hours_of(series), series.degc
    if not np.isfinite(degc).all():
        return np.ones(len(degc), np.bool_)
    first = np.searchsorted(series.night, series.night, side="left")
    begins = np.maximum(np.searchsorted(hours, hours - WINDOW_H, side="left"), first)
    long = hours - hours[first] >= WINDOW_H
    moved = [np.ptp(degc[start : at + 1]) for at, start in enumerate(begins.tolist())]
    return np.asarray(long & (np.array(moved, np.float64).reshape(len(degc)) <= LIMIT_K))


def swept(degc: Float64s) -> bool:
    """Whether a temperature (n,) both rose and fell by `SWEEP_K`: one way alone, it cannot be told from wear and running in."""
    rise = np.max(degc - np.minimum.accumulate(degc))
    fall = np.max(np.maximum.accumulate(degc) - degc)
    return bool(min(rise, fall) >= SWEEP_K)


def breaks_of(series: Series) -> Int64s:
    """Places at which another stretch begins: a night, or a step in time or strokes much longer than the others."""
    breaks = np.diff(series.night) > 0
    for steps in (np.diff(series.ts).astype(np.float64), np.diff(series.strokes)):
        for _ in range(len(steps)):  # without a long step the usual one may be shorter
            usual = float(np.median(steps[~breaks])) if not breaks.all() else np.inf
            more = breaks | (steps > GAP_STEPS * usual if usual > 0 else steps > 0)
            if (more == breaks).all():
                break
            breaks = more
    return np.asarray(np.flatnonzero(breaks) + 1)


def thinned(series: Series) -> Series:
    """The series itself, or means of so many neighbouring cycles of a night that no more than `POINTS` are left or one a night."""
    length = -(-len(series.value) // POINTS)
    if length < 2:
        return series
    place = np.arange(len(series.value)) - np.searchsorted(series.night, series.night, side="left")
    starts = np.flatnonzero(place % length == 0)
    counts = np.diff(np.append(starts, len(place)))

    def mean(values: Float64s) -> Float64s:
        return np.asarray(np.add.reduceat(values, starts) / counts)

    return Series(
        series.figure,
        series.direction,
        mean(series.strokes),
        series.ts[starts],
        mean(series.value),
        np.sqrt(mean(series.u**2) / counts),
        mean(series.degc),
        series.stretch[starts],
        series.night[starts],
        series.cycle_no[starts],
        series.left_out,
    )
