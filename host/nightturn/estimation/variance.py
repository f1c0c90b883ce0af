"""Variance components of a balanced study with crossed and nested factors, all of them random: how much of the scatter is whose.

Sums of squares and expected mean squares by the rules for balanced designs (G. J. Hahn, D. C. Montgomery and others; here after D. C. Montgomery,
Design and Analysis of Experiments, chapter 13, and S. R. Searle, G. Casella, C. E. McCulloch, Variance Components, 1992, chapter 4; from memory). A
component is a difference of mean squares and may come out below zero: it is then zero, and its interval says how large it may be. Intervals are
generalised ones (M. Hamada, S. Weerahandi, Measurement system assessment via generalized inference, Journal of Quality Technology 32, 2000): each mean
square's expectation is drawn from what its chi-squared distribution leaves possible.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightturn.model.tiles import Float64s

DRAWS_LOG2 = 12
"""Points of a Sobol sequence over the mean squares' distributions: no chance is in it, so that a study read twice says the same."""
LOW, HIGH = 0.025, 0.975
FACTORS_MAX = 5


@dataclass(frozen=True, slots=True)
class Factor:
    """One axis of a study; `within` names the axes whose levels its own levels belong to, none where it is crossed with all."""

    name: str
    levels: int
    within: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Component:
    """What one factor, or several together, add to the scatter of single values, in their unit.

    Attributes:
        factors: names of the factors, without those that they are within; empty for what is left: repetitions.
        degrees: degrees of freedom of its mean square.
        sd: standard deviation, zero where the mean square is smaller than those behind it.
        low, high: of its 95 % interval.
    """

    factors: tuple[str, ...]
    degrees: int
    mean_square: float
    sd: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Variances:
    """All components of a study.

    Attributes:
        components: in the order of the factors, repetitions last.
        mean: of all values.
        draws: (components, points): variances that the mean squares leave possible, for sums of them.
        parts: (components, components): what each mean square, in a column, adds to each component's variance.
    """

    components: tuple[Component, ...]
    mean: float
    draws: Float64s
    parts: Float64s

    def together(self, wanted: Sequence[Component]) -> tuple[float, float, float]:
        """Standard deviation of several components together and its 95 % interval."""
        rows = [self.components.index(each) for each in wanted]
        variance = sum(each.sd**2 for each in wanted)
        possible = np.sqrt(self.draws[rows].sum(axis=0)) if rows else np.zeros(1)
        low, high = np.quantile(possible, (LOW, HIGH))
        return math.sqrt(variance), float(low), float(high)

    def freedom(self, wanted: Sequence[Component]) -> float:
        """Degrees of freedom of several components together, after F. E. Satterthwaite (Biometrics Bulletin 2, 1946, 110-114; from memory).

        Those that came out as zero add nothing; none where all did.
        """
        rows = [at for at, each in enumerate(self.components) if each in wanted and each.sd > 0]
        squares = np.array([each.mean_square for each in self.components])
        adds = self.parts[rows].sum(axis=0) * squares
        down = float((adds**2 / np.array([each.degrees for each in self.components])).sum())
        return float(adds.sum()) ** 2 / down if rows else 0.0


@dataclass(frozen=True, slots=True)
class _Term:
    live: tuple[int, ...]
    full: frozenset[int]


