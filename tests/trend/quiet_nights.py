"""Series whose truth is known, and the product's scores and sums over many of them at once."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from nightturn.model.tiles import Float64s, Int64s
from nightturn.trend.prewhiten import PLACES, scores, with_first, with_pair
from nightturn.trend.run_length import CLIP, REFERENCE


def noise(rng: np.random.Generator, rho: Float64s | float, values: int, series: int) -> Float64s:
    """AR(1) noise (values, series) with standard deviation 1, stationary from the first value; one rho, or one a series."""
    drawn = rng.standard_normal((values, series))
    made = np.empty_like(drawn)
    made[0] = drawn[0]
    for n in range(1, values):
        made[n] = rho * made[n - 1] + np.sqrt(1.0 - np.square(rho)) * drawn[n]
    return made


def scored(values: Float64s) -> Float64s:
    """Scores (values, series) of series that are never begun anew; NaN for the first two values."""
    y = values - values[0]
    sums = with_first([np.zeros(y.shape[1]) for _ in range(PLACES)], y[0])
    made = np.full(y.shape, np.nan)
    for n in range(1, len(y)):
        if n > 1:
            made[n] = scores(sums, y[n - 1], y[n])
        sums = with_pair(sums, y[n - 1], y[n])
    return made


def alarms(given: Float64s, threshold: float, begin: int) -> Int64s:
    """Alarms of both sides at each value (values,), each of which begins its own sum anew at nothing."""
    counts = np.zeros(len(given), np.int64)
    for sign in (1.0, -1.0):
        total = np.zeros(given.shape[1])
        for n in range(begin, len(given)):
            total = np.maximum(0.0, total + np.clip(sign * given[n], -CLIP, CLIP) - REFERENCE)
            over = total > threshold
            counts[n] += over.sum()
            total[over] = 0.0
    return counts


@dataclass(frozen=True, slots=True)
class Seen:
    """Of many series with a change: alarms before it, and the delay in values of those that were seen (seen,)."""

    before: int
    delays: Int64s
    missed: float

    @property
    def median(self) -> float:
        """Median delay, what was missed taken for longer than all; infinite where half were missed."""
        series = round(len(self.delays) / (1.0 - self.missed)) if self.missed < 1.0 else 0
        return float(np.sort(self.delays)[series // 2]) if series // 2 < len(self.delays) else float("inf")


def seen(given: Float64s, threshold: float, begin: int, at: int) -> Seen:
    """The first alarm upwards of each series, changed from value `at` on."""
    total, first = np.zeros(given.shape[1]), np.full(given.shape[1], -1)
    for n in range(begin, len(given)):
        total = np.maximum(0.0, total + np.clip(given[n], -CLIP, CLIP) - REFERENCE)
        first = np.where((first < 0) & (total > threshold), n, first)
    after = first[first >= at]
    quiet = int(((first < at) & (first >= 0)).sum())
    return Seen(quiet, after - at + 1, 1.0 - len(after) / max(len(first) - quiet, 1))


def frozen(values: Float64s, baseline: int) -> Float64s:
    """What is usually summed instead of scores: values less the mean of a baseline, over its standard deviation."""
    from_it = values[:baseline]
    return np.asarray((values - from_it.mean(0)) / from_it.std(0, ddof=1))


def fixed_threshold(values: Float64s, baseline: int, run_length: float) -> int:
    """Alarms of single raw values beyond the limits that have this run length where mean and scatter are known."""
    from scipy.special import ndtri

    limit = -ndtri(1.0 / run_length)
    return int((np.abs(frozen(values, baseline)[baseline:]) > limit).sum())


def changed(
    rng: np.random.Generator, rho: float, shape: tuple[int, int], change: Callable[[Float64s], Float64s]
) -> Float64s:
    """Noise (values, series) with a change by the number of the value added."""
    values, series = shape
    return noise(rng, rho, values, series) + change(np.arange(values, dtype=np.float64))[:, None]
