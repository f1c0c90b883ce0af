"""Errors that are alike in neighbouring turns: white noise beside 1/f, both weighed by what the cycle itself shows.

The noise of block means is σ²(W + ρF): W from the samples in each block, F the covariance of 1/f noise over their times.
Contrasts that no fixed effect can reach (restricted likelihood: H. D. Patterson, R. Thompson, Biometrika 58, 1971,
545-554; from memory) say which ρ are likely. A movement of the zero that the fixed effects leave out is weighed against
its absence by a Bayes factor with unit information (G. Schwarz, Annals of Statistics 6, 1978, 461-464; R. E. Kass, L.
Wasserman, JASA 90, 1995, 928-934; from memory). An interval is that of the mixture of all of them, so that what cannot be told apart widens it.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from nightturn.estimation.least_squares import factored
from nightturn.estimation.quantiles import CONFIDENCE, coverage_factor, t_quantile
from nightturn.model.tiles import Float64s

PERIOD_SPANS = 1.15
"""Longest period of 1/f noise, in spans of what was measured: slower noise is the zero itself and its drift. With relaxations
of up to half a span in its place the interval of the zero was three times as wide as its errors (simulated)."""
NEIGHBOURS = 6.0
"""Blocks further apart than this many of their lengths are as good as their middles."""
NO_TIME = 1e-12
"""In radians of the longest period: less than that between two means counts as this much."""
GRID = 12
LOWEST, HIGHEST = 0.3, 1e5
"""Range of ρ times its largest eigenvalue: below, 1/f is lost in white noise; above, white noise is lost in it."""
WHITE = 0.8
"""Weight of white noise alone before anything was measured: from the slow passes alone friction is covered in .88 of the cycles under 1/f
noise of 3 mN·m. With 0.55 it is in .90, but in .985 in white noise (200 and 400 cycles); the hold's turns help more."""
MOVED = 0.025
"""Weight of each further movement of the zero before anything was measured."""
EITHER = 0.5
"""Weight of a movement that cannot be told from a fixed effect, against that effect."""
INSTEAD = 0.25
"""Weight of a movement in the place of a fixed effect, against that effect, before anything was measured."""
SEEN = 1e-3
"""A movement whose share outside the fixed effects is less than this cannot be seen."""
NARROWEST, WIDEST, HALF_WIDTH_STEPS = 0.02, 12.0, 16
"""Where a half-width is looked for, in standard deviations: a mixture's can be far narrower than a normal's."""
_STEPS = np.arange(HALF_WIDTH_STEPS) / (HALF_WIDTH_STEPS - 1)
HALF_WIDTH_ROUNDS = 4
"""To a hundred-thousandth of the half-width: where two values are possible, it may be a thousand times the scatter about either."""
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


@dataclass(frozen=True, slots=True)
class _Linear:
    """A linear combination for every ρ: weights of the values, share in the contrasts, value, variance in σ².

    `flickering` is the covariance of 1/f noise with it, `common` that of the contrasts.
    """

    weights: Float64s
    shared: Float64s
    value: Float64s
    factor: Float64s
    flickering: Float64s
    common: Float64s


@dataclass(frozen=True, slots=True)
class _Found:
    """A movement that can be seen: its column, its contrasts, and by ρ their norm, its size and what it leaves unexplained."""

    movement: Movement
    column: Float64s
    along: Float64s
    norm: Float64s
    size: Float64s
    rest: Float64s

    def lever(self, linear: _Linear, rho: Float64s, added: float = 0.0) -> Float64s:
        """By how much a combination is off for each unit of the movement, where it is left out."""
        return float(linear.weights @ self.column) - added - rho * (linear.shared @ self.along)


@dataclass(frozen=True, slots=True)
class _Swapped:
    """A movement in the place of a fixed effect: that effect, and by ρ its value and variance beside the movement."""

    found: _Found
    effect: _Linear
    lever: Float64s
    value: Float64s
    factor: Float64s

    @property
    def rest(self) -> Float64s:
        """What is left unexplained without the effect."""
        return np.asarray(self.found.rest + self.value**2 / self.factor)


