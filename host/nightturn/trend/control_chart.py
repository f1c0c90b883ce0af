"""Control charts of a reference that should not move: single values against limits from their own history, and a weighted mean that sees small shifts.

After the NIST/SEMATECH e-Handbook of Statistical Methods: individuals with their moving range (6.3.2.2), the four run rules of the Western Electric handbook
(6.3.2), EWMA with its exact variance (6.3.2.4).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightturn.model.tiles import Float64s

HISTORY_MIN = 8
"""Values that limits need, before the newest; below, nothing is judged."""
HISTORY_MAX = 25
"""Values that limits are made of: the first of a stretch, so that a slow drift does not widen its own limits."""
NEWEST = 3
"""Values that are never part of their own limits, while there are few."""
ROUGH = 20
"""Values below which limits are rough: a false signal is then several times as frequent as the rules' one in some ninety values."""
SIGMA_OF_RANGE = 1.128
"""Mean moving range of two values over their standard deviation."""
WEIGHT = 0.2
WIDTH = 3.0
"""Of the weighted mean: its newest value's weight, and standard deviations to its limits."""
RULES = (
    (1, 1, 3.0, "one value beyond 3 standard deviations"),
    (2, 3, 2.0, "two of three values beyond 2 standard deviations"),
    (4, 5, 1.0, "four of five values beyond 1 standard deviation"),
    (8, 8, 0.0, "eight values on one side"),
)
"""How many of how many values beyond how many standard deviations on one side, in words."""


@dataclass(frozen=True, slots=True)
class Chart:
    """A series against its own history.

    Attributes:
        centre, sigma: of the first `history` values, sigma by their moving range.
        values: all. smooth: (n,) the weighted mean behind each value; half: (n,) from the centre to its limits.
        signals: number of the value and what it broke, in order; only behind the history.
    """

    centre: float
    sigma: float
    history: int
    values: Float64s
    smooth: Float64s
    half: Float64s
    signals: tuple[tuple[int, str], ...]

    @property
    def low(self) -> float:
        """The lower limit of single values."""
        return self.centre - 3.0 * self.sigma

    @property
    def high(self) -> float:
        """The upper limit of single values."""
        return self.centre + 3.0 * self.sigma


def chart(values: Sequence[float]) -> Chart | None:
    """The chart of a series in order of time; None where there are too few values, or all of the history are alike.

    `values` are finite.
    """
    found = np.asarray(values, np.float64)
    history = min(HISTORY_MAX, len(found) - NEWEST)
    if history < HISTORY_MIN:
        return None
    first = found[:history]
    centre = float(first.mean())
    sigma = float(np.abs(np.diff(first)).mean()) / SIGMA_OF_RANGE
    if sigma <= 0:
        return None
    smooth, half = ewma(found, centre, sigma)
    return Chart(
        centre, sigma, history, found, smooth, half, _signals(found, centre, sigma, smooth, half, history)
    )


def ewma(values: Float64s, centre: float, sigma: float, weight: float = WEIGHT) -> tuple[Float64s, Float64s]:
    """The weighted mean behind each value, from the centre on, and how far from the centre its limits are."""
    smooth = np.empty(len(values))
    newest = centre
    for at, value in enumerate(values):
        newest = weight * float(value) + (1.0 - weight) * newest
        smooth[at] = newest
    grown = 1.0 - (1.0 - weight) ** (2.0 * np.arange(1, len(values) + 1))
    return smooth, WIDTH * sigma * np.sqrt(weight / (2.0 - weight) * grown)


def _signals(
    values: Float64s, centre: float, sigma: float, smooth: Float64s, half: Float64s, history: int
) -> tuple[tuple[int, str], ...]:
    """What each value behind the history broke; a rule that goes on being broken counts at each."""
    off = (values - centre) / sigma
    found: list[tuple[int, str]] = []
    for at in range(history, len(values)):
        for count, window, width, words in RULES:
            recent = off[max(0, at - window + 1) : at + 1]
            side = math.copysign(1.0, off[at])
            if abs(off[at]) > width and int((recent * side > width).sum()) >= count:
                found.append((at, words))
                break
        else:
            if abs(smooth[at] - centre) > half[at]:
                found.append((at, "the weighted mean is beyond its limits"))
    return tuple(found)
