"""Least squares of orders on the bins that exist, through Fourier moments of weights and weighted torque.

The normal matrix of cos/sin columns depends only on Σ w e^{-jkθ}, so a fit costs a few FFTs of the bins whatever the
number of orders, and gaps cost nothing: nothing is filled in. The mean angle inside each bin enters by a series.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightturn.estimation.least_squares import Solution, solve_normal
from nightturn.estimation.turns import Complex128s, Turns
from nightturn.model.tiles import Float64s, Int64s

SERIES = 4
"""Terms of e^{-jkδ}: at order 700 and half a bin off centre the fifth is below 0.4 %."""


@dataclass(frozen=True, slots=True)
class Collapsed:
    """A leg's turns laid over each other: weight, mean torque and mean angle offset by bin."""

    weight: Float64s
    torque_nm: Float64s
    offset_rad: Float64s
    time_s: Float64s


@dataclass(frozen=True, slots=True)
class OrderFit:
    """Amplitudes of the orders fitted to one or more legs of one direction.

    Attributes:
        orders: (k,); amplitudes: (k,) complex peak N·m, corrected for the bin width.
        constants_nm: mean torque by leg.
        variance: (k,) variance of one component of each amplitude from the fit.
        noise_variance: residual variance of a single sample.
    """

    orders: Int64s
    amplitudes: Complex128s
    constants_nm: Float64s
    variance: Float64s
    noise_variance: float


def collapse(turns: Turns, torque_nm: Float64s) -> Collapsed:
    """Lay the turns of a leg over each other, weighted by samples; exact for a pattern that repeats."""
    weight = turns.n.sum(0)
    safe = np.maximum(weight, 1.0)
    return Collapsed(
        weight,
        (turns.n * torque_nm).sum(0) / safe,
        (turns.n * turns.offset_rad).sum(0) / safe,
        (turns.n * turns.time_s).sum(0) / safe,
    )


class _Moments:
    """Σ_b q_b e^{-jkθ_b} for any k from a few FFTs; θ_b is the bin's mean angle."""

    def __init__(self, values: Float64s, offset: Float64s) -> None:
        terms = np.empty((SERIES, len(values)))
        terms[0] = values
        for p in range(1, SERIES):
            terms[p] = terms[p - 1] * offset / p
        self._terms = np.fft.fft(terms, axis=1)
        self._bins = len(values)

    def at(self, k: Int64s) -> Complex128s:
        """The moments at integers k, any shape, any sign."""
        place = k % self._bins
        step = -1j * k
        total = self._terms[SERIES - 1][place]
        for p in range(SERIES - 2, -1, -1):
            total = total * step + self._terms[p][place]
        return np.asarray(total * np.exp(-1j * np.pi / self._bins * k))


def fit_orders(legs: Sequence[Collapsed], orders: Int64s, drift_spread: float = 0.0) -> OrderFit:
    """Fit a constant for each leg and common cos/sin of the orders.

    `drift_spread` is the Σ n (t - t̄)² behind a drift that was removed before; its variance enters that of the
    amplitudes.

    Raises:
        numpy.linalg.LinAlgError: the bins that exist cannot tell the orders apart.
    """
    n_legs, k = len(legs), len(orders)
    size = n_legs + 2 * k
    cos, sin = slice(n_legs, n_legs + k), slice(n_legs + k, size)
    normal = np.zeros((size, size))
    right, by_time = np.zeros(size), np.zeros(size)
    squares, rows = 0.0, 0
    levels = []
    for i, leg in enumerate(legs):
        total = float(leg.weight.sum())
        # Newton metres of a hold beside millinewton metres of an order would cost the normal equations their digits.
        level = float(leg.weight @ leg.torque_nm) / total
        levels.append(level)
        y = leg.torque_nm - level
        torque = _Moments(leg.weight * y, leg.offset_rad).at(orders)
        normal[i, i] = total
        _add_weights(normal, i, leg, orders, cos, sin)
        right[cos] += torque.real
        right[sin] -= torque.imag
        squares += float(leg.weight @ (y * y))
        rows += int(np.count_nonzero(leg.weight))
        if drift_spread > 0:
            late = leg.time_s - float(leg.weight @ leg.time_s) / total
            when = _Moments(leg.weight * late, leg.offset_rad).at(orders)
            by_time[cos] += when.real
            by_time[sin] -= when.imag
    solution = solve_normal(normal, right, squares, rows)
    droop = np.sinc(
        orders / len(legs[0].weight)
    )  # the mean over a bin's width is less than the wave at its middle
    return OrderFit(
        orders=orders,
        amplitudes=np.asarray((solution.x[cos] - 1j * solution.x[sin]) / droop, np.complex128),
        constants_nm=np.asarray(levels) + solution.x[:n_legs],
        variance=_component_variance(solution, by_time, drift_spread, cos, sin) / droop**2,
        noise_variance=solution.variance,
    )


def _add_weights(normal: Float64s, row: int, leg: Collapsed, orders: Int64s, cos: slice, sin: slice) -> None:
    """Add a leg's weights to the normal matrix: its own constant against the orders, the orders against each other."""
    weights = _Moments(leg.weight, leg.offset_rad)
    minus, plus = orders[:, None] - orders[None, :], orders[:, None] + orders[None, :]
    edge, near, far = weights.at(orders), weights.at(minus), weights.at(plus)
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
    diagonal = np.diag(solution.covariance).copy()
    if drift_spread > 0:
        # The rate that was taken off has a variance of its own, noise / Σ n (t - t̄)². What a slope of 1 N·m/s would be
        # taken for, order by order, is the fit of time itself.
        diagonal += solution.variance / drift_spread * (solution.inverse @ by_time) ** 2
    return np.asarray((diagonal[cos] + diagonal[sin]) / 2)


def pattern(fit: OrderFit, bins: int) -> tuple[Float64s, Float64s]:
    """The fitted orders as bin averages and their slope over angle, at the bin centres: two arrays (bins,)."""
    spectrum = np.zeros(bins // 2 + 1, np.complex128)
    seen = fit.amplitudes * np.sinc(fit.orders / bins)
    spectrum[fit.orders] = seen * np.exp(1j * fit.orders * np.pi / bins) * (bins / 2)
    slope = spectrum * (1j * np.arange(bins // 2 + 1))
    return np.fft.irfft(spectrum, bins), np.fft.irfft(slope, bins)
