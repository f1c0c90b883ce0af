"""Running friction and zero: half the step between the directions, over the same angles, with the drift fitted."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightturn.estimation.least_squares import fit
from nightturn.estimation.order_fit import OrderFit, pattern
from nightturn.estimation.turns import Turns
from nightturn.model.tiles import Float64s

MIN_SHARE = 0.8
"""Share of the common bins that a turn must hold to count."""

PREVIOUS_MIN = 5
"""Fewer earlier cycles say nothing about the scatter from cycle to cycle."""


@dataclass(frozen=True, slots=True)
class Friction:
    """Friction magnitude and zero with their standard uncertainties (None without degrees of freedom).

    `step_nm` is friction with its sign, positive where declared torque and angle make it oppose motion. `passes` were used; `zero_moved_nm` is how far the fitted drift carried the zero from one direction's passes to the
    other's, 0 when no drift could be fitted.
    """

    friction_nm: float
    step_nm: float
    friction_u_nm: float | None
    zero_nm: float
    zero_u_nm: float | None
    nu: int
    turns: int
    passes: int
    zero_moved_nm: float


def friction_of(
    legs: Sequence[Turns], forward: OrderFit, backward: OrderFit, centre_s: float
) -> Friction | None:
    """Half the difference of the directions and their half-sum at `centre_s`; None without whole turns both ways.

    Every whole turn gives one mean over the bins that all legs have, after its direction's fitted pattern is taken off
    so that missing bins cannot bias it. The model is zero - direction·friction + drift·(t - centre): with F-B-F a
    linear drift cancels (a drift of 2 mN·m a pass biases F-B alone by 5 mN·m).
    """
    bins = legs[0].bins
    common = np.ones(bins, np.bool_)
    for leg in legs:
        common &= leg.n.sum(0) > 0
    need = MIN_SHARE * int(common.sum())
    shapes = {1: pattern(forward, bins), -1: pattern(backward, bins)}
    ways, means, times, weights = [], [], [], []
    passes = 0
    for leg in legs:
        level, slope = shapes[leg.direction]
        mask = (leg.n > 0) & common
        seen = mask.sum(1)
        rows = np.flatnonzero(seen >= max(need, 1)).tolist()
        passes += bool(rows)
        for row in rows:
            some = mask[row]
            n = leg.n[row, some]
            total = float(n.sum())
            rest = leg.torque_nm[row, some] - level[some] - slope[some] * leg.offset_rad[row, some]
            ways.append(float(leg.direction))
            means.append(float(n @ rest) / total)
            times.append(float(n @ leg.time_s[row, some]) / total)
            weights.append(float(seen[row]) / bins)
    if len(set(ways)) < 2:
        return None
    return _solve(np.array(ways), np.array(means), np.array(times) - centre_s, np.array(weights), passes)


def _solve(ways: Float64s, means: Float64s, times: Float64s, weights: Float64s, passes: int) -> Friction:
    """Fit zero, step and - with at least three passes or turns to spare - drift."""
    # Friction opposes motion and changes sign with it; the zero does not. So the step from one direction to the other is
    # twice the friction, its coefficient here is half of it, and the half-sum is the zero.
    # Three passes of two turns are six means for three unknowns: nu = 3, t = 3.18. One turn a pass leaves nu = 0.
    columns = [np.ones_like(ways), -ways]
    if len(means) > 2 and np.ptp(times) > 0:
        # In forward-back-forward the back pass lies in the middle, so that the drift's column is orthogonal to that of the
        # step: a linear drift costs a degree of freedom and moves nothing.
        columns.append(times / np.ptp(times))
    solution = fit(np.column_stack(columns), means, weights)
    apart = float(times[ways > 0].mean() - times[ways < 0].mean())
    moved = float(solution.x[2]) * apart / float(np.ptp(times)) if len(columns) > 2 else 0.0
    known = solution.nu > 0
    deviation = np.sqrt(np.diag(solution.covariance)) if known else np.zeros(2)
    return Friction(
        friction_nm=abs(float(solution.x[1])),
        step_nm=float(solution.x[1]),
        friction_u_nm=float(deviation[1]) if known else None,
        zero_nm=float(solution.x[0]),
        zero_u_nm=float(deviation[0]) if known else None,
        nu=solution.nu,
        turns=len(means),
        passes=passes,
        zero_moved_nm=moved,
    )


def scatter_between_cycles(previous_nm: Sequence[float]) -> tuple[float, float] | None:
    """Standard uncertainty of one cycle's friction and its degrees of freedom, from complete cycles before it.

    From successive differences, so that a slow change of friction does not count as scatter; None with fewer than five.
    """
    count = len(previous_nm)
    if count < PREVIOUS_MIN:
        return None
    steps = np.diff(np.asarray(previous_nm, np.float64))
    variance = float(steps @ steps) / (2 * (count - 1))
    return float(np.sqrt(variance)), 2.0 * (count - 1) ** 2 / (3 * count - 4)