def variances(values: Float64s, factors: Sequence[Factor]) -> Variances:
    """The components of a balanced study.

    Args:
        values: one axis a factor, in their order, and a last one of repetitions; levels of a factor within others are numbered anew in each of theirs.
        factors: with at least two levels each.

    Raises:
        ValueError: shape and factors do not belong together, a value is not finite, or nothing is left to judge with.
    """
    shape = tuple(each.levels for each in factors)
    if values.shape[:-1] != shape or not np.isfinite(values).all():
        raise ValueError(f"values of shape {values.shape} are not those of factors with {shape} levels")
    if not 1 <= len(factors) <= FACTORS_MAX or min(shape) < 2:
        raise ValueError("a study needs one to five factors with two levels each at least")
    terms = _terms(factors)
    squares = [_square(values, factors, term) for term in terms]
    degrees = [_degrees(factors, term) for term in terms]
    left = values.size - 1 - sum(degrees)
    repetitions = _Term((), frozenset(range(len(factors) + 1)))
    if left == 0:  # the highest term has one value a cell: it is what repetitions are
        repetitions = terms.pop()
        squares_left, left = squares.pop(), degrees.pop()
    else:
        squares_left = float(((values - values.mean()) ** 2).sum()) - sum(squares)
    if not terms or left <= 0:
        raise ValueError("nothing is repeated, so nothing can be judged with")
    weights = _weights(factors, values.size, terms)
    freedom = np.array([*degrees, left], np.float64)
    sums = np.array([*squares, max(squares_left, 0.0)], np.float64)
    parts = np.asarray(np.linalg.solve(weights, np.eye(len(weights))), np.float64)
    estimates = parts @ (sums / freedom)
    draws = np.maximum(np.linalg.solve(weights, sums[:, None] / _chances(freedom)), 0.0)
    ends = np.sqrt(np.quantile(draws, (LOW, HIGH), axis=1))
    names = [_names(factors, term) for term in (*terms, repetitions)]
    components = tuple(
        Component(
            name,
            int(freedom[at]),
            float(sums[at] / freedom[at]),
            math.sqrt(max(float(estimates[at]), 0.0)),
            float(ends[0, at]),
            float(ends[1, at]),
        )
        for at, name in enumerate(names)
    )
    return Variances(components, float(values.mean()), draws, parts)


def _chances(freedom: Float64s) -> Float64s:
    """What chi-squared of each mean square may be: (mean squares, points)."""
    from scipy import stats

    points = stats.qmc.Sobol(len(freedom), scramble=False).random_base2(DRAWS_LOG2)[1:]  # the first is zero
    return np.asarray(stats.chi2.ppf(points, freedom), np.float64).T


def _ancestors(factors: Sequence[Factor], at: int) -> frozenset[int]:
    names = [each.name for each in factors]
    return frozenset(names.index(name) for name in factors[at].within)


def _terms(factors: Sequence[Factor]) -> list[_Term]:
    """Main effects and interactions; none of a factor with one that it is within."""
    found = []
    for count in range(1, len(factors) + 1):
        for live in itertools.combinations(range(len(factors)), count):
            above = frozenset[int]().union(*(_ancestors(factors, at) for at in live))
            if not above & set(live):
                found.append(_Term(live, above | set(live)))
    return sorted(found, key=lambda term: (len(term.full), sorted(term.full)))


def _square(values: Float64s, factors: Sequence[Factor], term: _Term) -> float:
    """The sum of squares of a term's effects, over all values."""
    axes = range(len(factors) + 1)
    dead = term.full - set(term.live)
    effect = np.zeros((1,) * values.ndim)
    for count in range(len(term.live) + 1):
        for kept in itertools.combinations(term.live, count):
            over = tuple(axis for axis in axes if axis not in dead and axis not in kept)
            sign = -1.0 if (len(term.live) - count) % 2 else 1.0
            effect = effect + sign * values.mean(axis=over, keepdims=True)
    return float((effect**2).sum()) * values.size / math.prod(factors[at].levels for at in term.full)


def _degrees(factors: Sequence[Factor], term: _Term) -> int:
    dead = term.full - set(term.live)
    return math.prod(factors[at].levels - 1 for at in term.live) * math.prod(
        factors[at].levels for at in dead
    )


def _weights(factors: Sequence[Factor], size: int, terms: Sequence[_Term]) -> Float64s:
    """What each component adds to the expectation of each mean square; repetitions are the last."""
    count = len(terms) + 1
    found = np.zeros((count, count))
    for row, one in enumerate(terms):
        for column, other in enumerate(terms):
            if one.full <= other.full:
                found[row, column] = size / math.prod(factors[at].levels for at in other.full)
    found[:, -1] = 1.0
    return found


def _names(factors: Sequence[Factor], term: _Term) -> tuple[str, ...]:
    return tuple(factors[at].name for at in term.live)