def flicker_covariance(time_s: Float64s, duration_s: Float64s) -> Float64s:
    """Covariance (n, n) of means of 1/f noise over blocks at these times, for unit power in each factor e of frequency.

    Its power falls with 1/f from a longest period on, so that two moments have the covariance -Ci(2π t / period), Ci the
    cosine integral (M. Abramowitz, I. A. Stegun, Handbook of Mathematical Functions, 5.2.2). Near 0 that is -ln t, which is
    averaged over both blocks: a second difference of t² (3/4 - ln t / 2).
    """
    from scipy.special import sici

    span = float(np.ptp(time_s) + duration_s.max())
    rate = 2 * np.pi / (PERIOD_SPANS * span)
    apart = rate * np.abs(time_s[:, None] - time_s[None, :])
    np.fill_diagonal(apart, 1.0)
    apart = np.maximum(apart, NO_TIME)  # two means over the same moments: what diverges cancels
    total = -sici(apart)[1]
    length = rate * (duration_s[:, None] + duration_s[None, :]) / 2
    near = apart < NEIGHBOURS * length
    t, d = apart[near], length[near]
    total[near] += np.log(t) + (_of_log(t + d) + _of_log(np.abs(t - d)) - 2 * _of_log(t)) / d**2
    own = rate * duration_s
    total[np.diag_indices_from(total)] = 1.5 - np.euler_gamma - np.log(own) + own**2 / 24
    return np.asarray(total)


