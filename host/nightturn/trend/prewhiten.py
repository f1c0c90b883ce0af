"""From values that resemble their neighbours to scores that are independent and standard normal while nothing changes.

Values are a level plus AR(1) noise: what is left over of one cycle stays in the next. Level, scatter and resemblance rho
are not known, and a CUSUM on values freed of *estimates* alarms several times too often. So each value is held against
what all values before it let expect, with everything they leave open: for a given rho a Student's t about the level by
generalised least squares, then the mean of these over all rho, weighted by how well each explains what came before. The
chance that a value lies below is turned into a score of the normal distribution (recursive residuals: D. M. Hawkins, The
Statistician 36, 1987, 299-315; predictive probabilities: A. P. Dawid, J. R. Statist. Soc. A 147, 1984, 278-292; both from
memory). With flat priors of level and of the logarithm of the scatter, and rho drawn evenly, scores are exactly
independent from the third value on, so the price of a short baseline is paid in slower detection and not in false alarms.

Where rho lies is looked for around its estimate, freed of its bias of -(1 + 3 rho)/n in short series (F. H. C. Marriott,
J. A. Pope, Biometrika 41, 1954, 390-402; M. G. Kendall, ibid. 403-404; from memory). Only sums are kept, so that any
split of a series gives the same scores.
"""

from collections.abc import Sequence
from functools import lru_cache
from typing import Generic, NamedTuple, TypeVar

import msgspec
import numpy as np

from nightturn.estimation.turns import Bools
from nightturn.model.tiles import Float64s

RHO_MIN, RHO_MAX = -0.5, 0.9
"""Between these every rho is taken for equally likely beforehand."""
ALIKE_MAX = 0.8
"""Beyond it, noise that wanders is hardly told from a change, and the rate of false alarms is not assured."""
NODES = 10
WITHIN = 5.0
"""Standard deviations of rho that the nodes span."""
SCORE_MAX = 8.0
"""No normal value is ever farther out."""
TINY = 1e-300
MISSED_MAX = 1000
"""Cycles without a value that are counted; nothing is left of the last value long before."""
KNOWN_MAX = 2048
"""Series of which what they leave open is kept: 12 of each of some hundred fixtures, 0.5 kB each."""
PLACES = 16
"""Sums of a series: three of values without a neighbour before them, six of pairs, the same without means of earlier levels."""
ALONE, ALONE_Y, ALONE_YY, PAIRS, X, Y, XX, XY, YY, OLD_ALONE, OLD_PAIRS, OLD_LEVELS = range(12)
OLD_ALONE_YY, OLD_XX, OLD_XY, OLD_YY = range(12, PLACES)

Value = TypeVar("Value", float, Float64s)


def with_first(sums: list[Value], y: Value) -> list[Value]:
    """The sums with a value that has no neighbour before it, from the level's origin."""
    more = list(sums)
    more[ALONE] = more[ALONE] + 1.0
    more[ALONE_Y] = more[ALONE_Y] + y
    more[ALONE_YY] = more[ALONE_YY] + y * y
    return more


def with_pair(sums: list[Value], x: Value, y: Value) -> list[Value]:
    """The sums with a value y and its neighbour x before it, both from the level's origin."""
    more = list(sums)
    more[PAIRS] = more[PAIRS] + 1.0
    more[X] = more[X] + x
    more[Y] = more[Y] + y
    more[XX] = more[XX] + x * x
    more[XY] = more[XY] + x * y
    more[YY] = more[YY] + y * y
    return more


def scores(sums: Sequence[Value], previous: Value | None, value: Value, steps: int | Float64s = 1) -> Value:
    """How far out the next value of a series is, as a standard normal score; of one series, or of many at once.

    Args:
        sums: of what came before, `PLACES` numbers or arrays (series,); at least two values more than levels.
        previous: the last value before, from the origin of the level; None when there is none.
        value: from the same origin.
        steps: cycles from the last value to this one; more than one after cycles without a value; with many series (series,).
    """
    from scipy.special import ndtri, stdtr

    found = _posterior_of(tuple(sums)) if isinstance(sums[ALONE], float) else _posterior(sums)
    if previous is None:
        part = np.sqrt(1.0 - found.rho * found.rho)
        off = part * (value - found.level)
    elif isinstance(steps, int) and steps == 1:
        part = 1.0 - found.rho
        off = value - found.rho * previous - part * found.level
    else:
        left = found.rho**steps
        scale = np.sqrt((1.0 - found.rho * found.rho) / (1.0 - left * left))
        part = (1.0 - left) * scale
        off = (value - left * previous) * scale - part * found.level
    t = off / np.sqrt(found.variance * (1.0 + part * part / found.weight_of_level))
    # The nearer tail, so that no chance is a difference of numbers near one.
    side = np.sign((found.weight * t).sum(0))
    chance = (found.weight * stdtr(found.nu, -side * t)).sum(0)
    score: Value = side * np.minimum(-ndtri(chance), SCORE_MAX)
    return score


