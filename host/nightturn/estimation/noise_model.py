"""Errors that are alike in neighbouring turns: white noise beside 1/f, both weighed by what the cycle itself shows.

The noise of block means is σ²(W + ρF): W from the samples in each block, F the covariance of 1/f noise over their times.
Contrasts that no fixed effect can reach (restricted likelihood: H. D. Patterson, R. Thompson, Biometrika 58, 1971,
545-554; from memory) say which ρ are likely. A movement of the zero that the fixed effects leave out is weighed against
its absence by a Bayes factor with unit information (A. Zellner, g-prior; R. E. Kass, L. Wasserman, JASA 90, 1995,
928-934; from memory). An interval is that of the mixture of all of them, so that what cannot be told apart widens it.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from nightturn.estimation.least_squares import fit
from nightturn.estimation.quantiles import CONFIDENCE, coverage_factor, t_quantile
from nightturn.model.tiles import Float64s

OCTAVES = 2
"""1/f is a sum of relaxations of equal power, one for each so many octaves of their time: within 4 % of a straight 1/f."""
MEMORY_SPANS = 0.5
"""The slowest relaxation, in spans of what was measured: slower noise is the zero itself and its drift."""
GRID = 9
LOWEST, HIGHEST = 0.3, 300.0
"""Range of ρ times its largest eigenvalue: below, 1/f is lost in white noise; above, white noise is lost in it."""
WHITE = 0.8
"""Weight of white noise alone before anything was measured."""
MOVED = 0.025
"""Weight of each further movement of the zero before anything was measured."""
EITHER = 0.5
"""Weight of a movement that cannot be told from a fixed effect, against that effect."""
SEEN = 1e-3
"""A movement whose share outside the fixed effects is less than this cannot be seen."""
NARROWEST, WIDEST, HALF_WIDTH_STEPS = 0.02, 12.0, 16
"""Where a half-width is looked for, in standard deviations: a mixture's can be far narrower than a normal's."""
_STEPS = np.arange(HALF_WIDTH_STEPS) / (HALF_WIDTH_STEPS - 1)
NEGLIGIBLE = 1e-5
HALF_WIDTHS = (CONFIDENCE, 0.99)
NU_LEAST, NU_MOST = 2.5, 500.0
"""Degrees of freedom that a mixture may be given."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value, its standard uncertainty and degrees of freedom; None where nothing was left to scatter."""

    value: float
    u: float | None
    nu: float | None


@dataclass(frozen=True, slots=True)
class Movement:
    """A movement of the zero that may be there: its course over the blocks, and by estimate what it adds to it.

    `weight` is how likely it is before anything was measured, against its absence. `instead` names the fixed effect in whose place it may be where it cannot be told from the fixed effects.
    """

    name: str
    column: Float64s
    added: dict[str, float] = field(default_factory=dict)
    instead: str = ""
    weight: float = MOVED


_Found = tuple[Movement, Float64s, Float64s, Float64s, Float64s, Float64s]
"""Movement, column, its contrasts, and by ρ their norm, the movement's size and what it leaves unexplained."""


@dataclass(frozen=True, slots=True)
class _Linear:
    """A linear combination for every ρ: weights of the values, share in the contrasts, value, variance in σ²."""

    weights: Float64s
    shared: Float64s
    value: Float64s
    factor: Float64s


def flicker_covariance(time_s: Float64s, duration_s: Float64s) -> Float64s:
    """Covariance (n, n) of means of 1/f noise over blocks at these times, for unit power in each two octaves."""
    # Blocks do not overlap: between two of them the mean over either is as good as its middle.
    span = float(np.ptp(time_s) + duration_s.max())
    apart = np.abs(time_s[:, None] - time_s[None, :])
    total, decayed = np.zeros_like(apart), np.empty_like(apart)
    slowest, fastest = MEMORY_SPANS * span, float(duration_s.min()) / 2
    for relaxation in slowest * 2.0 ** -np.arange(0, np.log2(slowest / fastest) + OCTAVES, OCTAVES):
        np.divide(apart, -relaxation, out=decayed)
        total += np.exp(decayed, out=decayed)
        x = duration_s / relaxation
        own = 2 * (x - 1 + np.exp(-x)) / x**2
        total[np.diag_indices_from(total)] += own - 1
    return total


