"""Where a series of values changed, afterwards and from all of it: steps and bends, each with the set of places that it leaves open.

The model is a level, steps (another level from a value on) and bends (a ramp from a value on), plus AR(1) noise of unknown
scatter and resemblance rho. For each rho of a grid everything is freed of it by generalised least squares, and each place
is rated by how little of the residuals a change there leaves; rho is not estimated and then believed, but averaged over,
or sets would be too narrow under noise that resembles itself. The 90 % set holds the likeliest places (G. W. Cobb,
Biometrika 65, 1978, 243-251). Changes are taken one at a time, the strongest first, as in binary segmentation (A. J. Scott,
M. Knott, Biometrics 30, 1974, 507-512; from memory), but fitted together and each looked for again beside the others, from every pair of kinds to begin with.
One more must pay 3 ln n of twice the logarithm of the likelihood: its size, its place and what the best of many places gains.
"""

import enum
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np

from nightturn.estimation.least_squares import factored
from nightturn.model.tiles import Float64s, Int64s
from nightturn.trend.prewhiten import RHO_MAX, RHO_MIN

CHANGES_MAX = 8
LEAST = 8
"""Values between two changes, and between a change and either end."""
VALUES_MIN = 3 * LEAST
VALUES_MAX = 10_000
PENALTY = 3.0
"""Of a change, in logarithms of the number of values."""
CLOSE = 6.0
"""Below this difference of BIC a step and a bend are both shown."""
CONFIDENCE = 0.9
WIDENED = 0.65
"""Power of the likelihood of places: with 1, sets of ramps and of weak steps in few values hold the place in .82 to .88 (simulated)."""
PLACES_TRIED = 15
"""Of a set, evenly spread, over which size and levels are averaged."""
SEEN = 1e-4
"""Share of a rho below which it is left out of sizes."""
ROUNDS = 4
"""Times that all changes are looked for again beside the others, at most."""
KNOWN_MAX = 64
"""Searches that are kept, because several ways lead to the same changes."""
FLOOR = 1e-12
"""Least mean square of what is left, of the variance of all values: less is rounding."""
RHOS = 15
"""Values of rho evenly from `RHO_MIN` to `RHO_MAX`."""

Axis = TypeVar("Axis")


class Kind(enum.StrEnum):
    """How a series changes at a place."""

    STEP = "step"
    BEND = "bend"


@dataclass(frozen=True, slots=True)
class Change:
    """One change of one kind.

    Attributes:
        at: index of the first value after it; of a bend, the last value before the ramp.
        places: the 90 % set, indices in order; it may have holes.
        size: height of a step; of a bend, what its ramp adds from value to value.
        u: its standard uncertainty, with the place and the other changes as they are.
        before, after: levels just before and at the change, of a bend just before and at the end of the series.
        u_before, u_after: their standard uncertainties.
        gain: of twice the logarithm of the likelihood over a series without it.
    """

    kind: Kind
    at: int
    places: tuple[int, ...]
    size: float
    u: float
    before: float
    u_before: float
    after: float
    u_after: float
    gain: float

    def on(self, axis: Sequence[Axis]) -> tuple[Axis, Axis, Axis]:
        """Likeliest place, first and last place of the set on an axis with one entry a value: cycles, strokes, clock times."""
        return axis[self.at], axis[self.places[0]], axis[self.places[-1]]


@dataclass(frozen=True, slots=True)
class Found:
    """A change, and the other kind of it where the evidence does not decide between them."""

    change: Change
    other: Change | None


@dataclass(frozen=True, slots=True)
class _Grid:
    """Values freed of each rho: `rho` (rhos, 1), `y` (rhos, n); `known`, searches that were made, by the changes beside."""

    n: int
    rho: Float64s
    y: Float64s
    least: int
    known: "dict[frozenset[tuple[Kind, int]], list[_Search]]" = field(default_factory=dict)

    def freed(self, column: Float64s) -> Float64s:
        """A column (n,) freed of each rho (rhos, n)."""
        first = np.sqrt(1.0 - self.rho**2) * column[0]
        return np.concatenate((first, column[1:] - self.rho * column[:-1]), axis=1)


