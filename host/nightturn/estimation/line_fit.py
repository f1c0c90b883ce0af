"""A line at an order that is no whole number, fitted to the turns around one: where it lies, its size, what the rotor has beside it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from nightturn.estimation.least_squares import InseparableError, Solution, fit
from nightturn.estimation.quantiles import f_quantile
from nightturn.estimation.turns import Bools, Complex128s, Turns
from nightturn.model.tiles import Float64s, Int64s

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


@dataclass(frozen=True, slots=True)
class Window:
    """The turns of all passes at the orders around one: `spectra` (turns, orders); `leg`, `way` (turns,) count from 0.

    `fixed` (turns, orders) turns each order back by the unwrapped angle of each turn's middle; `from_leg_rad` (turns,) is that angle
    from the middle of its leg. `short` (turns,) is the share of a turn that its pass did not reach, `short_rad` where the middle of
    that lies from the turn's own; there stands the mean of the other turns of the pass, `others` (turns, turns) times all of them.
    """

    nearest: int
    orders: Int64s
    spectra: Complex128s
    leg: Int64s
    way: Int64s
    fixed: Complex128s
    from_leg_rad: Float64s
    short: Float64s
    short_rad: Float64s
    others: Float64s


@dataclass(frozen=True, slots=True)
class _Rotor:
    """The rotor's orders in a window: `free` (orders,) which of them, by so many `ways`; `columns` two for each (values, 2 ways orders)."""

    free: Bools
    ways: int
    columns: Float64s


@dataclass(frozen=True, slots=True)
class LineFit:
    """A line in a window: its order, its amplitude by leg about the leg's middle, and the solution that has them.

    `part_nm` is the largest part that it can have in what the mean of the senses shows at the whole order, with 95 %.
    """

    order: float
    waves: Complex128s
    solution: Solution
    extra: Float64s
    part_nm: float
    settled: bool = True


def window_of(turns: Sequence[Turns], spectra: Sequence[Complex128s], nearest: int, highest: int) -> Window:
    """What the turns hold around an order."""
    orders = np.arange(max(nearest - AROUND, 1), min(nearest + AROUND, highest) + 1)
    middles = [middles_of(leg, np.flatnonzero(leg.whole)) for leg in turns]
    count = [len(each) for each in spectra]
    number = np.repeat(np.arange(len(turns)), count)
    directions = np.repeat([leg.direction for leg in turns], count)
    short = np.concatenate([_short(leg) for leg in turns])
    beside = (number[:, None] == number) & ~np.eye(len(number), dtype=np.bool_)
    return Window(
        nearest,
        orders,
        np.concatenate(spectra)[:, orders],
        number,
        np.where(directions > 0, 0, 1),
        np.asarray(np.exp(-1j * orders * np.concatenate(middles)[:, None]), np.complex128),
        np.concatenate([middle - middle.mean() for middle in middles]),
        short,
        directions * np.pi * (1.0 - short),
        beside / np.maximum(beside.sum(1, keepdims=True), 1),
    )


def _short(leg: Turns) -> Float64s:
    """By whole turn, which share of it lies beyond the last bin that was reached."""
    travelled = (np.arange(leg.bins) - leg.first_bin) * leg.direction % leg.bins
    last = np.where(leg.n[leg.whole] > 0, travelled, 0).max(axis=1, initial=0)
    return np.asarray(1.0 - (last + 1) / leg.bins, np.float64)


def _shown(window: Window, order: Float64s) -> Complex128s:
    """What lines of unit amplitude at orders (places,) show at those of the window in every turn: (places, turns, orders)."""
    turned = np.exp(1j * order[:, None] * window.from_leg_rad)
    away = order[:, None, None] - window.orders
    # A turn that its pass did not end has the mean of the others there. Taken for whole, with 0.38 of it missing, it left 13 % of a
    # hum of 3 mN·m to the rotor and put its order by 0.03 from where it lay (order 672.4, 3 turns a pass).
    short = window.short[:, None]
    beyond = short * np.sinc(away * short) * np.exp(1j * away * window.short_rad[:, None])
    apart = turned @ window.others.T - turned
    return np.asarray(
        window.fixed * (turned[:, :, None] * np.sinc(away) + apart[:, :, None] * beyond), np.complex128
    )


def _seen(window: Window, order: float) -> tuple[Complex128s, Complex128s]:
    """What a line of unit amplitude shows at the window's orders in every turn, and its image: factors of B and of conj(B)."""
    direct, image = _shown(window, np.array([order, -order]))
    return direct, image


