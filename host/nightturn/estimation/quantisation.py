"""What the converter's steps do to a mean: nothing beside noise of a step's size, a twelfth of its square without noise."""

import math
from collections.abc import Sequence

import numpy as np

from nightturn.estimation.folds import RAW, RAW_SQUARED, LegSums, N

ROUNDED = 1 / math.sqrt(12)
"""Standard deviation of an error that is even over one step (JCGM 100:2008, F.2.2.1)."""
NOISELESS = 0.05
SINES = 20
"""Enough for this noise: the last is e^-20 of the first."""
NOTHING = 1e-6
"""Of a step; less is left out."""


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
