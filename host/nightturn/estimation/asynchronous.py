"""Torque at an order that is no whole number: over the rotor's angle it moves from turn to turn, so it is no pattern of the rotor's.

Bearings, belts and mains make such. Asynchronous is what spindle metrology calls a motion that does not repeat with the
turn (ASME B89.3.4; from memory). Seen through one turn an order n + d is one of n whose phase is another by d of a period in
the next turn; at the orders m around it shows as sinc(n + d - m), which says how large d is (own derivation).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from nightturn.estimation.hum import HUM_WIDTH
from nightturn.estimation.line_fit import LineFit, Window, fitted_line, middles_of, window_of
from nightturn.estimation.quantiles import f_quantile
from nightturn.estimation.spectra import (
    LINE_NEIGHBOURS,
    LINE_OVER_NEIGHBOURS,
    TurnSpectra,
    turn_spectra,
    usual_around,
    without_foreign,
)
from nightturn.estimation.turns import Complex128s, Turns, droop
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
        of_mains: it lies beside mains hum.
    """

    order: float
    nearest: int
    amplitude_nm: float
    turns: int
    orders: Int64s
    extra: Float64s
    settled: bool
    of_mains: bool = False


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


def lines_apart(legs: Sequence[Leg], highest: int, known: frozenset[int]) -> Apart:
    """Such lines, and the turns of each leg without them.

    `known` are the orders that unit or rig make. Beside any other one a line is taken for all that is there, where that
    explains the turns.
    """
    repeated = any(int(leg.whole.sum()) > 1 for leg, _ in legs)
    left = min(float(droop(np.array([highest]), leg.spread_rad2)[0]) for leg, _ in legs)
    if not repeated or left < LEFT_MIN:
        return Apart(tuple(leg for leg, _ in legs))
    mains = {order for leg, _ in legs for order in leg.foreign}
    # Hum beside an order that the machine has is taken off as the line that it is; elsewhere its mean is.
    beside = {order for order in mains if not known.isdisjoint(range(order - 1, order + 2))}
    turns = [
        replace(leg, foreign=tuple(order for order in leg.foreign if order not in beside)) for leg, _ in legs
    ]
    torques = [torque for _, torque in legs]
    found: list[Line] = []
    passed: set[int] = set()
    seen: list[TurnSpectra] = []
    while len(found) < MOST:
        seen = [turn_spectra(leg, y, highest) for leg, y in zip(turns, torques, strict=True)]
        spectra = [each for each, _ in seen]
        nearest = _strange(turns, spectra, known, passed)
        if nearest is None:
            break
        passed.add(nearest)
        window = window_of(turns, spectra, nearest, highest)
        fitted = fitted_line(window, len(legs), known=nearest in known)
        settled = fitted is not None and fitted.settled
        if nearest in beside and not settled:
            continue
        line = _line(window, fitted)
        found.append(replace(line, of_mains=any(abs(order - line.order) < HUM_WIDTH for order in mains)))
        if fitted is None or not settled:
            break
        for k, wave in enumerate(fitted.waves.tolist()):
            off = _in_bins(turns[k], fitted.order, wave)
            turns[k] = replace(turns[k], torque_nm=turns[k].torque_nm - off)
            torques[k] = torques[k] - off
    return _found_apart(turns, [leg.foreign for leg, _ in legs], found, seen, highest)


def _found_apart(
    turns: Sequence[Turns],
    foreign: Sequence[tuple[int, ...]],
    found: Sequence[Line],
    seen: Sequence[TurnSpectra],
    highest: int,
) -> Apart:
    """The lines and the turns, whose orders beside hum are `foreign` again, by leg."""
    whole = tuple(replace(leg, foreign=orders) for leg, orders in zip(turns, foreign, strict=True))
    apart = Apart(whole, tuple(found))
    if not apart.untouched:
        return apart
    for leg, (spectra, _) in zip(whole, seen, strict=True):
        without_foreign(leg, spectra, highest)
    return replace(apart, spectra=tuple(seen))


def _line(window: Window, fitted: LineFit | None) -> Line:
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
    if not over[worst] > 1.0:
        return None
    # Beside a line the phases turn as well, and may stand out more: it is where the turns differ most.
    around = np.arange(max(worst - 1, 1), min(worst + 2, len(own)))
    around = around[over[around] > 1.0]
    return int(around[own[around].argmax()])


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


def _in_bins(turns: Turns, order: float, amplitude: complex) -> Float64s:
    """The line in every bin of a leg; its amplitude is about the middle of the leg's whole turns."""
    rows = np.flatnonzero(turns.whole)
    angle = 2 * np.pi * turns.turned() + turns.offset_rad - middles_of(turns, rows).mean()
    # A bin of more samples leaves less of it: 1.3 % at order 672 between six samples and seven.
    left = np.sinc(order * np.sqrt(12 * np.maximum(turns.spreads_rad2, 0.0)) / (2 * np.pi))
    return np.asarray(np.where(turns.n > 0, left * (amplitude * np.exp(1j * order * angle)).real, 0.0))