@dataclass(frozen=True, slots=True)
class _Search:
    """Every place for one change more of a kind: twice the log likelihood (rhos, places) and the same over all rho (places,)."""

    kind: Kind
    at: Int64s
    doubled: Float64s
    averaged: Float64s

    @property
    def best(self) -> float:
        return float(self.doubled.max())

    @property
    def place(self) -> int:
        return int(self.at[self.averaged.argmax()])

    @property
    def shares(self) -> Float64s:
        """How likely each place is (places,), all together 1."""
        share = np.exp(0.5 * WIDENED * (self.averaged - self.averaged.max()))
        return np.asarray(share / share.sum())

    def within(self) -> Int64s:
        """Which of the places are the likeliest that hold 90 %, in order."""
        share = self.shares
        ranked = np.argsort(-share, kind="stable")
        count = int(np.searchsorted(np.cumsum(share[ranked]), CONFIDENCE)) + 1
        return np.sort(ranked[:count])


def changes(values: Float64s, *, least: int = LEAST) -> tuple[Found, ...]:
    """The changes of a series, in order of their places; empty when there is none, or fewer than `VALUES_MIN` values.

    Args:
        values: (n,) in the order of the cycles, one a cycle.
        least: values between two changes, and between a change and either end.

    Raises:
        ValueError: a value is no number, there are too many, or `least` is below 2.
    """
    values = np.asarray(values, np.float64)
    if values.ndim != 1 or not np.isfinite(values).all():
        raise ValueError("values of a series to search for changes: give finite numbers in one dimension")
    if len(values) > VALUES_MAX or least < 2:
        raise ValueError(
            f"give at most {VALUES_MAX} values and at least 2 between changes, not {len(values)}, {least}"
        )
    scatter = float(np.std(values))
    if len(values) < max(VALUES_MIN, 3 * least) or scatter == 0.0:
        return ()
    origin = float(values[0])
    found = _taken(_grid((values - origin) / scatter, least))
    return tuple(_scaled(each, origin, scatter) for each in found)


def _grid(values: Float64s, least: int) -> _Grid:
    rho = np.linspace(RHO_MIN, RHO_MAX, RHOS)[:, None]
    empty = _Grid(len(values), rho, np.empty((RHOS, 0)), least)
    return _Grid(len(values), rho, empty.freed(values), least)


def _taken(grid: _Grid) -> list[Found]:
    """The changes one at a time, each again beside the others, from every pair of kinds to begin with: the likeliest of all."""
    gained = max(each.best for each in _searches(grid, [])) - _likelihood(grid, [])
    if gained <= PENALTY * math.log(grid.n):
        return []
    tries = [_from(grid, (first, second)) for first in Kind for second in Kind]
    taken = max(tries, key=lambda each: _likelihood(grid, each) - len(each) * PENALTY * math.log(grid.n))
    taken.sort(key=lambda each: each[1])
    return [_found(grid, taken, index) for index in range(len(taken))]


def _from(grid: _Grid, begin: tuple[Kind, ...]) -> list[tuple[Kind, int]]:
    """Changes, of which the first are of these kinds as far as there are any."""
    taken: list[tuple[Kind, int]] = []
    while len(taken) < CHANGES_MAX:
        wanted = begin[len(taken) : len(taken) + 1]
        searches = [each for each in _searches(grid, taken) if each.kind in (wanted or Kind)]
        best = max(searches, key=lambda each: each.best, default=None)
        if best is None or best.best - _likelihood(grid, taken) <= PENALTY * math.log(grid.n):
            break
        taken.append((best.kind, best.place))
        _settle(grid, taken, keep=len(taken) <= len(begin))
    _settle(grid, taken, keep=False)
    return taken


