"""Order spectra turn by turn, their scatter, and which orders stand out of it."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import lcm

import numpy as np

from nightturn.estimation.conditions import Conditions
from nightturn.estimation.quantiles import f_quantile
from nightturn.estimation.turns import Complex128s, Turns
from nightturn.model.tiles import Float64s, Int64s

NEIGHBOURS = 5
"""Scatter is pooled over this many orders on either side."""
OWN_SHARE = 0.3
"""The pooled scatter of an order never falls below this share of its own."""
DECLARED_CONFIDENCE = 0.999
FALSE_LINES = 0.05
"""Undeclared orders are gated so that a cycle shows this many false lines on average, over all orders together."""
MAX_KEPT = 200
"""Orders kept at most, the strongest first."""
ROUNDING = 1e-12
"""Power below this share of the strongest order's (its square, of the mean's) is rounding of noiseless input."""
LOW_ORDERS = 12
"""Orders over which the rise of the noise towards slow changes is estimated."""


@dataclass(frozen=True, slots=True)
class Scatter:
    """Between-turn variance E|c - c̄|² of one turn's complex amplitude, by order, and its degrees of freedom."""

    variance: Float64s
    nu: int


def declared_orders(conditions: Conditions, highest: int) -> frozenset[int]:
    """The orders that unit and turning drive are known to make, up to `highest`.

    Electrical order e shows at e times the pole pairs; cogging at lcm(poles, slots); an odd magnet at the slot
    number, an odd slot at the pole number; 1 to 4 are the rig's own.
    """
    orders = {1, 2, 3, 4}
    for pole_pairs, slots in (
        (conditions.pole_pairs, conditions.slots),
        (conditions.drive_pole_pairs, conditions.drive_slots),
    ):
        if pole_pairs > 0 and slots > 0:
            both = lcm(2 * pole_pairs, slots)
            for base in (pole_pairs, 2 * pole_pairs, 6 * pole_pairs, 12 * pole_pairs, slots, 2 * slots):
                orders.add(base)
            orders.update((both, 2 * both, 3 * both))
    return frozenset(n for n in orders if n <= highest)


def cogging_order(pole_pairs: int, slots: int) -> int:
    """The order of the cogging torque in a mechanical revolution: lcm(slots, poles)."""
    return lcm(2 * pole_pairs, slots)


def drift_rate(groups: Sequence[Sequence[Turns]]) -> tuple[float, float]:
    """Drift of the torque in N·m/s and the Σ n (t - t̄)² it rests on; (0, 0) when no bin was passed twice.

    Legs of one group share one pattern over angle including its mean. The rate is the least-squares slope of all
    values against time with a free value for each bin, so no order can leak into it.
    """
    # Whole turns alone do not keep a drift out of the low orders: 10 mN·m a turn make an order 1 of 10 mN·m read 29 %
    # high (simulated). A straight line in time, seen through a window of whole turns, is a saw-tooth over angle.
    cross = spread = 0.0
    for group in groups:
        n = np.concatenate([t.n for t in group])
        torque = np.concatenate([t.torque_nm for t in group])
        time = np.concatenate([t.time_s for t in group])
        total = np.maximum(n.sum(0), 1.0)
        away = time - (n * time).sum(0) / total
        cross += float((n * away * torque).sum())
        spread += float((n * away * away).sum())
    return (cross / spread, spread) if spread > 0 else (0.0, 0.0)


def without_drift(turns: Turns, rate: float, time_zero: float) -> Float64s:
    """Torque of every bin with the drift since `time_zero` taken off; zeros stay where a bin is empty."""
    return np.where(turns.n > 0, turns.torque_nm - rate * (turns.time_s - time_zero), 0.0)


def turn_spectra(turns: Turns, torque_nm: Float64s, highest: int) -> tuple[Complex128s, Float64s]:
    """Complex amplitude (peak, N·m) by (whole turn, order 0..highest), and the coverage of each turn.

    Holes are filled from the other turns of the leg, the mean angle of each bin is led back to its centre, and the
    averaging over a bin's width is undone.
    """
    use = turns.whole
    n, y, offset = turns.n[use], torque_nm[use], turns.offset_rad[use]
    if len(n) == 0:
        return np.zeros((0, highest + 1), np.complex128), np.zeros(0)
    bins = turns.bins
    # A transform has to have a value in every bin. To leave empty ones out closes the gaps and shifts the rest: one per
    # cent of them missing took 86 % of order 288 (simulated). A straight line across them scatters by itself and made u
    # four times too large. The other turns know the value. The amplitudes themselves do not come from here but from the
    # fit on the bins that exist; this decides how far turns differ and which orders are real.
    some = n > 0
    seen = some.sum(0)
    average = np.divide(y.sum(0), seen, out=np.zeros(bins), where=seen > 0)
    if not seen.all():
        known = np.flatnonzero(seen)
        average = np.interp(np.arange(bins), known, average[known], period=bins)
    slope = (np.roll(average, -1) - np.roll(average, 1)) * (bins / (4 * np.pi))
    level = np.where(some, y - average, 0.0).sum(1, keepdims=True) / np.maximum(some.sum(1, keepdims=True), 1)
    filled = np.where(some, y - offset * slope, average + level)
    orders = np.arange(highest + 1)
    shape = 2.0 / bins * np.exp(-1j * orders * np.pi / bins) / np.sinc(orders / bins)
    return np.fft.rfft(filled, axis=1)[:, : highest + 1] * shape, some.mean(1)


