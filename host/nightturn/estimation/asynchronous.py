"""Torque at an order that is no whole number: over the rotor's angle it moves from turn to turn, so it is no pattern of the rotor's.

Bearings, belts and mains make such. Asynchronous is what spindle metrology calls a motion that does not repeat with the
turn (ASME B89.3.4; from memory). Seen through one turn an order n + d is one of n whose phase is another by d of a period in
the next turn; at the orders m around it shows as sinc(n + d - m), which says how large d is (own derivation).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from nightturn.estimation.least_squares import InseparableError, Solution, fit
from nightturn.estimation.quantiles import f_quantile
from nightturn.estimation.spectra import (
    LINE_NEIGHBOURS,
    LINE_OVER_NEIGHBOURS,
    TurnSpectra,
    turn_spectra,
    usual_around,
)
from nightturn.estimation.turns import Bools, Complex128s, Turns, droop
from nightturn.model.tiles import Float64s, Int64s

MOST = 4
"""Lines looked for, the strongest first."""
FALSE_FOUND = 0.01
"""Lines found in a cycle of nothing but noise, over all orders together."""
SHARE_MIN = 0.02
"""Scatter below this share of the order itself is that of its size, which temperature and speed change a little."""
LEFT_MIN = 0.5
"""Share that a bin leaves of the highest order; below, samples lie in the bins as no steady turning puts them there."""
TURNING = 4.0
"""Standard deviations by which the phase of an order that nobody declared goes on from turn to turn, where it is a line."""
STRONG = 10.0
"""Power over noise of an order whose phase is looked at."""
AROUND = 4
"""Orders on either side in which a line is looked at."""
STEPS = 8
"""Places between two orders that are tried, for each turn of a pass."""
POLISHED = 4
"""Steps of Gauss and Newton from the best of them."""
SETTLED = 4.0
"""Standard deviations between a line and the whole order beside it from which on they are told apart."""
CONDITION_MAX = 1e4
"""A line 0.001 from a whole order is a matter for its own standard deviation, not for the digits of a float."""
SETTLED_BESIDE = 8.0
"""The same where the rotor has that order too: what is its own then depends on where the line lies, and bends with it."""
EXPLAINED = 0.999
"""Chance of noise to leave less than this to the whole order, where the line alone is taken for all that is there."""
DIFFERENCE = 1e-5
"""Of orders, over which the change with the order is taken."""
LOW_ORDERS = 12
"""Orders over which the rise of the noise towards slow changes is looked at."""

Leg = tuple[Turns, Float64s]
"""Turns and their torque without drift, (revolutions, bins)."""


@dataclass(frozen=True, slots=True)
class Line:
    """An order that is no whole number.

    Attributes:
        order: where it lies; nearest: the whole order beside it; amplitude_nm: its peak, mean over the passes.
        turns: in the longest pass. settled: told apart from that order, and taken off; if not, `amplitude_nm` is what it may
            have of it at most.
        orders, extra: (k,) whole orders and what the line's own uncertainty adds to the noise E|c - c̄|² of their mean, as a
            share of it.
    """

    order: float
    nearest: int
    amplitude_nm: float
    turns: int
    orders: Int64s
    extra: Float64s
    settled: bool


@dataclass(frozen=True, slots=True)
class Apart:
    """Lines that are no whole orders, and what was looked at on the way.

    Attributes:
        lines: what was found; turns: of each leg, without the settled lines, their drift still in them.
        spectra: of each leg's whole turns as `turn_spectra` gives them; None where lines were taken out or no turn is repeated.
    """

    turns: tuple[Turns, ...] = ()
    lines: tuple[Line, ...] = ()
    spectra: tuple[TurnSpectra, ...] | None = None

    @property
    def untouched(self) -> bool:
        """Whether the turns are as they were given."""
        return not any(line.settled for line in self.lines)


NONE_APART = Apart()


@dataclass(frozen=True, slots=True)
class _Window:
    """The turns of all passes at the orders around one: `spectra` (turns, orders); `leg`, `way` (turns,) count from 0.

    `middle_rad` (turns,) is the unwrapped angle of each turn's middle, `from_leg_rad` the same from the middle of its leg.
    """

    nearest: int
    orders: Int64s
    spectra: Complex128s
    leg: Int64s
    way: Int64s
    middle_rad: Float64s
    from_leg_rad: Float64s


@dataclass(frozen=True, slots=True)
class _Fit:
    """A line in a window: its order, its amplitude by leg about the leg's middle, and the solution that has them.

    `part_nm` is the largest part that it can have in what the mean of the senses shows at the whole order, with 95 %.
    """

    order: float
    waves: Complex128s
    solution: Solution
    extra: Float64s
    part_nm: float
    settled: bool = True


def lines_apart(legs: Sequence[Leg], highest: int, known: frozenset[int]) -> Apart:
    """Such lines, and the turns of each leg without them.

    `known` are the orders that unit or rig make. Beside any other one a line is taken for all that is there, where that
    explains the turns.
    """
    turns = [leg for leg, _ in legs]
    torques = [torque for _, torque in legs]
    found: list[Line] = []
    repeated = any(int(leg.whole.sum()) > 1 for leg in turns)
    left = min(float(droop(np.array([highest]), leg.spread_rad2)[0]) for leg in turns)
    if not repeated or left < LEFT_MIN:
        return Apart(tuple(turns))
    seen: list[TurnSpectra] = []
    while len(found) < MOST:
        seen = [turn_spectra(leg, y, highest) for leg, y in zip(turns, torques, strict=True)]
        spectra = [each for each, _ in seen]
        nearest = _strange(turns, spectra, known, {line.nearest for line in found})
        if nearest is None:
            break
        window = _window(turns, spectra, nearest, highest)
        fitted = _fitted(window, len(legs), known=nearest in known)
        found.append(_line(window, fitted))
        if fitted is None or not fitted.settled:
            break
        for k, wave in enumerate(fitted.waves.tolist()):
            off = _in_bins(turns[k], fitted.order, wave)
            turns[k] = replace(turns[k], torque_nm=turns[k].torque_nm - off)
            torques[k] = torques[k] - off
    apart = Apart(tuple(turns), tuple(found))
    return replace(apart, spectra=tuple(seen)) if apart.untouched else apart


def _line(window: _Window, fitted: _Fit | None) -> Line:
    """What is said of a line; of one that cannot be told from the whole order, how much of that may be the line's."""
    turns = int(np.bincount(window.leg).max())
    at = window.orders == window.nearest
    none = window.orders[:0], np.zeros(0)
    if fitted is None:
        size = float(np.sqrt((np.abs(window.spectra[:, at]) ** 2).mean()))
        return Line(float(window.nearest), window.nearest, size, turns, *none, settled=False)
    if not fitted.settled:
        return Line(fitted.order, window.nearest, fitted.part_nm, turns, *none, settled=False)
    size = float(np.abs(fitted.waves).mean())
    return Line(fitted.order, window.nearest, size, turns, window.orders, fitted.extra, settled=True)