class _Posterior(NamedTuple, Generic[Value]):
    """What the sums leave open: by rho (nodes, ...) its weight, the level and its weight, the variance of innovations."""

    rho: Float64s
    weight: Float64s
    level: Float64s
    weight_of_level: Float64s
    variance: Float64s
    nu: Value


def _posterior(sums: Sequence[Value]) -> _Posterior[Value]:
    alone, pairs = sums[ALONE] + sums[OLD_ALONE], sums[PAIRS] + sums[OLD_PAIRS]
    nu = alone + pairs - 1.0 - sums[OLD_LEVELS]
    rho = _nodes(sums, pairs)
    other, plus = 1.0 - rho, 1.0 + rho
    weight_of_level = other * (plus * sums[ALONE] + other * sums[PAIRS])
    total = other * (plus * sums[ALONE_Y] + sums[Y] - rho * sums[X])
    level = total / weight_of_level
    squares = (
        other * plus * (sums[ALONE_YY] + sums[OLD_ALONE_YY])
        + (sums[YY] + sums[OLD_YY])
        - rho * (2.0 * (sums[XY] + sums[OLD_XY]) - rho * (sums[XX] + sums[OLD_XX]))
        - total * level
    )
    squares = np.maximum(squares, TINY)
    # An earlier level has been averaged over too, which leaves about (1 - rho)² times its values in place of its own weight.
    log_other = np.log(other)
    log = alone * (log_other + np.log(plus)) - np.log(weight_of_level) - nu * np.log(squares)
    log = log - 2.0 * sums[OLD_LEVELS] * log_other
    weight = np.exp(0.5 * (log - log.max(0)))
    return _Posterior(rho, weight / weight.sum(0), level, weight_of_level, squares / nu, nu)


@lru_cache(maxsize=KNOWN_MAX)
def _posterior_of(sums: tuple[float, ...]) -> _Posterior[float]:
    """Of one series: what a value has left open is asked for twice, behind it and by the next one."""
    return _posterior(sums)


def _nodes(sums: Sequence[Value], pairs: Value) -> Float64s:
    """Values of rho (nodes, ...) evenly over what the sums leave open."""
    n = np.maximum(pairs, 1.0)
    ends = sums[X] + sums[Y]
    mean = 0.5 * ends / np.maximum(sums[PAIRS], 1.0)
    taken = mean * (ends - mean * sums[PAIRS])
    over = sums[XY] + sums[OLD_XY] - taken
    under = 0.5 * (sums[XX] + sums[YY] + sums[OLD_XX] + sums[OLD_YY]) - taken
    found = over / np.maximum(under, TINY)
    rho = np.minimum(np.maximum((found * n + 1.0) / np.maximum(n - 3.0, 1.0), RHO_MIN), RHO_MAX)
    around = WITHIN * (np.sqrt((1.0 - rho * rho) / n) + 2.0 / n)
    low, high = np.maximum(rho - around, RHO_MIN), np.minimum(rho + around, RHO_MAX)
    return np.asarray(low + np.multiply.outer(_STEPS, high - low))


_STEPS = (np.arange(NODES) + 0.5) / NODES


