"""Cogging from both directions: the lag between them found and removed, then the mean of the two."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightturn.estimation.hidden import Hidden, hidden_orders, widened
from nightturn.estimation.order_fit import OrderFit, collapse, fit_orders
from nightturn.estimation.ripple import floor_of
from nightturn.estimation.spectra import (
    Scatter,
    gates,
    pooled_scatter,
    significant,
    turn_spectra,
    white_scatter,
)
from nightturn.estimation.turns import Bools, Complex128s, Turns
from nightturn.estimation.waveform import PeakToPeak, peak_to_peak
from nightturn.model.tiles import Float64s, Int64s

LAG_RANGE_DEG = 1.0
LAG_STEPS = 400
"""Steps of the scan on either side: an eighth of a period of order 700 at most."""
LAG_SHARE = 0.002
"""Orders whose product is below this share of the largest do not vote on the lag."""
LAG_GATE = 7.0
"""Both directions must hold an order with this many times its variance for it to vote."""
ROUNDING = 1e-9
LAG_SIGNIFICANCE = 5.0
"""The best alignment must beat the second best by this many standard deviations."""


@dataclass(frozen=True, slots=True)
class Lag:
    """Angle by which torque is sampled late, either way; ambiguous when a second alignment fits as well."""

    rad: float
    ambiguous: bool


@dataclass(frozen=True, slots=True)
class Cogging:
    """Cogging orders, their variance, peak-to-peak and how the directions were aligned.

    `forward` and `backward` are the fits by direction, which carry each direction's own mean and pattern.
    """

    turns: int
    lag: Lag
    orders: Int64s
    amplitudes: Complex128s
    variance: Float64s
    nu: int
    scattered: bool
    peak: PeakToPeak
    floor_nm: float
    hidden: Hidden
    forward: OrderFit
    backward: OrderFit


def cogging_of(
    legs: Sequence[tuple[Turns, Float64s]], highest: int, declared: frozenset[int], drift_spread: float
) -> Cogging:
    """Estimate the cogging of slow passes in both directions; `legs` are turns and their torque without drift.

    Raises:
        numpy.linalg.LinAlgError: the bins that exist cannot tell the orders apart.
    """
    ways = [[leg for leg in legs if leg[0].direction == way] for way in (1, -1)]
    each = [_direction_spectra(way, highest) for way in ways]
    # Turns of one direction are compared with each other, not those of one leg: with one turn a pass the first and the
    # third pass are all there is to tell scatter from.
    groups = [(spectra, coverage) for spectra, coverage in each]
    # A constant of its own for each leg changes order 0 only, so turns of several legs may be pooled.
    scatter = pooled_scatter([(s[:, : highest + 1], c) for s, c in groups])
    scattered = scatter is not None
    means = [spectra.mean(0) for spectra, _ in each]
    if scatter is None:
        scatter = _white(means, highest)
    counts = [len(spectra) for spectra, _ in each]
    forward, backward = (m[: highest + 1] for m in means)
    lag = find_lag(forward, backward, scatter.variance / counts[0], scatter.variance / counts[1], declared)
    both = _aligned(np.arange(highest + 1), forward, backward, lag.rad)
    of_mean = scatter.variance * (1 / counts[0] + 1 / counts[1]) / 4  # of half the sum of two means
    gate = gates(scatter.nu, declared, highest)
    kept = significant(both, of_mean, gate)
    fits = [fit_orders([collapse(t, y) for t, y in way], kept, drift_spread) for way in ways]
    amplitudes = _aligned(kept, fits[0].amplitudes, fits[1].amplitudes, lag.rad)
    variance = np.maximum(of_mean[kept] / 2, (fits[0].variance + fits[1].variance) / 4)
    peak = peak_to_peak(kept, amplitudes, variance)
    hidden = hidden_orders(both, of_mean, declared, kept, peak.value_nm)
    return Cogging(
        turns=sum(counts),
        lag=lag,
        orders=kept,
        amplitudes=amplitudes,
        variance=variance,
        nu=scatter.nu,
        scattered=scattered,
        peak=widened(peak, hidden, scatter.nu),
        floor_nm=floor_of(of_mean, gate),
        hidden=hidden,
        forward=fits[0],
        backward=fits[1],
    )


def _direction_spectra(way: Sequence[tuple[Turns, Float64s]], highest: int) -> tuple[Complex128s, Float64s]:
    """Spectra and coverage of all whole turns of one direction; to the last order when no turn is repeated."""
    repeated = sum(int(t.whole.sum()) for t, _ in way) > 1
    top = highest if repeated else way[0][0].bins // 2 - 1
    parts = [turn_spectra(t, y, top) for t, y in way]
    return np.concatenate([s for s, _ in parts]), np.concatenate([c for _, c in parts])


def _white(means: Sequence[Complex128s], highest: int) -> Scatter:
    """A white scatter from the tails of both directions when none is repeated."""
    both = [white_scatter(mean, highest) for mean in means]
    return Scatter((both[0].variance + both[1].variance) / 2, both[0].nu + both[1].nu)


def _aligned(orders: Int64s, forward: Complex128s, backward: Complex128s, lag: float) -> Complex128s:
    """Mean of both directions after each was moved back by the lag; friction's part cancels."""
    # Torque is sampled late, by filters, backlash and wind-up: forward shows an angle's torque at +lag, backward at -lag.
    # Their mean would keep cos(n lag) of order n: with 0.2 degrees 10 % of the peak-to-peak were gone (simulated).
    turn = np.exp(1j * orders * lag)
    return np.asarray((forward * turn + backward * np.conj(turn)) / 2)