def widened(lines: Sequence[Line], highest: int) -> Float64s:
    """(orders,) from 0: how many times the noise of a mean is larger for what is not known of the lines."""
    out = np.ones(highest + 1)
    for line in lines:
        if line.settled:
            out[line.orders] += line.extra
    return out


def _strange(
    turns: Sequence[Turns], spectra: Sequence[Complex128s], known: frozenset[int], seen: set[int]
) -> int | None:
    """The order at which turns of one pass differ most, by more than noise and than its neighbours, or turn in phase."""
    repeated = [(leg, each) for leg, each in zip(turns, spectra, strict=True) if len(each) > 1]
    dof = sum(len(each) - 1 for _, each in repeated)
    if not dof or repeated[0][1].shape[1] <= 2 * LINE_NEIGHBOURS:
        return None
    own = sum(((np.abs(each - each.mean(0)) ** 2).sum(0) for _, each in repeated), np.zeros(1)) / dof
    own[0] = own[1]
    size = np.max([np.abs(each.mean(0)) for _, each in repeated], axis=0)
    gate = f_quantile(1.0 - FALSE_FOUND / len(own), 2 * dof, 2 * dof * LINE_NEIGHBOURS)
    noise = _noise(own, 2 * dof)
    if not noise[-1] > 0:  # a dead channel, or no noise at all
        return None
    over = own / (gate * noise)
    at = np.flatnonzero(over > 1.0)
    over[at] = own[at] / np.maximum(gate * noise[at], LINE_OVER_NEIGHBOURS * usual_around(own, at))
    over[own <= SHARE_MIN**2 * size**2] = 0.0
    turning = _turning(repeated, noise, dof) / TURNING
    turning[[order for order in known if order < len(turning)]] = 0.0
    over = np.maximum(over, turning)
    over[0] = 0.0
    for order in {*seen, *(order for leg in turns for order in leg.foreign)}:
        over[max(order - 1, 0) : order + 2] = 0.0
    worst = int(over.argmax())
    return worst if over[worst] > 1.0 else None


