"""What temperature explains: of friction, and whether it goes to and fro by itself."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from nightturn.estimation.least_squares import fit
from nightturn.evidence.chances import NU_MAX
from nightturn.evidence.comparing import Change, Point, change_of, combined

FRICTION_PER_K, FRICTION_PER_K_U = -0.008, 0.003
"""Of friction, and what is not known of it before anything was measured (from memory)."""
OWN_MIN = 4
"""Cycles of a group that its own slope needs."""
TEMPERATURE_U_K = 0.3
"""Between a sensor and the place that it speaks for, from one night to another (common practice, no source)."""
ALIKE = 2.0
"""By how much neighbours that are alike widen the variance of a slope; 2.3 at a correlation of 0.4 in both (assumption)."""
ROLES = ("bearing", "housing", "winding", "ambient")
"""Which sensor speaks for the bearings, the nearest first."""
BRIDGE_ROLES = ("bridge", "ambient")
SWINGS_MIN = 3
"""Whole swings that must have been seen."""
SWING_CYCLES_MIN = 3
"""Cycles in a swing."""
SWING_SHARE = 0.5
"""Of what the temperature does, that one period must explain."""
SWING_MIN_K = 0.2
TRIALS_PER_LINE = 4


class Swing(NamedTuple):
    """A temperature to and fro: half of it, K, its period, s, and the chance of as much in noise."""

    half_k: float
    period_s: float
    chance: float


class Slope(NamedTuple):
    """Of a friction, N·m/K, its standard uncertainty and degrees of freedom."""

    per_k: float
    u: float
    nu: float


def beyond_temperature(
    before: tuple[Sequence[Point], Sequence[float]], now: tuple[Sequence[Point], Sequence[float]]
) -> Change | None:
    """The change of friction that temperature does not explain; each group is its friction and its temperatures °C.

    The slope is that within the groups, weighed with what was known before by inverse variances.
    """
    levels = [sum(each.value for each in points) / len(points) for points, _ in (before, now) if points]
    if len(levels) < 2:
        return None
    prior, prior_u = FRICTION_PER_K * levels[0], FRICTION_PER_K_U * abs(levels[0])
    weight, total = 1 / prior_u**2 if prior_u else 0.0, prior / prior_u**2 if prior_u else 0.0
    for points, temperatures in (before, now):
        own = own_slope(points, temperatures)
        if own is not None:
            weight, total = weight + 1 / own.u**2, total + own.per_k / own.u**2
    if not weight:
        return None
    slope, slope_u = total / weight, weight**-0.5
    at = float(np.mean(before[1]))
    level = [
        [
            each._replace(value=each.value - slope * (degc - at))
            for each, degc in zip(points, temperatures, strict=True)
        ]
        for points, temperatures in (before, now)
    ]
    change = change_of(*level)
    if change is None:
        return None
    warmer_k = float(np.mean(now[1])) - at
    doubt = (slope_u * abs(warmer_k), NU_MAX), (abs(slope) * TEMPERATURE_U_K, NU_MAX)
    u, nu = combined((change.u, change.nu), *doubt)
    return change._replace(u=u, nu=nu)


def swing_of(starts_s: Sequence[float], temperatures: Sequence[float]) -> Swing | None:
    """The strongest period of a temperature beside its straight course; None where there is none of that length.

    The chance is that of Lomb and Scargle's periodogram with as many trials as lines (J. D. Scargle, Astrophysical Journal 263,
    1982, 835-853; from memory).
    """
    times, values = np.asarray(starts_s, float), np.asarray(temperatures, float)
    if len(times) < SWINGS_MIN * SWING_CYCLES_MIN or not np.isfinite(values).all():
        return None
    span = float(times[-1] - times[0]) * len(times) / (len(times) - 1)
    lines = len(times) // SWING_CYCLES_MIN - SWINGS_MIN + 1
    if lines < 1 or span <= 0:
        return None
    even, line = np.ones(len(times)), np.column_stack((np.ones(len(times)), times - times.mean()))
    left = values - line @ fit(line, values, even).x
    squares = float(left @ left)
    if squares <= 0:
        return None
    best = (0.0, 0.0, 0.0)
    for turns in np.linspace(SWINGS_MIN, SWINGS_MIN + lines - 1, (lines - 1) * TRIALS_PER_LINE + 1):
        wave = 2 * np.pi * turns * (times - times[0]) / span
        columns = np.stack([np.cos(wave), np.sin(wave)], axis=1)
        fitted = fit(columns, left, even).x
        share = float(fitted @ columns.T @ left) / squares
        best = max(best, (share, span / turns, float(np.hypot(*fitted))))
    share, period_s, half_k = best
    chance = min(lines * (1 - min(share, 1.0)) ** ((len(times) - 4) / 2), 1.0)
    return Swing(half_k, period_s, chance) if share >= SWING_SHARE and half_k >= SWING_MIN_K else None


def own_slope(points: Sequence[Point], temperatures: Sequence[float]) -> Slope | None:
    """The slope within a group of cycles; None where they do not show one."""
    if len(points) < OWN_MIN:
        return None
    degc, level = np.asarray(temperatures, float), np.array([each.value for each in points])
    if not (np.isfinite(degc).all() and np.isfinite(level).all()):
        return None
    warm = degc - degc.mean()
    square = float(warm @ warm)
    if square <= 0:
        return None
    slope = float(warm @ level) / square
    left = level - level.mean() - slope * warm
    scatter = float(left @ left) / (len(points) - 2)
    own = float(np.mean([each.u**2 for each in points]))
    # Neighbours are alike: twice the variance of white noise.
    u = (ALIKE * max(scatter, own) / square) ** 0.5
    return Slope(slope, u, (len(points) - 2) / ALIKE) if u > 0 else None
