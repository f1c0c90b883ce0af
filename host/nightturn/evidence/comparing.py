"""The change of one quantity between two groups of cycles, with a ± that knows that neighbours are alike."""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nightturn.evidence.chances import NU_MAX, cycles_chance

LIKENESS, LIKENESS_WORTH = 0.4, 24
"""Correlation of neighbouring cycles before anything was measured, and how many cycles that is worth (assumption). With 0.7 in place of 0.4
and 40 cycles a group what has not changed moves in 4 to 5 % of the comparisons where 1 % is stated (simulated)."""
LIKENESS_MAX = 0.8
LIKENESS_MIN = 8
"""Fewer cycles say nothing about their own correlation."""
STEPS_SHARE = 2 / 3
"""Degrees of freedom of a variance from successive differences, of those that the values have."""
FOUND_SHARE = 0.8
"""Share of the cycles of both groups that must have an amplitude, for the amplitudes to be compared and not their number."""


Float64s = npt.NDArray[np.float64]


class Point(NamedTuple):
    """A value of one cycle with its own standard uncertainty; its direction, because directions differ for other reasons."""

    value: float
    u: float
    nu: float
    direction: int


class Change(NamedTuple):
    """Means of two groups and the standard uncertainty of their difference; `chance` where another test than t is due."""

    before: float
    now: float
    u: float
    nu: float
    chance: float | None = None


NO_NUMBER = Change(math.nan, math.nan, math.nan, 1.0)
"""The change where a value is no number; nothing can be said of it."""


def change_of(before: Sequence[Point], now: Sequence[Point]) -> Change | None:
    """The change of a level, each direction compared with itself; None where no direction has a value in both groups.

    The scatter of a group is that from one cycle to the next (J. von Neumann, Annals of Mathematical Statistics 12, 1941, 367-395, mean square
    successive difference; from memory), because the question is where these cycles lay and not where others would: what grows or
    warms in a group is no noise. Of a first-order series with correlation r a successive difference has (1 - r) of the
    variance, and a mean over n of them (1 + r) / (1 - r) / n (G. E. P. Box, G. M. Jenkins, Time Series Analysis; from memory); r is
    the baseline's. Where the cycles' own uncertainties are larger, they hold.
    """
    common = sorted({each.direction for each in before} & {each.direction for each in now})
    if not common:
        return None
    if not all(math.isfinite(each.value) and math.isfinite(each.u) for each in (*before, *now)):
        return NO_NUMBER
    r = _likeness(before, common)
    (mean_0, u_0, nu_0), (mean_1, u_1, nu_1) = (_level(group, common, r) for group in (before, now))
    u, nu = combined((u_0, nu_0), (u_1, nu_1))
    return Change(mean_0, mean_1, u, nu)


def combined(*parts: tuple[float, float]) -> tuple[float, float]:
    """Root sum of squares of (u, nu), and its degrees of freedom after Welch and Satterthwaite (JCGM 100:2008, G.4.1)."""
    u = math.sqrt(sum(each * each for each, _ in parts))
    if u == 0:
        return 0.0, NU_MAX
    return u, min(1.0 / sum((each / u) ** 4 / nu for each, nu in parts), NU_MAX)


def appeared(before: Sequence[Point | None], now: Sequence[Point | None]) -> Change | None:
    """The change of what some cycles do not have (None): of its amplitude where nearly all have it, else of their number."""
    if not before or not now:
        return None
    change = change_of(*(_with_noughts(group) for group in (before, now)))
    found = [sum(each is not None for each in group) for group in (before, now)]
    if change is None:
        return None
    if found[0] >= FOUND_SHARE * len(before) and found[1] >= FOUND_SHARE * len(now):
        return change
    return change._replace(chance=cycles_chance(found[0], len(before), found[1], len(now)))


def best_chance(before: int, now: int) -> float:
    """The smallest chance that so many cycles can give, where all of now have what none of before had."""
    return cycles_chance(0, before, now, now)


def _with_noughts(group: Sequence[Point | None]) -> list[Point]:
    return [Point(0.0, 0.0, NU_MAX, 0) if each is None else each._replace(direction=0) for each in group]


def _left(group: Sequence[Point], common: Sequence[int]) -> tuple[Float64s, Float64s]:
    """Mean of each direction, and what each value differs from its own one."""
    values = np.array([each.value for each in group if each.direction in common])
    of = np.array([common.index(each.direction) for each in group if each.direction in common])
    means = np.bincount(of, values) / np.bincount(of)
    return means, values - means[of]


def _level(group: Sequence[Point], common: Sequence[int], r: float) -> tuple[float, float, float]:
    """Mean over the directions, its standard uncertainty and degrees of freedom."""
    points = [each for each in group if each.direction in common]
    means, left = _left(group, common)
    counts = [sum(each.direction == way for each in points) for way in common]
    share = sum(1 / count for count in counts) / len(common) ** 2
    own = math.sqrt(sum(each.u**2 for each in points) / len(points) * share)
    own_nu = min(min(each.nu for each in points) * len(points), NU_MAX)
    free = len(points) - len(common)
    if free < 1:
        return float(means.mean()), own, own_nu
    steps = np.diff(left)
    # Of so few the mean of each direction takes (n - D) / n of the variance of a step.
    variance = float(steps @ steps) / (2 * len(steps)) * len(points) / free
    between = math.sqrt(variance * share * (1 + r) / (1 - r) ** 2)
    nu = free * STEPS_SHARE
    return (float(means.mean()), between, nu) if between >= own else (float(means.mean()), own, own_nu)


def _likeness(group: Sequence[Point], common: Sequence[int]) -> float:
    """The correlation of neighbouring cycles: that of the group, weighed with what was assumed before."""
    _, left = _left(group, common)
    n = len(left)
    if n < LIKENESS_MIN:
        return LIKENESS
    course = np.arange(n) - (n - 1) / 2
    left = left - course * float(course @ left) / float(course @ course)
    squares = float(left @ left)
    seen = float(left[1:] @ left[:-1]) / squares if squares > 0 else 0.0
    # What mean and line take off pulls r down by about 2 (1 + 4 r) / n (M. G. Kendall, Biometrika 41, 1954, 403-404, for the
    # mean; the same again for the line is an assumption, which the seeded stories hold).
    r = (n * seen + 2) / max(n - 8, n / 2)
    r = (n * r + LIKENESS_WORTH * LIKENESS) / (n + LIKENESS_WORTH)
    return min(max(r, 0.0), LIKENESS_MAX)