def pooled_scatter(groups: Sequence[tuple[Complex128s, Float64s]]) -> Scatter | None:
    """Between-turn scatter pooled over directions and neighbouring orders; None without two turns in any group.

    `groups` are spectra and coverages of turns that should be alike. Filled holes scatter less, which the coverage
    makes good.
    """
    total: Float64s | None = None
    dof = 0
    for spectra, coverage in groups:
        if len(spectra) > 1:
            away = (spectra - spectra.mean(0)) / coverage[:, None]
            part = (away.real**2 + away.imag**2).sum(0)
            total = part if total is None else total + part
            dof += len(spectra) - 1
    if total is None:
        return None
    own = total / dof
    # A few turns leave an order a few differences of its own, too few to judge it by; noise is alike at neighbouring
    # orders, and real and imaginary part count each. At both ends the neighbours are mirrored.
    width = 2 * NEIGHBOURS + 1
    around = np.concatenate((own[NEIGHBOURS:0:-1], own, own[-2 : -NEIGHBOURS - 2 : -1]))
    pooled = np.convolve(around, np.full(width, 1.0 / width), "valid")
    return Scatter(np.maximum(_with_slow_noise(own, pooled), OWN_SHARE * own), dof * width * 2)


def _with_slow_noise(own: Float64s, pooled: Float64s) -> Float64s:
    """Noise that grows towards low orders (1/f) is steeper than a moving mean can follow: never below W + P/n."""
    if len(own) <= 2 * LOW_ORDERS:
        return pooled
    white = float(np.median(pooled[LOW_ORDERS:]))
    orders = np.arange(1, LOW_ORDERS + 1)
    rise = max(float(((own[1 : LOW_ORDERS + 1] - white) * orders).mean()), 0.0)
    floor = pooled.copy()
    floor[1 : LOW_ORDERS + 1] = np.maximum(floor[1 : LOW_ORDERS + 1], white + rise / orders)
    return floor


def white_scatter(spectrum: Complex128s, above: int) -> Scatter:
    """The scatter of a single turn, taken as white from its orders beyond `above`."""
    # |c|² of noise is exponentially distributed: its median is ln 2 of its mean, and a line among them does not move it.
    tail = np.abs(spectrum[above + 1 :]) ** 2
    level = float(np.median(tail)) / np.log(2.0) if len(tail) else 0.0
    return Scatter(np.full(above + 1, level), max(2 * len(tail), 2))


def gates(nu: int, declared: frozenset[int], highest: int) -> Float64s:
    """By order, how many times its variance a squared amplitude must reach to be significant."""
    # |c|² has two degrees of freedom and its variance nu, so their ratio follows F(2, nu). An order that the machine is
    # known to make is tested alone; the others are hundreds of tests at once, and 0.999 for each would pass 0.7 false
    # lines of 700 in every cycle.
    out = np.full(highest + 1, f_quantile(1.0 - FALSE_LINES / max(highest, 1), 2, nu))
    known = [n for n in declared if n <= highest]
    out[known] = f_quantile(DECLARED_CONFIDENCE, 2, nu)
    return out


def significant(amplitudes: Complex128s, variance: Float64s, gate: Float64s) -> Int64s:
    """Orders whose squared amplitude exceeds gate times variance of the mean; order 0 is never among them."""
    power = amplitudes.real**2 + amplitudes.imag**2
    rounding = ROUNDING**2 * power[0]
    power[0] = 0.0
    kept = np.flatnonzero(power > np.maximum(gate * variance, max(ROUNDING * power.max(), rounding)))
    if len(kept) > MAX_KEPT:
        kept = np.sort(kept[np.argsort(-power[kept], kind="stable")[:MAX_KEPT]])
    return kept.astype(np.int64)