class NoiseModel:
    """Fixed effects and noise of block means; estimates of linear combinations with intervals that know both."""

    def __init__(
        self,
        columns: Float64s,
        names: Sequence[object],
        values: Float64s,
        white: Float64s,
        flicker: Float64s,
        movements: Sequence[Movement],
    ) -> None:
        """Shapes: columns (n, p) of full rank and their names (p,), values (n,), white (n,) variances, flicker (n, n).

        Raises:
            InseparableError: the columns cannot be told apart.
        """
        self._plain = fit(columns, values, 1 / white).x
        scale = 1 / np.sqrt(white)
        rows, fixed = columns.shape
        self._q, r = np.linalg.qr(columns * scale[:, None], mode="complete")
        self._r = r[:fixed]
        self._names, self._fixed, self.nu = list(names), fixed, rows - fixed
        self._values = values * scale
        self._flicker = flicker * scale[:, None] * scale
        self._movements = [(m, m.column * scale) for m in movements]
        if self.nu < 1:
            return
        outside = self._q[:, fixed:]
        power, turn = np.linalg.eigh(outside.T @ self._flicker @ outside)
        self._outside = outside @ turn
        self._power = np.maximum(power, 0.0)
        self._weigh()

    def _weigh(self) -> None:
        """Likelihood of every ρ with and without each movement."""
        top = float(self._power.max())
        rho = np.concatenate(([0.0], np.geomspace(LOWEST, HIGHEST, GRID) / top)) if top > 0 else np.zeros(1)
        prior = np.full(len(rho), (1 - WHITE) / max(len(rho) - 1, 1))
        prior[0] = WHITE if len(rho) > 1 else 1.0
        self._rho = rho
        self._inverse = 1 / (1 + rho[:, None] * self._power)  # (ρ, contrasts)
        seen = self._outside.T @ self._values
        self._seen = seen
        self._rest = self._inverse @ seen**2
        base = np.log(prior) + 0.5 * np.log(self._inverse).sum(1)
        floor = np.finfo(np.float64).tiny
        nu = self.nu
        weights = [base - nu / 2 * np.log(np.maximum(self._rest, floor))]
        self._found: list[_Found] = []
        self._either: list[tuple[Movement, int, Float64s]] = []
        for movement, column in self._movements:
            along = self._outside.T @ column
            if along @ along < SEEN * float(column @ column):
                self._weigh_either(movement, column)
                continue
            if nu < 2:
                continue
            norm = self._inverse @ along**2
            size = self._inverse @ (along * seen) / norm
            explained = size**2 * norm
            left = np.maximum(self._rest - nu / (1 + nu) * explained, floor)
            weights.append(base + np.log(movement.weight) - nu / 2 * np.log(left) - 0.5 * np.log1p(nu))
            self._found.append((movement, column, along, norm, size, np.maximum(self._rest - explained, 0.0)))
        weights[1:1] = [weights[0] + np.log(EITHER)] * len(self._either)
        stacked = np.array(weights)
        likely = np.exp(stacked - stacked.max())
        self._weights = likely / likely.sum()  # (movements + 1, ρ)

    def _weigh_either(self, movement: Movement, column: Float64s) -> None:
        """A movement that the fixed effects describe as well: note what it is in their terms."""
        if movement.instead in self._names:
            place = self._names.index(movement.instead)
            described = np.linalg.solve(self._r, self._q[:, : self._fixed].T @ column)
            if abs(described[place]) > SEEN * np.abs(described).max():
                self._either.append((movement, place, described))

    def chance(self, name: str) -> float:
        """How likely it is that the zero moved in this way."""
        return float(sum(self._weights[row].sum() for row, found in self._rows() if found[0].name == name))

    def size(self, name: str) -> float:
        """How far the zero moved in this way, if it did; 0 where that cannot be seen."""
        for row, found in self._rows():
            weight = self._weights[row]
            if found[0].name == name and weight.sum() > 0:
                return float(weight @ found[4] / weight.sum())
        return 0.0

    def _rows(self) -> Iterator[tuple[int, _Found]]:
        """Movements that can be seen, with their row of weights."""
        if self.nu > 0:
            yield from enumerate(self._found, 1 + len(self._either))

    def estimate(self, name: str, combination: Float64s) -> Estimate:
        """The combination (p,) of the coefficients; `name` finds what a movement adds to it."""
        plain = self._linear(combination)
        if self.nu < 1:
            return Estimate(float(plain.value[0]), None, None)
        grid = len(self._rho)
        centres, spreads = [plain.value], [self._rest / self.nu * plain.factor]
        for movement, place, described in self._either:
            # The fixed effect's size is the movement's: the same fit, read in another way.
            changed = combination.copy()
            changed[place] -= (combination @ described - movement.added.get(name, 0.0)) / described[place]
            read = self._linear(changed)
            centres.append(read.value)
            spreads.append(self._rest / self.nu * read.factor)
        nus = [float(self.nu)] * grid * len(centres) + [float(self.nu - 1)] * grid * len(self._found)
        for movement, column, along, norm, size, rest in self._found:
            plainly = float(plain.weights @ column) - movement.added.get(name, 0.0)
            lever = plainly - self._rho * (plain.shared @ along)
            centres.append(plain.value - lever * size)
            spreads.append(rest / (self.nu - 1) * (plain.factor + lever**2 / norm))
        return _mixed(self._weights.ravel(), np.ravel(centres), np.ravel(spreads), np.array(nus))

    def _linear(self, combination: Float64s) -> _Linear:
        """The combination for every ρ, its variance in units of σ², and what it is made of."""
        weights = self._q[:, : self._fixed] @ np.linalg.solve(self._r.T, combination)
        plain = float(combination @ self._plain)
        if self.nu < 1:
            return _Linear(weights, np.zeros((1, 0)), np.array([plain]), np.zeros(1))
        # What the contrasts say of the errors is taken off: with 1/f noise turns near each other share theirs.
        flickering = self._flicker @ weights
        common = self._outside.T @ flickering
        shared = self._inverse * common
        rho = self._rho
        factor = float(weights @ weights) + rho * float(weights @ flickering) - rho**2 * (shared @ common)
        return _Linear(weights, shared, plain - rho * (shared @ self._seen), factor)