def _of_log(t: Float64s) -> Float64s:
    """The function whose second derivative is -ln t."""
    return np.asarray(t**2 * (0.75 - np.log(np.maximum(t, np.finfo(np.float64).tiny)) / 2))


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
        scale = 1 / np.sqrt(white)
        rows, fixed = columns.shape
        self._design = factored(columns * scale[:, None])
        self._design.condition()
        self._names, self._fixed, self.nu = list(names), fixed, rows - fixed
        self._values = values * scale
        self._flicker = flicker * scale[:, None] * scale
        self._movements = [(m, m.column * scale) for m in movements]
        if self.nu < 1:
            return
        outside = self._design.contrasts()
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
        self._found: list[_Found] = []
        self._either: list[tuple[Movement, int, Float64s]] = []
        self._swapped: list[_Swapped] = []
        for movement, column in self._movements:
            along = self._outside.T @ column
            if along @ along < SEEN * float(column @ column):
                self._note_either(movement, column)
            elif self.nu > 1:
                self._note_found(movement, column, along)
        self._weights = self._weighed(np.log(prior) + 0.5 * np.log(self._inverse).sum(1))

    def _weighed(self, base: Float64s) -> Float64s:
        """How likely each ρ is without a movement, and with each kind of it: (1 + kinds, ρ), 1 in total."""
        nu, floor = self.nu, np.finfo(np.float64).tiny

        def likelihood(rest: Float64s) -> Float64s:
            return np.asarray(-nu / 2 * np.log(np.maximum(rest, floor)))

        weights = [base + likelihood(self._rest)]
        weights += [weights[0] + np.log(EITHER)] * len(self._either)
        for found in self._found:
            # Schwarz's form: that of Zellner leaves a share of 1/nu of a large movement unexplained, which looked like 1/f noise.
            weights.append(base + np.log(found.movement.weight) + likelihood(found.rest) - 0.5 * np.log1p(nu))
        # As many unknowns as without a movement: nothing but what they leave unexplained tells the two apart.
        weights += [base + np.log(INSTEAD) + likelihood(swapped.rest) for swapped in self._swapped]
        stacked = np.array(weights)
        likely = np.exp(stacked - stacked.max())
        return np.asarray(likely / likely.sum())

    def _note_found(self, movement: Movement, column: Float64s, along: Float64s) -> None:
        """A movement that the contrasts show: with the fixed effects, and in the place of one."""
        norm = self._inverse @ along**2
        size = self._inverse @ (along * self._seen) / norm
        found = _Found(movement, column, along, norm, size, np.maximum(self._rest - size**2 * norm, 0.0))
        self._found.append(found)
        if movement.instead in self._names:
            effect = self._linear(np.eye(self._fixed)[self._names.index(movement.instead)])
            lever = found.lever(effect, self._rho)
            factor = effect.factor + lever**2 / norm
            self._swapped.append(_Swapped(found, effect, lever, effect.value - lever * size, factor))

    def _note_either(self, movement: Movement, column: Float64s) -> None:
        """A movement that the fixed effects describe as well: note what it is in their terms."""
        if movement.instead in self._names:
            place = self._names.index(movement.instead)
            described = self._design.solve(column[:, None])[:, 0]
            if abs(described[place]) > SEEN * np.abs(described).max():
                self._either.append((movement, place, described))

    def chance(self, name: str) -> float:
        """How likely it is that the zero moved in this way."""
        return float(
            sum(self._weights[row].sum() for row, found, _ in self._rows() if found.movement.name == name)
        )

    def size(self, name: str) -> float:
        """How far the zero moved in this way, if it did; 0 where that cannot be seen."""
        total = weighed = 0.0
        for row, found, size in self._rows():
            if found.movement.name == name:
                total += float(self._weights[row].sum())
                weighed += float(self._weights[row] @ size)
        return weighed / total if total > 0 else 0.0

    def _rows(self) -> Iterator[tuple[int, _Found, Float64s]]:
        """Movements that can be seen, with their row of weights and their size by ρ."""
        if self.nu < 1:
            return
        first = 1 + len(self._either)
        for row, found in enumerate(self._found, first):
            yield row, found, found.size
        for row, swapped in enumerate(self._swapped, first + len(self._found)):
            found = swapped.found
            yield row, found, found.size + swapped.lever / found.norm * swapped.value / swapped.factor

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
        for found in self._found:
            lever = found.lever(plain, self._rho, found.movement.added.get(name, 0.0))
            centres.append(plain.value - lever * found.size)
            spreads.append(found.rest / (self.nu - 1) * (plain.factor + lever**2 / found.norm))
        for swapped in self._swapped:
            centre, factor = self._without(swapped, name, plain)
            centres.append(centre)
            spreads.append(swapped.rest / self.nu * factor)
        nus = np.full((len(centres), grid), float(self.nu))
        first = 1 + len(self._either)
        nus[first : first + len(self._found)] -= 1.0
        return _mixed(self._weights.ravel(), np.ravel(centres), np.ravel(spreads), nus.ravel())

    def _without(self, swapped: _Swapped, name: str, plain: _Linear) -> tuple[Float64s, Float64s]:
        """A combination by ρ, and its variance in σ², with the movement and without the effect in whose place it is."""
        # To leave a column out is to take the value for which its coefficient is zero: what goes with it goes.
        found, effect = swapped.found, swapped.effect
        lever = found.lever(plain, self._rho, found.movement.added.get(name, 0.0))
        together = float(plain.weights @ effect.weights) + self._rho * float(
            plain.weights @ effect.flickering
        )
        together = (
            together - self._rho**2 * (plain.shared @ effect.common) + lever * swapped.lever / found.norm
        )
        along = together / swapped.factor
        factor = plain.factor + lever**2 / found.norm - along * together
        return plain.value - lever * found.size - along * swapped.value, factor

    def _linear(self, combination: Float64s) -> _Linear:
        """The combination for every ρ, its variance in units of σ², and what it is made of."""
        weights = self._design.weights(combination)
        plain = float(weights @ self._values)
        if self.nu < 1:
            nothing = np.zeros(0)
            return _Linear(weights, np.zeros((1, 0)), np.array([plain]), np.zeros(1), nothing, nothing)
        # What the contrasts say of the errors is taken off: with 1/f noise turns near each other share theirs.
        flickering = self._flicker @ weights
        common = self._outside.T @ flickering
        shared = self._inverse * common
        rho = self._rho
        factor = float(weights @ weights) + rho * float(weights @ flickering) - rho**2 * (shared @ common)
        return _Linear(weights, shared, plain - rho * (shared @ self._seen), factor, flickering, common)


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
    """The half-width within which a share lies, to a hundred-thousandth; `shares` lie within those of `grid`."""
    for _ in range(HALF_WIDTH_ROUNDS):
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