def _settle(grid: _Grid, taken: list[tuple[Kind, int]], *, keep: bool) -> None:
    """Each change looked for again beside the others, until none moves; `keep`: none becomes one of the other kind."""
    for _ in range(ROUNDS):
        before = list(taken)
        for index in reversed(range(len(taken) if len(taken) > 1 else 0)):
            others = taken[:index] + taken[index + 1 :]
            searches = _searches(grid, others)
            best = max(
                (each for each in searches if not keep or each.kind is taken[index][0]),
                key=lambda each: each.best,
            )
            # One that the others have made needless is given up.
            needed = best.best - _likelihood(grid, others) > PENALTY * math.log(grid.n)
            taken[index : index + 1] = [(best.kind, best.place)] if needed else []
        if taken == before:
            break


def _found(grid: _Grid, taken: list[tuple[Kind, int]], index: int) -> Found:
    """What can be said of one of the changes, the others as they are."""
    others = taken[:index] + taken[index + 1 :]
    without = _likelihood(grid, others)
    ranked = sorted(_searches(grid, others), key=lambda each: -each.best)
    made = [_change(grid, others, each, without) for each in ranked if ranked[0].best - each.best < CLOSE]
    return Found(made[0], made[1] if len(made) > 1 else None)


def _change(grid: _Grid, others: list[tuple[Kind, int]], search: _Search, without: float) -> Change:
    """Size and levels, over the places of the set and all rho by how likely each makes them."""
    within = search.within()
    every = -(-len(within) // PLACES_TRIED)
    tried = np.union1d(within[::every], [int(search.averaged.argmax())])
    made = [_at_place(grid, others, search, int(index)) for index in tried]
    share = search.shares[tried] / search.shares[tried].sum()
    means, variances = np.array([m for m, _ in made]), np.array([v for _, v in made])
    mean = share @ means
    size, low, high = mean.tolist()
    u, u_low, u_high = np.sqrt(share @ (variances + (means - mean) ** 2)).tolist()
    places, gain = tuple(search.at[within].tolist()), search.best - without
    return Change(search.kind, search.place, places, size, u, low, u_low, high, u_high, gain)


def _at_place(
    grid: _Grid, others: list[tuple[Kind, int]], search: _Search, index: int
) -> tuple[Float64s, Float64s]:
    """Size, level before and level after a change at one place, and their variances."""
    at, doubled = int(search.at[index]), search.doubled[:, index]
    weight = np.exp(0.5 * (doubled - doubled.max()))
    weight /= weight.sum()
    seen = weight > SEEN
    part, weight = _Grid(grid.n, grid.rho[seen], grid.y[seen], grid.least), weight[seen] / weight[seen].sum()
    columns = _columns(grid.n, [*others, (search.kind, at)])
    freed = np.stack([part.freed(column) for column in columns], axis=1)
    made = factored(np.swapaxes(freed, 1, 2))
    x = made.solve(part.y[:, :, None])[:, :, 0]
    squares = ((part.y - (x[:, None, :] @ freed)[:, 0, :]) ** 2).sum(1)
    covariance = made.half @ np.swapaxes(made.half, 1, 2) * (squares / (grid.n - len(columns)))[:, None, None]
    levels = (at - 1, at) if search.kind is Kind.STEP else (at - 1, grid.n - 1)
    asked = np.stack([np.eye(len(columns))[-1], *(np.array([c[t] for c in columns]) for t in levels)])
    each = x @ asked.T
    mean = weight @ each
    return mean, weight @ (np.einsum("ap,rpq,aq->ra", asked, covariance, asked) + (each - mean) ** 2)


def _scaled(found: Found, origin: float, scatter: float) -> Found:
    """In the units of the values."""

    def scaled(c: Change) -> Change:
        before, after = origin + scatter * c.before, origin + scatter * c.after
        size, u, u_before, u_after = (scatter * v for v in (c.size, c.u, c.u_before, c.u_after))
        return Change(c.kind, c.at, c.places, size, u, before, u_before, after, u_after, c.gain)

    return Found(scaled(found.change), None if found.other is None else scaled(found.other))


def _columns(n: int, taken: Sequence[tuple[Kind, int]]) -> list[Float64s]:
    """The level and the changes as columns (n,)."""
    t = np.arange(n, dtype=np.float64)
    made = [np.ones(n)]
    for kind, at in taken:
        made.append(np.where(t >= at, 1.0, 0.0) if kind is Kind.STEP else np.maximum(t - at, 0.0))
    return made


def _basis(grid: _Grid, taken: Sequence[tuple[Kind, int]]) -> tuple[Float64s, Float64s]:
    """An orthonormal basis of level and changes (rhos, columns, n), and what they leave of the values (rhos, n)."""
    left = grid.y
    basis: list[Float64s] = []
    for column in _columns(grid.n, taken):
        freed = grid.freed(column)
        for _ in range(2):  # twice is enough for columns that are nearly alike
            for one in basis:
                freed = freed - (freed * one).sum(1, keepdims=True) * one
        freed = freed / np.sqrt((freed * freed).sum(1, keepdims=True))
        basis.append(freed)
        left = left - (left * freed).sum(1, keepdims=True) * freed
    return np.stack(basis, axis=1), left


def _doubled(grid: _Grid, squares: Float64s) -> Float64s:
    """Twice the log likelihood (rhos, ...) for what is left of the squares (rhos, ...), less a constant."""
    return np.asarray(np.log(1.0 - grid.rho**2) - grid.n * np.log(np.maximum(squares / grid.n, FLOOR)))


def _likelihood(grid: _Grid, taken: Sequence[tuple[Kind, int]]) -> float:
    """Twice the log likelihood of a level with these changes, at the best rho."""
    _, left = _basis(grid, taken)
    return float(_doubled(grid, (left * left).sum(1, keepdims=True)).max())


def _searches(grid: _Grid, taken: Sequence[tuple[Kind, int]]) -> list[_Search]:
    """One change more of each kind, at every place that is far enough from the others."""
    key = frozenset(taken)
    if key not in grid.known:
        if len(grid.known) >= KNOWN_MAX:
            grid.known.clear()
        grid.known[key] = _searched(grid, taken)
    return grid.known[key]


def _searched(grid: _Grid, taken: Sequence[tuple[Kind, int]]) -> list[_Search]:
    at = np.arange(grid.least, grid.n - grid.least + 1)
    for _, other in taken:
        at = at[np.abs(at - other) >= grid.least]
    if not len(at):
        return []
    basis, left = _basis(grid, taken)
    squares = (left * left).sum(1, keepdims=True)
    # Sums from a value to the end, of what is left and of each column of the basis, with nothing beyond the end.
    rows = np.concatenate((left[:, None, :], basis), axis=1)
    tail = np.zeros((*rows.shape[:2], grid.n + 2))
    tail[:, :, : grid.n] = np.cumsum(rows[:, :, ::-1], axis=2)[:, :, ::-1]
    rho, after = grid.rho[:, :, None], (grid.n - 1.0 - at)[None, :]
    step = rows[:, :, at] + (1.0 - rho) * tail[:, :, at + 1]
    rises = np.cumsum(tail[:, :, ::-1], axis=2)[:, :, ::-1]
    bend = (1.0 - rho) * rises[:, :, at + 1] + rho * tail[:, :, at + 1]
    q = 1.0 - grid.rho
    lengths = {
        Kind.STEP: (step, 1.0 + q * q * after),
        Kind.BEND: (
            bend,
            after * (q * q * (after + 1) * (2 * after + 1) / 6 + grid.rho * (q * (after + 1) + grid.rho)),
        ),
    }
    made = []
    for kind, (products, length) in lengths.items():
        own = length - (products[:, 1:] ** 2).sum(1)
        explained = np.where(own > 1e-9 * length, products[:, 0] ** 2 / np.maximum(own, 1e-300), 0.0)
        doubled = _doubled(grid, squares - explained)
        top = doubled.max()
        averaged = top + 2.0 * np.log(np.exp(0.5 * (doubled - top)).sum(0) + 1e-300)
        made.append(_Search(kind, at, doubled, averaged))
    return made