def find_lag(
    forward: Complex128s,
    backward: Complex128s,
    forward_variance: Float64s,
    backward_variance: Float64s,
    declared: frozenset[int],
) -> Lag:
    """The lag that aligns both directions best: the maximum of Σ Re(F conj(B) e^{2jnl}) within ±1 degree.

    The declared orders vote first, because the machine makes them alike in both directions. A pattern of friction
    changes sign with the direction and votes for the wrong lag: a bearing's spall does, at orders of its own. Only where
    the declared ones leave the lag open do all orders vote.
    """
    vote = (np.abs(forward) ** 2 > LAG_GATE * forward_variance) & (
        np.abs(backward) ** 2 > LAG_GATE * backward_variance
    )
    vote[0] = False
    if not vote.any():
        return Lag(0.0, ambiguous=False)
    known = np.zeros_like(vote)
    known[list(declared)] = True
    found = None
    for voters in (vote & known, vote):
        if voters.any():
            found = _voted(voters, forward, backward, forward_variance, backward_variance)
            if not found.ambiguous:
                return found
    return found or Lag(0.0, ambiguous=True)


def _voted(
    vote: Bools,
    forward: Complex128s,
    backward: Complex128s,
    forward_variance: Float64s,
    backward_variance: Float64s,
) -> Lag:
    """The lag for which these orders vote.

    Ambiguous when the maximum lies at the edge, or does not beat the second by five standard deviations of their
    difference as it follows from the noise of the orders.
    """
    product = forward * np.conj(backward)
    size = np.abs(product)
    orders = np.flatnonzero(vote & (size > LAG_SHARE * size[vote].max()))
    x = product[orders]
    grid = np.radians(np.linspace(-LAG_RANGE_DEG, LAG_RANGE_DEG, 2 * LAG_STEPS + 1))
    score = _score(x, orders, grid)
    inner = np.flatnonzero((score[1:-1] > score[:-2]) & (score[1:-1] >= score[2:])) + 1
    if len(inner) == 0:
        return Lag(0.0, ambiguous=True)
    ranked = inner[np.argsort(-score[inner], kind="stable")]
    lag = _newton(x, orders, float(grid[ranked[0]]))
    edge = max(score[0], score[-1]) >= score[ranked[0]]
    if len(ranked) == 1:
        return Lag(lag, ambiguous=bool(edge))
    other = _newton(x, orders, float(grid[ranked[1]]))
    first, second = np.exp(2j * orders * lag), np.exp(2j * orders * other)
    one, two = (x * first).real, (x * second).real
    lead = float((np.maximum(one, 0.0) - np.maximum(two, 0.0)).sum())
    # An order of friction is real and negative at the true lag, and tells it from the second as well as one of cogging.
    lead = max(lead, float((np.abs(one) - np.abs(two)).sum()))
    noise = (
        np.abs(backward[orders]) ** 2 * forward_variance[orders]
        + np.abs(forward[orders]) ** 2 * backward_variance[orders]
    ) / 2
    sd = float(np.sqrt((np.abs(first - second) ** 2 * noise).sum()))
    least = max(LAG_SIGNIFICANCE * sd, ROUNDING * float(score[ranked[0]]))
    return Lag(lag, ambiguous=bool(edge or lead < least))


def _score(x: Complex128s, orders: Int64s, grid: Float64s) -> Float64s:
    """Σ of the positive Re(x e^{2jnl}) at every lag of an even grid."""
    turning = np.exp(2j * (grid[1] - grid[0]) * orders)
    steps = np.broadcast_to(turning, (len(grid) - 1, len(orders)))
    rows = np.cumprod(np.concatenate((np.ones((1, len(orders))), steps)), axis=0)
    return np.asarray(
        np.maximum((rows * (np.exp(2j * grid[0] * orders) * x)).real, 0.0).sum(axis=1), np.float64
    )


def _newton(x: Complex128s, orders: Int64s, start: float) -> float:
    """Polish a maximum of Σ Re(x e^{2jnl}) over the orders that agree with it; stays within the scan's step."""
    agreeing = (x * np.exp(2j * orders * start)).real > 0
    x, orders = x[agreeing], orders[agreeing]
    lag = start
    for _ in range(3):
        terms = x * np.exp(2j * orders * lag)
        slope = float((-2 * orders * terms.imag).sum())
        bend = float((-4 * orders**2 * terms.real).sum())
        if bend >= 0:
            break
        lag -= slope / bend
    return lag