def _mixed(weights: Float64s, centres: Float64s, variances: Float64s, nus: Float64s) -> Estimate:
    """Mean of a mixture of t distributions, and the u and nu whose 95 % and 99 % half-widths are the mixture's."""
    from scipy.special import ndtr

    keep = weights > NEGLIGIBLE
    weights, centres, variances, nus = (each[keep] for each in (weights, centres, variances, nus))
    weights = weights / weights.sum()
    value = float(weights @ centres)
    scales = np.sqrt(np.maximum(variances, np.finfo(np.float64).tiny))
    off = centres - value
    total = float(np.sqrt(weights @ (variances + off**2)))
    shrunk, bent = 1 - 1 / (4 * nus), 1 / (2 * nus)

    def inside(half: Float64s) -> Float64s:
        ends = np.concatenate((half[:, None] - off, -half[:, None] - off)) / scales
        # t as a normal deviate: M. Abramowitz, I. A. Stegun, Handbook of Mathematical Functions, 26.7.8.
        below = ndtr(ends * shrunk / np.sqrt(1 + ends * ends * bent)) @ weights
        return np.asarray(below[: len(half)] - below[len(half) :])

    grid = total * NARROWEST * (WIDEST / NARROWEST) ** _STEPS
    shares = inside(grid)
    halves = [_half_width(inside, grid, shares, share) for share in HALF_WIDTHS]
    ratio = halves[1] / halves[0]
    # A ratio of 1.84 is that of t with 3 degrees of freedom; 1.31 is the normal distribution's.
    ratios, degrees = _ratios()
    nu = min(float(np.interp(ratio, ratios, degrees)), float(nus.max()))
    return Estimate(value, halves[0] / coverage_factor(nu), nu)


def _half_width(
    inside: Callable[[Float64s], Float64s], grid: Float64s, shares: Float64s, share: float
) -> float:
    """The half-width within which a share lies, to a few parts in ten thousand; `shares` lie within those of `grid`."""
    for _ in range(2):
        at = min(max(int(np.searchsorted(shares, share)), 1), len(grid) - 1)
        grid = grid[at - 1] * (grid[at] / grid[at - 1]) ** _STEPS
        shares = inside(grid)
    return float(np.interp(share, shares, grid))


@lru_cache(maxsize=1)
def _ratios() -> tuple[Float64s, Float64s]:
    """Ratio of the half-widths of t, rising, and the degrees of freedom that have it."""
    degrees = np.geomspace(NU_MOST, NU_LEAST, 60)
    above, below = (np.array([t_quantile(0.5 + p / 2, nu) for nu in degrees]) for p in HALF_WIDTHS[::-1])
    return above / below, degrees