class Prewhitener(msgspec.Struct):
    """One series: the sums of its level, of the levels before it, and its last value.

    Attributes:
        sums: of the values from `origin`, the first value of the level; (places,).
        last: the last value of the level; None before its first.
        missed: cycles without a value since then.
    """

    sums: list[float] = msgspec.field(default_factory=lambda: [0.0] * PLACES)
    origin: float = 0.0
    last: float | None = None
    missed: int = 0

    @property
    def count(self) -> int:
        """Values of this level."""
        return int(self.sums[ALONE] + self.sums[PAIRS])

    @property
    def count_all(self) -> int:
        """Values that scatter and resemblance rest on."""
        return self.count + int(self.sums[OLD_ALONE] + self.sums[OLD_PAIRS])

    @property
    def known(self) -> bool:
        """Whether there is a level, and anything that says how values scatter."""
        s = self.sums
        here = s[ALONE] + s[PAIRS]
        free = here + s[OLD_ALONE] + s[OLD_PAIRS] - s[OLD_LEVELS] - 1.0
        squares = s[ALONE_YY] + s[XX] + s[YY] + s[OLD_ALONE_YY] + s[OLD_XX] + s[OLD_YY]
        return here > 0 and free > 0 and squares > 0

    def score(self, value: float) -> float | None:
        """How far out a value would be as the next one; None while that cannot be said, or where no value differs."""
        if not self.known:
            return None
        previous = None if self.last is None else self.last - self.origin
        return float(scores(self.sums, previous, value - self.origin, self.missed + 1))

    def ahead(self, values: Float64s, gaps: Bools) -> Float64s:
        """The scores (n,) of the next values, as if each were added before the next one; NaN where that cannot be said.

        Args:
            values: (n,).
            gaps: (n,) whether a cycle without a value lies before each.
        """
        found = np.full(len(values), np.nan)
        if self.last is None or not self.known:
            return found
        y = values - self.origin
        before = np.concatenate(([self.last - self.origin], y[:-1]))
        steps: Float64s = np.where(gaps, 2.0, 1.0)
        steps[0] += self.missed
        alone = steps > 1
        more = np.zeros((PLACES, len(values)))
        more[[ALONE, ALONE_Y, ALONE_YY]] = np.where(alone, (np.ones(len(y)), y, y * y), 0.0)
        pair = (np.ones(len(y)), before, y, before * before, before * y, y * y)
        more[[PAIRS, X, Y, XX, XY, YY]] = np.where(alone, 0.0, pair)
        sums = np.cumsum(np.column_stack((self.sums, more)), axis=1)[:, :-1]
        return np.asarray(scores(list(sums), before, y, steps))

    def add(self, value: float) -> None:
        """One value more."""
        if self.count == 0:
            self.origin = value
        y = value - self.origin
        self.sums = (
            with_first(self.sums, y)
            if self.last is None or self.missed
            else with_pair(self.sums, self.last - self.origin, y)
        )
        self.last, self.missed = value, 0

    def gap(self) -> None:
        """A cycle without a value: the next one is held against the last, and teaches nothing of how neighbours resemble."""
        self.missed = min(self.missed + 1, MISSED_MAX)

    def new_level(self) -> None:
        """The level may be another from here on; how values scatter and resemble each other stays known."""
        if self.count:
            self.sums = _put_away(self.sums)
        self.last, self.missed = None, 0

    @property
    def fit(self) -> tuple[float, float, float] | None:
        """Level, standard deviation of a value and rho, each as the mean of what is left open; None before three values."""
        if not self.known:
            return None
        found = _posterior_of(tuple(self.sums))
        sd = np.sqrt(found.variance / (1.0 - found.rho * found.rho))
        level, scatter, rho = (float((found.weight * each).sum()) for each in (found.level, sd, found.rho))
        return self.origin + level, scatter, rho


def _put_away(sums: list[float]) -> list[float]:
    """The sums of a finished level about its own mean, added to those of the levels before it."""
    alone, pairs = sums[ALONE], sums[PAIRS]
    mean = (sums[ALONE_Y] + sums[Y]) / (alone + pairs)
    more = [0.0] * PLACES
    more[OLD_ALONE] = sums[OLD_ALONE] + alone
    more[OLD_PAIRS] = sums[OLD_PAIRS] + pairs
    more[OLD_LEVELS] = sums[OLD_LEVELS] + 1.0
    more[OLD_ALONE_YY] = sums[OLD_ALONE_YY] + sums[ALONE_YY] - mean * (2.0 * sums[ALONE_Y] - mean * alone)
    more[OLD_XX] = sums[OLD_XX] + sums[XX] - mean * (2.0 * sums[X] - mean * pairs)
    more[OLD_XY] = sums[OLD_XY] + sums[XY] - mean * (sums[X] + sums[Y] - mean * pairs)
    more[OLD_YY] = sums[OLD_YY] + sums[YY] - mean * (2.0 * sums[Y] - mean * pairs)
    return more
