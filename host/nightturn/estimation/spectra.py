"""Order spectra turn by turn, their scatter, and which orders stand out of it."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import lcm

import numpy as np

from nightturn.estimation.conditions import Conditions
from nightturn.estimation.quantiles import f_quantile, median
from nightturn.estimation.series import in_bins, uneven
from nightturn.estimation.turns import Bools, Complex128s, Turns, droop
from nightturn.model.tiles import Float64s, Int64s

NEIGHBOURS = 5
"""Scatter is pooled over this many orders on either side."""
NOISE_ORDERS = 2 * NEIGHBOURS + 1
OWN_SHARE = 0.3
"""The pooled scatter of an order never falls below this share of its own."""
DECLARED_CONFIDENCE = 0.999
FALSE_LINES = 0.002
"""Undeclared orders are gated so that a cycle shows this many false lines on average, over all orders together: at 40 mN·m of noise
one makes a single order read 5 to 9 % high, further above its interval than may happen once in a thousand cycles."""
MAX_KEPT = 200
"""Orders kept at most, the strongest first."""
LINE_NEIGHBOURS = 12
LINE_OVER_NEIGHBOURS = 10.0
"""An undeclared order must hold this many times the lower quartile of the power of the orders around it, of which
a comb of lines leaves some free and a defect none."""
ROUNDING = 1e-12
"""Power below this share of the strongest order's (its square, of the mean's) is rounding of noiseless input."""
APART = 0.1
"""Share of the drift's sum of squares that must be left beside a cable's for the two to be told apart."""
STRONG = 50.0
"""Orders of this many times the usual power are known well enough to be led back to the bin centres one by one."""
STRONG_SHARE = 0.03
"""And of this share of the largest: what they beat into is a few per cent of them, and must not be taken for one."""
UNEVEN_MIN = 1e-3
"""Share of the strongest-bent wave by which bins may differ in what they leave of it."""
LOW_ORDERS = 12
"""Orders over which the rise of the noise towards slow changes is estimated."""


TurnSpectra = tuple[Complex128s, Float64s]
"""Complex amplitude (peak, N·m) by (whole turn, order from 0), and the coverage of each turn."""


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
    rate, _, spread = drift_and_cable(groups, cable=False)
    return rate, spread


def drift_and_cable(groups: Sequence[Sequence[Turns]], *, cable: bool = True) -> tuple[float, float, float]:
    """Drift in N·m/s, torque of a cable in N·m a turn, and the Σ n (t - t̄)² left to the drift; zeros as `drift_rate`.

    Time and angle run alike in one direction and apart in the other; where there is only one, all of it is drift.
    """
    # Whole turns alone do not keep a drift out of the low orders: 10 mN·m a turn make an order 1 of 10 mN·m read 29 %
    # high (simulated). A straight line in time, seen through a window of whole turns, is a saw-tooth over angle, and so
    # is the torque of a cable that winds up.
    normal, right = np.zeros((2, 2)), np.zeros(2)
    for group in groups:
        n = np.concatenate([t.n for t in group])
        torque = np.concatenate([t.torque_nm for t in group])
        total = np.maximum(n.sum(0), 1.0)
        courses = [np.concatenate([t.time_s for t in group])]
        if cable:
            courses.append(np.concatenate([t.turned() for t in group]))
        away = [course - (n * course).sum(0) / total for course in courses]
        for i, one in enumerate(away):
            weighted = n * one
            right[i] += float(np.vdot(weighted, torque))
            for j, other in enumerate(away[: i + 1]):
                normal[i, j] += float(np.vdot(weighted, other))
    spread, mixed, turned = normal[0, 0], normal[1, 0], normal[1, 1]
    if spread <= 0:
        return 0.0, 0.0, 0.0
    alone = spread - mixed**2 / turned if turned > 0 else 0.0
    if alone < APART * spread:
        return float(right[0] / spread), 0.0, float(spread)
    rate = float((right[0] - mixed / turned * right[1]) / alone)
    return rate, float((right[1] - mixed * rate) / turned), float(alone)


def without_drift(
    turns: Turns, rate: float, time_zero: float, cable: float = 0.0, turned_zero: float = 0.0
) -> Float64s:
    """Torque of every bin less drift since `time_zero` and cable from `turned_zero` on; zeros stay where a bin is empty."""
    course = rate * (turns.time_s - time_zero)
    if cable:
        course = course + cable * (turns.turned() - turned_zero)
    return np.where(turns.n > 0, turns.torque_nm - course, 0.0)


def turn_spectra(
    turns: Turns, torque_nm: Float64s, highest: int, guess: Float64s | None = None
) -> TurnSpectra:
    """Complex amplitude (peak, N·m) by (whole turn, order 0..highest), and the coverage of each turn.

    Holes are filled from the other turns of the leg, the mean angle of each bin is led back to its centre, and the
    averaging over a bin's width is undone. `guess` (bins,) is the pattern, up to a constant, where no turn has a value; a
    straight line without.
    """
    use = slice(None) if turns.whole.all() else turns.whole
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
        if guess is None:
            average = np.interp(np.arange(bins), known, average[known], period=bins)
        else:
            level = float((average[known] - guess[known]).mean())
            average = np.where(seen > 0, average, guess + level)
    slope = _slope(average)
    filled = _filled(y - offset * slope, some, average)
    orders, spread = np.arange(highest + 1), turns.spread_rad2
    shape = 2.0 / bins * np.exp(-1j * orders * np.pi / bins) / droop(orders, spread)
    spectra = np.fft.rfft(filled, axis=1)[:, : highest + 1] * shape
    uneven_part = _uneven_part(turns, spectra.mean(0), spread)
    if uneven_part is not None:
        # The strong orders go as a whole, so that the slope that leads the rest back to the centres has nothing of them: the
        # slope of their means in uneven bins made lines beside them, 0.3 % of order 288 with two samples a bin.
        model, centre = uneven_part
        rest = np.where(some, y - model[use], 0.0)
        usual = np.where(seen > 0, rest.sum(0) / np.maximum(seen, 1), average - centre)
        filled = centre + _filled(rest - offset * _slope(usual), some, usual)
        spectra = np.fft.rfft(filled, axis=1)[:, : highest + 1] * shape
    without_foreign(turns, spectra, highest)
    return spectra, some.mean(1)


def without_foreign(turns: Turns, spectra: Complex128s, highest: int) -> None:
    """Take the mean over the turns off the orders beside hum, in place: no pattern of the machine."""
    foreign = [order for order in turns.foreign if order <= highest]
    # Their scatter stays, from which the noise of the orders beside them is judged too.
    spectra[:, foreign] -= spectra[:, foreign].mean(0)


def _filled(values: Float64s, some: Bools, elsewhere: Float64s) -> Float64s:
    """Turns (turns, bins) whose holes hold what the other turns say there, or `elsewhere` (bins,) says if none does."""
    # What fills a hole is of the bins' centres as the values beside it are. Their plain means, at the bins' mean angles, stood
    # out of the noise of ten turns as a defect in 54 of 400 cycles (truth family "ten turns a pass", 0.5 mN·m).
    if some.all():
        return values
    seen = some.sum(0)
    usual = np.where(seen > 0, np.where(some, values, 0.0).sum(0) / np.maximum(seen, 1), elsewhere)
    count = np.maximum(some.sum(1, keepdims=True), 1)
    apart = np.where(some, values - usual, 0.0).sum(1, keepdims=True) / count
    return np.where(some, values, usual + apart)


def _slope(wave: Float64s) -> Float64s:
    """Change over angle at the bin centres."""
    around = np.concatenate((wave[-1:], wave, wave[:1]))
    return np.asarray((around[2:] - around[:-2]) * (len(wave) / (4 * np.pi)), np.float64)


def _uneven_part(turns: Turns, mean: Complex128s, spread: float) -> tuple[Float64s, Float64s] | None:
    """The strong orders of a leg in its bins and at their centres; None where all bins see them alike."""
    # Bins of one sample beside bins of two, or of one encoder count beside two, beat with every strong order and make lines
    # that repeat from turn to turn.
    power = np.abs(mean) ** 2
    power[0] = 0.0
    least = max(STRONG * median(power[1:]), STRONG_SHARE**2 * float(power.max()))
    strong = np.flatnonzero(power > least).astype(np.int64)
    if len(strong) == 0 or uneven(turns, int(strong[-1]), spread) < UNEVEN_MIN:
        return None
    strong = np.sort(strong[np.argsort(-power[strong], kind="stable")[:MAX_KEPT]])
    return in_bins(mean[strong] * droop(strong, spread), strong, turns, spread)


def pooled_scatter(groups: Sequence[TurnSpectra]) -> Scatter | None:
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
    # Order 0 is the level of a turn, which a step between two passes moves: one of 10 mN·m hid orders of 3 mN·m beside it.
    own[0] = own[1]
    # A few turns leave an order a few differences of its own, too few to judge it by; noise is alike at neighbouring
    # orders, and real and imaginary part count each. At both ends the neighbours are mirrored.
    pooled = np.convolve(_mirrored(own, NEIGHBOURS), np.full(NOISE_ORDERS, 1.0 / NOISE_ORDERS), "valid")
    return Scatter(np.maximum(_with_slow_noise(own, pooled, dof), OWN_SHARE * own), dof * NOISE_ORDERS * 2)


def _mirrored(values: Float64s, by: int) -> Float64s:
    """Values with so many more at both ends, their neighbours mirrored."""
    return np.concatenate((values[by:0:-1], values, values[-2 : -by - 2 : -1]))


def _with_slow_noise(own: Float64s, pooled: Float64s, dof: int) -> Float64s:
    """Noise that grows towards low orders (1/f) is steeper than a moving mean can follow: never below W + P/n."""
    if len(own) <= 2 * LOW_ORDERS:
        return pooled
    white = median(pooled[LOW_ORDERS:])
    if white <= 0:  # a dead channel, or no noise at all
        return pooled
    orders = np.arange(1, LOW_ORDERS + 1)
    over = own[1 : LOW_ORDERS + 1] - white
    # Least squares of P/n, each order weighted by what its own scatter is worth: first as if there were no rise, then
    # with the rise found. A plain mean of n times the excess made half of all white noise look like a rise of half.
    rise = 0.0
    weight: Float64s = np.ones(LOW_ORDERS)
    for _ in range(2):
        scale = orders * white + rise
        if not scale.all():
            break
        weight = np.asarray(1.0 / scale**2, np.float64)
        rise = max(float((over * orders * weight).sum() / weight.sum()), 0.0)
    # White noise alone shows some rise in half of all cycles, and the larger of two estimates is too large on average.
    if dof * float(weight.sum()) * rise**2 <= 1.0:
        return pooled
    floor = pooled.copy()
    floor[1 : LOW_ORDERS + 1] = np.maximum(floor[1 : LOW_ORDERS + 1], white + rise / orders)
    return floor


def white_scatter(spectrum: Complex128s, above: int) -> Scatter:
    """The scatter of a single turn, taken as white from its orders beyond `above`."""
    # |c|² of noise is exponentially distributed: its median is ln 2 of its mean, and a line among them does not move it.
    tail = np.abs(spectrum[above + 1 :]) ** 2
    level = median(tail) / np.log(2.0) if len(tail) else 0.0
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


def significant(
    amplitudes: Complex128s, variance: Float64s, gate: Float64s, known: frozenset[int] = frozenset()
) -> Int64s:
    """Orders whose squared amplitude exceeds gate times variance of the mean; order 0 is never among them.

    An order that is not `known` must be a line as well: stand out of its neighbours.
    """
    power = amplitudes.real**2 + amplitudes.imag**2
    rounding = ROUNDING**2 * power[0]
    power[0] = 0.0
    least = np.maximum(gate * variance, max(ROUNDING * power.max(), rounding))
    if known and len(power) > 2 * LINE_NEIGHBOURS:
        # A defect at one angle spreads evenly over hundreds of orders, which would all be taken for lines.
        strange = power > least
        strange[list(known)] = False
        at = np.flatnonzero(strange)
        least[at] = np.maximum(least[at], LINE_OVER_NEIGHBOURS * usual_around(power, at))
    kept = np.flatnonzero(power > least)
    if len(kept) > MAX_KEPT:
        kept = np.sort(kept[np.argsort(-power[kept], kind="stable")[:MAX_KEPT]])
    return kept.astype(np.int64)


def usual_around(power: Float64s, at: Int64s) -> Float64s:
    """The lower quartile of the powers (orders,) around those at `at` (k,)."""
    if len(at) == 0:
        return np.zeros(0)
    around = _mirrored(power, LINE_NEIGHBOURS)
    windows = np.lib.stride_tricks.sliding_window_view(around, 2 * LINE_NEIGHBOURS + 1)[at]
    return np.asarray(
        np.partition(windows, LINE_NEIGHBOURS // 2, axis=1)[:, LINE_NEIGHBOURS // 2], np.float64
    )
