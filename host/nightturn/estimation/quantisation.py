"""What the converter's steps do to a mean: nothing beside noise of a step's size, a twelfth of its square without noise."""

import math
from collections.abc import Sequence

import numpy as np

from nightturn.estimation.folds import RAW, RAW_SQUARED, LegSums, N
from nightturn.model.tiles import Float64s

ROUNDED = 1 / math.sqrt(12)
"""Standard deviation of an error that is even over one step (JCGM 100:2008, F.2.2.1)."""
NOISELESS = 0.05
SINES = 20
"""Enough for this noise: the last is e^-20 of the first."""
NOTHING = 1e-6
"""Of a step; less is left out."""
ERROR_SINES = 12
LEVEL_SQUARED, LEVEL_BINS = 1 / 12, 40
"""Bins that the torque crosses by less than a step, or the so many that it crosses least: slope helps the noise little there, and
together they lie at many places of a step."""
_NOISES = np.linspace(0.0, 1.0, 401)


def noise_counts(legs: Sequence[LegSums]) -> float:
    """Standard deviation of single samples about the mean of their angle bin, in counts; 0 where no bin has two.

    Over all turns of a leg: noise, the torque's slope within a bin and the difference between turns all carry samples over
    the converter's steps.
    """
    squares, free = 0.0, 0
    for leg in legs:
        bins = leg.sums.sum(axis=0)
        some = bins[N] > 1
        n, raw, squared = bins[N][some].astype(np.float64), bins[RAW][some], bins[RAW_SQUARED][some]
        squares += float(np.maximum(squared - raw.astype(np.float64) ** 2 / n, 0.0).sum())
        free += int(n.sum()) - len(n)
    return math.sqrt(squares / free) if free else 0.0


def rounding_counts(noise: float) -> float:
    """Standard uncertainty, in counts, of a mean of many samples with this noise.

    Noise carries the samples over the steps, and what their rounding leaves of a mean is a series of sines over the step,
    the m-th of them exp(-2 π² m² σ²) / (π m) of a step (B. Widrow, I. Kollár, Quantization Noise, Cambridge 2008; from
    memory). Its random part is in the scatter. Without noise the error is even over one step.
    """
    if noise < NOISELESS:
        return ROUNDED
    sines = (math.exp(-2 * (math.pi * m * noise) ** 2) / m for m in range(1, SINES + 1))
    left = math.hypot(*sines) / (math.pi * math.sqrt(2))
    return left if left >= NOTHING else 0.0


def level_noise_counts(legs: Sequence[LegSums]) -> float:
    """Standard deviation, in counts, of the noise before the converter, from bins across which the torque hardly changes.

    0 where no such bin has two samples. Over all places in a step, samples with noise σ scatter about the mean of their bin by σ² + 1/12 less the square of
    `rounding_counts`: that part of the rounding is the same in all of them. What slope and bend across a bin add is taken off.
    """
    parts = [_level_bins(leg) for leg in legs]
    scatter, free = (np.concatenate([part[i] for part in parts] or [np.zeros(0)]) for i in (0, 1))
    if not free.sum():
        return 0.0
    seen = np.array([noise**2 + 1 / 12 - rounding_counts(noise) ** 2 for noise in _NOISES.tolist()])
    found = max(float((scatter * free).sum() / free.sum()), 0.0)
    if found >= seen[-1]:
        return math.sqrt(found - 1 / 12)
    return float(np.interp(found, seen, _NOISES))


def _level_bins(leg: LegSums) -> tuple[Float64s, Float64s]:
    """Scatter, in counts squared, and its degrees of freedom, of those bins of a pass across which the torque changes least."""
    bins = leg.sums.sum(axis=0)
    n, total = bins[N].astype(np.float64), (bins[RAW] - bins[N] * int(leg.raw_min)).astype(np.float64)
    squares = (bins[RAW_SQUARED] - int(leg.raw_min) * (2 * bins[RAW] - bins[N] * int(leg.raw_min))).astype(
        np.float64
    )
    mean = total / np.maximum(n, 1)
    before, after = np.roll(mean, 1), np.roll(mean, -1)
    some = (n > 1) & (np.roll(n, 1) > 0) & (np.roll(n, -1) > 0)
    rise, bend = (after - before)[some] / 2, (after - 2 * mean + before)[some]
    n, scatter = n[some], (squares - total**2 / np.maximum(n, 1))[some] / np.maximum(n[some] - 1, 1)
    changes = rise**2 / 12 + bend**2 / 720
    order = np.argsort(changes, kind="stable")
    least = order[: max(LEVEL_BINS, int(np.count_nonzero(changes < LEVEL_SQUARED)))]
    return (scatter - changes)[least], n[least] - 1


def expected_errors(noise: float, points: int) -> Float64s:
    """Mean error of rounding, in steps, at `points` places from one step's middle to the next; the series of `rounding_counts`."""
    m = np.arange(1, ERROR_SINES + 1)
    size = (-1.0) ** m * np.exp(-2 * (math.pi * m * noise) ** 2) / (math.pi * m)
    at = np.arange(points) / points
    return np.asarray(size @ np.sin(2 * math.pi * np.outer(m, at)))