def _searched(window: Window, legs: int, *, alone: bool) -> float:
    """The order whose line explains most of how turns of a pass differ; `alone`: and of all that the nearest order holds."""
    steps = STEPS * int(np.bincount(window.leg).max())
    grid = window.nearest + np.linspace(-0.5, 0.5, 2 * (steps // 2) + 1)
    if not alone:
        grid = grid[grid != window.nearest]
    at = int(np.flatnonzero(window.orders == window.nearest)[0])
    gains = np.zeros(len(grid))
    every = _shown(window, grid)
    for leg in range(legs):
        mine = window.leg == leg
        if mine.sum() < 2:
            continue
        here = _without_means(window.spectra[mine], at, alone=alone)
        shown = _without_means(every[:, mine], at, alone=alone)
        size = (shown.real**2 + shown.imag**2).sum((1, 2))
        gains += np.abs((np.conj(shown) * here).sum((1, 2))) ** 2 / size
    return float(grid[gains.argmax()])


def _without_means(values: Complex128s, at: int, *, alone: bool) -> Complex128s:
    """Less the mean over the turns, which the rotor's own orders take; nothing at the order that is none."""
    means = np.asarray(values.mean(-2, keepdims=True), np.complex128)
    if alone:
        means[..., at] = 0.0
    return np.asarray(values - means, np.complex128)


def fitted_line(window: Window, legs: int, *, known: bool) -> LineFit | None:
    """The line in the window; None where it cannot be told from the whole order beside it."""
    try:
        if not known:
            alone = _polished(window, legs, alone=True)
            beside = _solved(window, legs, _rotor(window, alone=False), alone.order, None)
            few, many = alone.solution, beside.solution
            # One unknown more than the amplitudes: where the line lies.
            count, nu = few.nu - many.nu + 1, many.nu - 1
            more = few.variance * few.nu - many.variance * many.nu
            if more <= count * f_quantile(EXPLAINED, count, nu) * many.variance:
                return _settled(window, alone, SETTLED)
        return _settled(window, _polished(window, legs, alone=False), SETTLED_BESIDE)
    except InseparableError:
        return None


def _settled(window: Window, found: LineFit, least: float) -> LineFit:
    """The line, and whether it lies at least so many standard deviations from the whole order."""
    u = float(np.sqrt(found.solution.unit_variances[-1] * found.solution.variance))
    return replace(found, settled=abs(found.order - window.nearest) > least * u)


def _polished(window: Window, legs: int, *, alone: bool) -> LineFit:
    """Least squares of the rotor's orders by sense, the line's amplitude by leg, and where it lies.

    Raises:
        InseparableError: the line is too near to the whole order.
    """
    rotor = _rotor(window, alone=alone)
    found = _solved(window, legs, rotor, _searched(window, legs, alone=alone), None)
    for _ in range(POLISHED):
        found = _solved(window, legs, rotor, found.order, found.waves)
    return found


def _rotor(window: Window, *, alone: bool) -> _Rotor:
    """The rotor's own orders in a window, all but the nearest where the line is all that is there."""
    free = np.ones(len(window.orders), np.bool_)
    if alone:
        free[window.orders == window.nearest] = False
    ways = np.unique(window.way).tolist()
    units = np.zeros((len(ways), int(free.sum()), 2, *window.spectra.shape), np.complex128)
    for place, m in enumerate(np.flatnonzero(free).tolist()):
        for row, way in enumerate(ways):
            units[row, place, :, window.way == way, m] = 1.0, 1.0j
    columns = np.stack([_stacked(unit) for unit in units.reshape(-1, *window.spectra.shape)], axis=1)
    return _Rotor(free, len(ways), columns)


def _solved(window: Window, legs: int, rotor: _Rotor, order: float, waves: Complex128s | None) -> LineFit:
    """The amplitudes for a line at this order; with amplitudes from before, a step towards where it lies as well.

    Raises:
        InseparableError: the line is too near to the whole order.
    """
    direct, image = _seen(window, order)
    parts: list[Complex128s] = []
    for leg in range(legs):
        mine = (window.leg == leg)[:, None]
        parts += [np.where(mine, unit * direct + np.conj(unit) * image, 0.0) for unit in (1.0, 1j)]
    if waves is not None:
        near = _seen(window, order + DIFFERENCE)
        by_leg = waves[window.leg][:, None]
        parts.append((by_leg * (near[0] - direct) + np.conj(by_leg) * (near[1] - image)) / DIFFERENCE)
    y = _stacked(window.spectra)
    columns = np.column_stack((rotor.columns, *(_stacked(part) for part in parts)))
    solution = fit(columns, y, np.ones(len(y)), CONDITION_MAX)
    own, ways, free = rotor.columns.shape[1], rotor.ways, rotor.free
    pairs = solution.x[own : own + 2 * legs].reshape(legs, 2)
    amplitudes = np.asarray(pairs[:, 0] + 1j * pairs[:, 1], np.complex128)
    moved = order + float(solution.x[-1]) if waves is not None else order
    # Not knowing the line errs in both senses alike. Without it the mean of the senses has the variance Σ 1/turns.
    shape = (ways, int(free.sum()), 2) * 2
    together = solution.unit_covariance[:own, :own].reshape(shape).sum((0, 3))
    senses = [window.way == way for way in np.unique(window.way).tolist()]
    usual = sum(1.0 / float(sense.sum()) for sense in senses)
    extra = np.zeros(len(window.orders))
    extra[free] = np.maximum(np.einsum("mcmc->m", together) / 2 / usual - 1.0, 0.0)
    at = int(np.flatnonzero(window.orders == window.nearest)[0])
    shown = (direct * amplitudes[window.leg][:, None] + image * np.conj(amplitudes)[window.leg][:, None])[
        :, at
    ]
    part = abs(sum(shown[sense].mean() for sense in senses)) / ways
    part += 2.0 * float(np.sqrt(2.0 * solution.variance * usual * extra[at])) / ways
    order = float(np.clip(moved, window.nearest - 1, window.nearest + 1))
    return LineFit(order, amplitudes, solution, extra, float(part))


def _stacked(values: Complex128s) -> Float64s:
    """Real parts and then imaginary parts of all turns and orders."""
    return np.concatenate((values.real.ravel(), values.imag.ravel()))


def middles_of(turns: Turns, rows: Int64s) -> Float64s:
    """Unwrapped angle of the middle of some turns, rad."""
    # A pass backwards begins at the upper edge of its first bin.
    edge = turns.first_bin if turns.direction > 0 else turns.first_bin + 1
    return np.asarray(2 * np.pi * (edge / turns.bins + turns.direction * (rows + 0.5)))