def _turning(repeated: Sequence[tuple[Turns, Complex128s]], noise: Float64s, dof: int) -> Float64s:
    """By how many standard deviations the phase of each order goes on from turn to turn."""
    pairs = [
        (each[1:] * np.conj(each[:-1])).sum(0)
        if leg.direction > 0
        else (each[:-1] * np.conj(each[1:])).sum(0)
        for leg, each in repeated
    ]
    total = np.asarray(sum(pairs), np.complex128)
    # The steps of a pass add up to its last phase less its first; noise of an amplitude a turns it by sqrt(v / 2) / a.
    sd = np.sqrt(len(repeated) * noise * dof / np.maximum(np.abs(total), 1e-300)) / dof
    strong = np.abs(total) > STRONG * dof * noise
    return np.asarray(np.where(strong, np.abs(np.angle(total)) / np.maximum(sd, 1e-12), 0.0), np.float64)


def _noise(own: Float64s, nu: int) -> Float64s:
    """White noise and its rise towards low orders, W + P/n, from medians: a line moves neither."""
    middle = f_quantile(0.5, nu, 1e6)
    white = float(np.median(own)) / middle
    orders = np.arange(len(own))
    low = orders[1 : LOW_ORDERS + 1]
    rise = max(float(np.median(low * (own[low] / middle - white))), 0.0)
    return np.asarray(white + rise / np.maximum(orders, 1), np.float64)


def _window(turns: Sequence[Turns], spectra: Sequence[Complex128s], nearest: int, highest: int) -> _Window:
    """What the turns hold around an order."""
    orders = np.arange(max(nearest - AROUND, 1), min(nearest + AROUND, highest) + 1)
    middles = [_middles(leg, np.flatnonzero(leg.whole)) for leg in turns]
    count = [len(each) for each in spectra]
    return _Window(
        nearest,
        orders,
        np.concatenate(spectra)[:, orders],
        np.repeat(np.arange(len(turns)), count),
        np.repeat([0 if leg.direction > 0 else 1 for leg in turns], count),
        np.concatenate(middles),
        np.concatenate([middle - middle.mean() for middle in middles]),
    )


def _seen(window: _Window, order: float) -> tuple[Complex128s, Complex128s]:
    """What a line of unit amplitude shows at the window's orders in every turn, and its image: factors of B and of conj(B)."""
    m = window.orders
    fixed = np.exp(-1j * m * window.middle_rad[:, None])
    turned = np.exp(1j * order * window.from_leg_rad)[:, None]
    direct, image = turned * fixed * np.sinc(order - m), np.conj(turned) * fixed * np.sinc(order + m)
    return np.asarray(direct, np.complex128), np.asarray(image, np.complex128)


