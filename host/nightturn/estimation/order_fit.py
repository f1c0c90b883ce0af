"""Least squares of orders on the bins that exist, through Fourier moments of weights and weighted torque.

The normal matrix of cos/sin columns depends only on Σ w e^{-jkθ}, so a fit costs a few FFTs of the bins whatever the
number of orders, and gaps cost nothing: nothing is filled in. The mean angle inside each bin enters by a series.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from nightturn.estimation.least_squares import InseparableError, Solution, solve_normal
from nightturn.estimation.series import in_bins
from nightturn.estimation.turns import Complex128s, Turns, droop
from nightturn.model.tiles import Float64s, Int64s

SERIES = 6
"""Terms of e^{-jkδ}: at 0.4 orders a bin and half a bin off centre the seventh is 0.5 %, and few bins are so far off."""
WAVE_SERIES = 4
UNEVEN_MIN = 1e-4
"""Share of a wave by which bins may differ in what they leave of it."""


class OrdersInseparableError(InseparableError):
    """The bins that exist cannot tell `orders` (k,) apart from each other or from the mean."""

    def __init__(self, error: InseparableError, n_legs: int, orders: Int64s) -> None:
        super().__init__(error.condition, error.rank, error.size, error.columns)
        places = error.columns[error.columns >= n_legs] - n_legs
        self.orders = np.unique(orders[places % len(orders)]) if len(orders) else orders


@dataclass(frozen=True, slots=True)
class Bed:
    """A leg's turns laid over each other without their torque: what every reading of the leg shares.

    Attributes:
        weight: (bins,) samples; spread_rad2: (bins,) variance of their angles about the mean angle of their bin.
        powers: (SERIES, bins) of that angle's offset from the bin centre, rad, each over its factorial.
        weights, late: (SERIES, bins // 2 + 1) terms of the moments of the weights, and of them times the time since their mean, s.
    """

    weight: Float64s
    spread_rad2: Float64s
    powers: Float64s
    weights: Complex128s
    late: Complex128s


@dataclass(frozen=True, slots=True)
class Collapsed:
    """A leg's turns laid over each other: mean torque (bins,) in its bed."""

    bed: Bed
    torque_nm: Float64s


@dataclass(frozen=True, slots=True)
class OrderFit:
    """Amplitudes of the orders fitted to one or more legs of one direction.

    Attributes:
        orders: (k,); amplitudes: (k,) complex peak N·m, corrected for the bin width.
        constants_nm: mean torque by leg.
        variance: (k,) variance of one component of each amplitude from the fit.
        noise_variance: residual variance of a single sample.
        spread_rad2: see `Collapsed`, mean over all samples.
        geometry: (k,) how many times larger the variance is than over whole turns without a hole, at least 1.
    """

    orders: Int64s
    amplitudes: Complex128s
    constants_nm: Float64s
    variance: Float64s
    noise_variance: float
    spread_rad2: float
    geometry: Float64s


def bed_of(turns: Turns) -> Bed:
    """Lay the turns of a leg over each other, weighted by samples."""
    weight = turns.n.sum(0)
    safe = np.maximum(weight, 1.0)
    offset = (turns.n * turns.offset_rad).sum(0) / safe
    # Turns whose samples fall on other angles of a bin make its mean one over more of its width.
    spread = (turns.n * (turns.spreads_rad2 + (turns.offset_rad - offset) ** 2)).sum(0) / safe
    time = (turns.n * turns.time_s).sum(0) / safe
    powers = np.ones((SERIES, turns.bins))
    for p in range(1, SERIES):
        np.multiply(powers[p - 1], offset / p, out=powers[p])
    late = weight * (time - float(weight @ time) / float(weight.sum()))
    return Bed(weight, spread, powers, _terms(weight, powers), _terms(late, powers))


def collapse(turns: Turns, torque_nm: Float64s, bed: Bed | None = None) -> Collapsed:
    """Lay the torque of a leg's turns over each other, weighted by samples; exact for a pattern that repeats."""
    bed = bed or bed_of(turns)
    return Collapsed(bed, (turns.n * torque_nm).sum(0) / np.maximum(bed.weight, 1.0))


@lru_cache(maxsize=4)
def _turned(bins: int) -> Complex128s:
    """(-jk)^p e^{-jkπ/bins} for the terms p of the series and k from 0 to `bins`; read only."""
    k = np.arange(bins + 1)
    out = np.empty((SERIES, bins + 1), np.complex128)
    out[0] = np.exp(-1j * np.pi / bins * k)
    for p in range(1, SERIES):
        out[p] = out[p - 1] * (-1j * k)
    out.flags.writeable = False
    return out


def _terms(values: Float64s, powers: Float64s) -> Complex128s:
    """Transforms of bins times the powers of their offsets, of which `_moments` are made."""
    return np.fft.rfft(powers * values, axis=1)


def _moments(terms: Complex128s, k: Int64s, bins: int) -> Complex128s:
    """Σ_b q_b e^{-jkθ_b} at integers k (n,) from 0 to the number of bins; θ_b is the bin's mean angle."""
    # The upper half of a real sequence's spectrum is the lower one mirrored.
    upper = 2 * k > bins
    picked = terms[:, np.where(upper, bins - k, k)]
    np.conjugate(picked, out=picked, where=upper)
    return np.asarray(np.einsum("pk,pk->k", picked, _turned(bins)[:, k]))


def fit_orders(legs: Sequence[Collapsed], orders: Int64s, drift_spread: float = 0.0) -> OrderFit:
    """Fit a constant for each leg and common cos/sin of the orders.

    `drift_spread` is the Σ n (t - t̄)² behind a drift that was removed before; its variance enters that of the
    amplitudes.

    Raises:
        OrdersInseparableError: the bins that exist cannot tell the orders apart.
    """
    n_legs, k = len(legs), len(orders)
    size = n_legs + 2 * k
    cos, sin = slice(n_legs, n_legs + k), slice(n_legs + k, size)
    normal, by_time = np.zeros((size, size)), np.zeros(size)
    beds = [leg.bed for leg in legs]
    totals = np.array([float(bed.weight.sum()) for bed in beds])
    # Newton metres of a hold beside millinewton metres of an order would cost the normal equations their digits.
    levels = np.array([float(leg.bed.weight @ leg.torque_nm) for leg in legs]) / totals
    torque = [leg.torque_nm - level for leg, level in zip(legs, levels.tolist(), strict=True)]
    for i, bed in enumerate(beds):
        normal[i, i] = totals[i]
        _add_weights(normal, i, bed, orders, cos, sin)
        late = _moments(bed.late, orders, len(bed.weight))
        by_time[n_legs:] += np.concatenate((late.real, -late.imag))
    right = _right_side(torque, beds, orders)
    rows = sum(int(np.count_nonzero(bed.weight)) for bed in beds)
    squares = sum(float(bed.weight @ (y * y)) for bed, y in zip(beds, torque, strict=True))
    try:
        solution = solve_normal(normal, right, squares, rows)
    except InseparableError as error:
        raise OrdersInseparableError(error, n_legs, orders) from error
    spread = sum(float(bed.weight @ bed.spread_rad2) for bed in beds) / float(totals.sum())
    shape = _uneven(solution.x[cos] - 1j * solution.x[sin], beds, orders, spread)
    if shape is not None:
        shift = solution.solve(_right_side(shape, beds, orders))
        solution = replace(solution, x=solution.x - shift)
    left = droop(orders, spread)
    variance = _component_variance(solution, by_time, drift_spread, cos, sin)
    least = 2.0 * solution.variance / float(totals.sum())
    return OrderFit(
        orders=orders,
        amplitudes=np.asarray((solution.x[cos] - 1j * solution.x[sin]) / left, np.complex128),
        constants_nm=levels + solution.x[:n_legs],
        variance=variance / left**2,
        noise_variance=solution.variance,
        spread_rad2=spread,
        geometry=np.maximum(variance / least, 1.0) if least > 0 else np.ones(k),
    )


def _right_side(values: Sequence[Float64s], beds: Sequence[Bed], orders: Int64s) -> Float64s:
    """Σ w v of each leg against its constant, of all together against cos and sin of the orders."""
    n_legs = len(beds)
    out = np.zeros(n_legs + 2 * len(orders))
    for i, (bed, value) in enumerate(zip(beds, values, strict=True)):
        weighted = bed.weight * value
        out[i] = weighted.sum()
        moments = _moments(_terms(weighted, bed.powers), orders, len(weighted))
        out[n_legs:] += np.concatenate((moments.real, -moments.imag))
    return out


def _uneven(seen: Complex128s, beds: Sequence[Bed], orders: Int64s, spread: float) -> list[Float64s] | None:
    """What bins that average over more or less of their width than the mean bin add to the torque; None for nothing.

    `seen` (k,) are the amplitudes as the mean bin sees them. To second order in the difference of variances d a wave of
    order n is exp(-n^2 d / 2) of it: two counts of a coarse encoder in one bin and one in the next beat with the orders.
    """
    apart = [np.where(bed.weight > 0, bed.spread_rad2 - spread, 0.0) for bed in beds]
    highest = float(orders.max(initial=0)) ** 2
    if highest * max(float(np.abs(each).max()) for each in apart) < 2 * UNEVEN_MIN:
        return None
    square = orders.astype(np.float64) ** 2
    derivatives = _derivatives(np.stack((seen * square, seen * square**2)), orders, len(apart[0]))
    out = []
    for bed, each in zip(beds, apart, strict=True):
        second, fourth = np.einsum("pb,wpb->wb", bed.powers[:WAVE_SERIES], derivatives)
        out.append(-each / 2 * second + each**2 / 8 * fourth)
    return out


def _derivatives(amplitudes: Complex128s, orders: Int64s, bins: int) -> Float64s:
    """Derivatives of the waves Σ Re(c e^{jnθ}) over angle at the bin centres: (waves, WAVE_SERIES, bins)."""
    spectrum = np.zeros((len(amplitudes), WAVE_SERIES, bins // 2 + 1), np.complex128)
    turned = np.conj(_turned(bins)[:WAVE_SERIES, orders]) * (bins / 2)
    spectrum[:, :, orders] = amplitudes[:, None] * turned
    return np.fft.irfft(spectrum, bins, axis=2)


def _add_weights(normal: Float64s, row: int, bed: Bed, orders: Int64s, cos: slice, sin: slice) -> None:
    """Add a leg's weights to the normal matrix: its own constant against the orders, the orders against each other."""
    minus, plus = orders[:, None] - orders[None, :], orders[:, None] + orders[None, :]
    apart = np.abs(minus)
    # Of the many pairs most differ or add up to the same few numbers.
    wanted = np.zeros(2 * int(orders.max(initial=0)) + 1, np.bool_)
    wanted[orders] = wanted[apart] = wanted[plus] = True
    table = np.empty(len(wanted), np.complex128)
    table[wanted] = _moments(bed.weights, np.flatnonzero(wanted), len(bed.weight))
    edge, near, far = table[orders], table[apart], table[plus]
    near = np.where(minus < 0, np.conj(near), near)
    normal[row, cos] = normal[cos, row] = edge.real
    normal[row, sin] = normal[sin, row] = -edge.imag
    normal[cos, cos] += (near.real + far.real) / 2
    normal[sin, sin] += (near.real - far.real) / 2
    mixed = (near.imag - far.imag) / 2  # rows cos, columns sin
    normal[cos, sin] += mixed
    normal[sin, cos] += mixed.T


def _component_variance(
    solution: Solution, by_time: Float64s, drift_spread: float, cos: slice, sin: slice
) -> Float64s:
    """Mean variance of the two components of each amplitude, the removed drift's share included."""
    diagonal = solution.unit_variances * solution.variance
    if drift_spread > 0:
        # The rate that was taken off has a variance of its own, noise / Σ n (t - t̄)². What a slope of 1 N·m/s would be
        # taken for, order by order, is the fit of time itself.
        diagonal += solution.variance / drift_spread * solution.solve(by_time) ** 2
    return np.asarray((diagonal[cos] + diagonal[sin]) / 2)


def model_of(fit: OrderFit, turns: Turns) -> Float64s:
    """What the fitted orders put into every bin of every turn, without the mean; (revolutions, bins)."""
    seen = fit.amplitudes * droop(fit.orders, fit.spread_rad2)
    return in_bins(seen, fit.orders, turns, fit.spread_rad2)[0]


def pattern(fit: OrderFit, bins: int) -> tuple[Float64s, Float64s]:
    """The fitted orders as bin averages and their slope over angle, at the bin centres: two arrays (bins,)."""
    seen = (
        fit.amplitudes
        * droop(fit.orders, fit.spread_rad2)
        * np.conj(_turned(bins)[0, fit.orders])
        * (bins / 2)
    )
    spectrum = np.zeros(bins // 2 + 1, np.complex128)
    spectrum[fit.orders] = seen
    slope = spectrum * (1j * np.arange(bins // 2 + 1))
    return np.fft.irfft(spectrum, bins), np.fft.irfft(slope, bins)