def _searched(window: _Window, legs: int, *, alone: bool) -> float:
    """The order whose line explains most of how turns of a pass differ; `alone`: and of all that the nearest order holds."""
    steps = STEPS * int(np.bincount(window.leg).max())
    grid = window.nearest + np.linspace(-0.5, 0.5, 2 * (steps // 2) + 1)
    if not alone:
        grid = grid[grid != window.nearest]
    at = int(np.flatnonzero(window.orders == window.nearest)[0])
    gains = np.zeros(len(grid))
    for leg in range(legs):
        mine = window.leg == leg
        if mine.sum() < 2:
            continue
        here = window.spectra[mine] - _means(window.spectra[mine], at, alone=alone)
        for k, order in enumerate(grid.tolist()):
            shown = _seen(window, order)[0][mine]
            shown = shown - _means(shown, at, alone=alone)
            gains[k] += np.abs(np.vdot(shown, here)) ** 2 / float(np.vdot(shown, shown).real)
    return float(grid[gains.argmax()])


def _means(values: Complex128s, at: int, *, alone: bool) -> Complex128s:
    """Mean over the turns, which the rotor's own orders take; nothing at the order that is none."""
    out = np.asarray(values.mean(0), np.complex128)
    if alone:
        out[at] = 0.0
    return out


def _fitted(window: _Window, legs: int, *, known: bool) -> _Fit | None:
    """The line in the window; None where it cannot be told from the whole order beside it."""
    try:
        if not known:
            alone = _polished(window, legs, alone=True)
            beside = _solved(window, legs, alone.order, None, alone=False)
            few, many = alone.solution, beside.solution
            # One unknown more than the amplitudes: where the line lies.
            count, nu = few.nu - many.nu + 1, many.nu - 1
            more = few.variance * few.nu - many.variance * many.nu
            if more <= count * f_quantile(EXPLAINED, count, nu) * many.variance:
                return _settled(window, alone, SETTLED)
        return _settled(window, _polished(window, legs, alone=False), SETTLED_BESIDE)
    except InseparableError:
        return None


def _settled(window: _Window, found: _Fit, least: float) -> _Fit:
    """The line, and whether it lies at least so many standard deviations from the whole order."""
    u = float(np.sqrt(found.solution.unit_variances[-1] * found.solution.variance))
    return replace(found, settled=abs(found.order - window.nearest) > least * u)


def _polished(window: _Window, legs: int, *, alone: bool) -> _Fit:
    """Least squares of the rotor's orders by sense, the line's amplitude by leg, and where it lies.

    Raises:
        InseparableError: the line is too near to the whole order.
    """
    found = _solved(window, legs, _searched(window, legs, alone=alone), None, alone=alone)
    for _ in range(POLISHED):
        found = _solved(window, legs, found.order, found.waves, alone=alone)
    return found


def _solved(window: _Window, legs: int, order: float, waves: Complex128s | None, *, alone: bool) -> _Fit:
    """The amplitudes for a line at this order; with amplitudes from before, a step towards where it lies as well.

    Raises:
        InseparableError: the line is too near to the whole order.
    """
    free = np.ones(len(window.orders), np.bool_)
    if alone:
        free[window.orders == window.nearest] = False
    ways = np.unique(window.way).tolist()
    places = np.flatnonzero(free).tolist()
    parts = [part for way in ways for m in places for part in _units(window, window.way == way, m)]
    direct, image = _seen(window, order)
    for leg in range(legs):
        mine = (window.leg == leg)[:, None]
        parts += [np.where(mine, unit * direct + np.conj(unit) * image, 0.0) for unit in (1.0, 1j)]
    if waves is not None:
        near = _seen(window, order + DIFFERENCE)
        by_leg = waves[window.leg][:, None]
        parts.append((by_leg * (near[0] - direct) + np.conj(by_leg) * (near[1] - image)) / DIFFERENCE)
    y = _stacked(window.spectra)
    columns = np.column_stack([_stacked(part) for part in parts])
    solution = fit(columns, y, np.ones(len(y)), CONDITION_MAX)
    own = 2 * len(ways) * len(places)
    pairs = solution.x[own : own + 2 * legs].reshape(legs, 2)
    amplitudes = np.asarray(pairs[:, 0] + 1j * pairs[:, 1], np.complex128)
    moved = order + float(solution.x[-1]) if waves is not None else order
    # Not knowing the line errs in both senses alike. Without it the mean of the senses has the variance Σ 1/turns.
    shape = (len(ways), len(places), 2) * 2
    together = solution.unit_covariance[:own, :own].reshape(shape).sum((0, 3))
    usual = sum(1.0 / float((window.way == way).sum()) for way in ways)
    extra = np.zeros(len(window.orders))
    extra[free] = np.maximum(np.einsum("mcmc->m", together) / 2 / usual - 1.0, 0.0)
    at = int(np.flatnonzero(window.orders == window.nearest)[0])
    shown = (direct * amplitudes[window.leg][:, None] + image * np.conj(amplitudes)[window.leg][:, None])[
        :, at
    ]
    part = abs(sum(shown[window.way == way].mean() for way in ways)) / len(ways)
    part += 2.0 * float(np.sqrt(2.0 * solution.variance * usual * extra[at])) / len(ways)
    order = float(np.clip(moved, window.nearest - 1, window.nearest + 1))
    return _Fit(order, amplitudes, solution, extra, float(part))


def _stacked(values: Complex128s) -> Float64s:
    """Real parts and then imaginary parts of all turns and orders."""
    return np.concatenate((values.real.ravel(), values.imag.ravel()))


def _units(window: _Window, mine: Bools, m: int) -> tuple[Complex128s, Complex128s]:
    """One and j at an order in the turns of a sense."""
    unit = np.zeros(window.spectra.shape, np.complex128)
    unit[mine, m] = 1.0
    return unit, 1j * unit


def _in_bins(turns: Turns, order: float, amplitude: complex) -> Float64s:
    """The line in every bin of a leg; its amplitude is about the middle of the leg's whole turns."""
    rows = np.flatnonzero(turns.whole)
    angle = 2 * np.pi * turns.turned() + turns.offset_rad - _middles(turns, rows).mean()
    # A bin of more samples leaves less of it: 1.3 % at order 672 between six samples and seven.
    left = np.sinc(order * np.sqrt(12 * np.maximum(turns.spreads_rad2, 0.0)) / (2 * np.pi))
    return np.asarray(np.where(turns.n > 0, left * (amplitude * np.exp(1j * order * angle)).real, 0.0))


def _middles(turns: Turns, rows: Int64s) -> Float64s:
    """Unwrapped angle of the middle of some turns, rad."""
    # A pass backwards begins at the upper edge of its first bin.
    edge = turns.first_bin if turns.direction > 0 else turns.first_bin + 1
    return np.asarray(2 * np.pi * (edge / turns.bins + turns.direction * (rows + 0.5)))
