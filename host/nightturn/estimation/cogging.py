"""Cogging from both directions: the lag between them found and removed, then the mean of the two."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from nightturn.estimation.asynchronous import NONE_APART, Apart, Line, widened
from nightturn.estimation.extremes import Lines, expected_peak_to_peak
from nightturn.estimation.families import Faint, faint_orders, with_others
from nightturn.estimation.hidden import hidden_pp
from nightturn.estimation.lag import LAG_GATE, Lag, find_lag, lag_range
from nightturn.estimation.localised import (
    LOCAL_TURNS,
    Localised,
    cut_out,
    defects_apart,
    localised_in,
    settled_in,
)
from nightturn.estimation.order_fit import Bed, OrderFit, bed_of, collapse, fit_orders, pattern
from nightturn.estimation.ripple import floor_of
from nightturn.estimation.spectra import (
    Scatter,
    TurnSpectra,
    gates,
    pooled_scatter,
    significant,
    turn_spectra,
    white_scatter,
)
from nightturn.estimation.transfer import DoubtOf, Transfer
from nightturn.estimation.turns import Bools, Complex128s, Turns
from nightturn.estimation.waveform import PeakToPeak, rebuild
from nightturn.model.tiles import Float64s, Int64s

LAG_LEAST = 2
"""One order alone cannot tell a lag from friction that follows the same order."""
LAG_EFFECT = 0.01
"""A second alignment that changes the peak-to-peak by more than this share makes it ambiguous; by less, it enters u."""


@dataclass(frozen=True, slots=True)
class Cogging:
    """Cogging orders, their variance, peak-to-peak and how the directions were aligned.

    `forward` and `backward` are the fits by direction, which carry each direction's own mean and pattern. `doubts` are what
    resonance, filter and rig record contribute to the uncertainty, `gross` the orders with the rig's own in them;
    `asynchronous` are orders between the whole ones, which are not in it. `spectra` are all turns of either direction
    (turns, orders), `of_mean` (orders,) the noise E|c - c̄|² of half the sum of their means.
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
    hidden_pp_nm: float
    localised: Localised | None
    doubts: tuple[DoubtOf, ...]
    gross: Lines
    forward: OrderFit
    backward: OrderFit
    asynchronous: tuple[Line, ...]
    spectra: tuple[Complex128s, Complex128s]
    of_mean: Float64s


@dataclass(frozen=True, slots=True)
class _Reading:
    """The mean turn of both directions, aligned, and which of its orders stand out.

    `single` are the fitted amplitudes by direction, `turns` the spectra, both without the delays that the filter gives each
    order.
    """

    counts: tuple[int, int]
    turns: tuple[Complex128s, Complex128s]
    lag: Lag
    mean: Complex128s
    scatter: Scatter
    scattered: bool
    of_mean: Float64s
    gate: Float64s
    forward: OrderFit
    backward: OrderFit
    single: tuple[Complex128s, Complex128s]
    amplitudes: Complex128s
    faint: Faint

    @property
    def enough(self) -> bool:
        """Whether there are turns enough to look for a deviation at one angle."""
        return self.scattered and sum(self.counts) >= LOCAL_TURNS

    def faint_with_others(self, known: frozenset[int]) -> Faint:
        """The faint orders with those that nobody declared, where they hold more than noise."""
        kept, nu = self.forward.orders, self.scatter.nu
        return with_others(self.faint, self.mean, self.of_mean, self.gate, known, kept, nu)

    @property
    def geometry(self) -> Float64s:
        """By order fitted, how many times larger its variance is than over whole turns without a hole."""
        return np.maximum(self.forward.geometry, self.backward.geometry)


def cogging_of(
    legs: Sequence[tuple[Turns, Float64s]],
    highest: int,
    declared: frozenset[int],
    family: frozenset[int],
    drift_spread: float,
    transfer: Transfer,
    apart: Apart = NONE_APART,
) -> Cogging:
    """Estimate the cogging of slow passes in both directions; `legs` are turns and their torque without drift.

    `family` are orders that the unit makes weakly, beside the declared ones; the lines `apart` were taken out; `transfer` leads
    back to it.

    Raises:
        numpy.linalg.LinAlgError: the bins that exist cannot tell the orders apart.
    """
    ways = [[leg for leg in legs if leg[0].direction == way] for way in (1, -1)]
    beds = [[bed_of(turns) for turns, _ in way] for way in ways]
    read: Callable[..., _Reading] = partial(
        _read, highest, declared, family, drift_spread, transfer, widened(apart.lines, highest), beds
    )
    first, read = _first(read, ways, [_seen(legs, apart, way) for way in (1, -1)])
    found, local = _without_defects(read, ways, first, transfer) if first.enough else (first, None)
    kept = found.forward.orders
    lag, other_nm = _other_alignments(found)
    as_read = Lines(kept, found.amplitudes, found.of_mean[kept] / 2 * found.geometry)
    lines = transfer.lines(as_read)
    faint = found.faint_with_others(declared | family)
    peak = expected_peak_to_peak(lines, transfer.faint(faint), transfer.local(local))
    return Cogging(
        turns=sum(found.counts),
        lag=lag,
        orders=kept,
        amplitudes=lines.amplitudes,
        variance=lines.variance,
        nu=found.scatter.nu,
        scattered=found.scattered,
        peak=PeakToPeak(peak.value_nm, float(np.hypot(peak.u_nm, other_nm)), peak.faint_nm),
        floor_nm=floor_of(found.of_mean, found.gate),
        hidden_pp_nm=hidden_pp(found.mean, found.of_mean, declared, kept, peak.value_nm),
        localised=local,
        doubts=transfer.doubts_of(as_read),
        gross=transfer.gross(as_read),
        forward=found.forward,
        backward=found.backward,
        asynchronous=apart.lines,
        spectra=first.turns,
        of_mean=first.of_mean,
    )


def _seen(legs: Sequence[tuple[Turns, Float64s]], apart: Apart, way: int) -> Sequence[TurnSpectra] | None:
    """The spectra of the legs of one direction where they are known already."""
    if apart.spectra is None:
        return None
    return [each for (turns, _), each in zip(legs, apart.spectra, strict=True) if turns.direction == way]


def _first(
    read: Callable[..., _Reading],
    ways: Sequence[Sequence[tuple[Turns, Float64s]]],
    seen: Sequence[Sequence[TurnSpectra] | None],
) -> tuple[_Reading, Callable[..., _Reading]]:
    """The first reading, and how to read again: with what the fit says where no turn has a value."""
    first = read(ways, seen=seen)
    if all(turns.everywhere for way in ways for turns, _ in way):
        return first, read
    # A straight line across a hole leaks the strong orders into the faint ones; what the fit says does not.
    bins = ways[0][0][0].bins
    read = partial(read, guesses=[pattern(fit, bins)[0] for fit in (first.forward, first.backward)])
    return read(ways), read


def _without_defects(
    read: Callable[..., _Reading],
    ways: Sequence[Sequence[tuple[Turns, Float64s]]],
    first: _Reading,
    transfer: Transfer,
) -> tuple[_Reading, Localised | None]:
    """The reading without what is at one angle only, and that."""
    settled = [settled_in([turns for turns, _ in way]) for way in ways]
    # A deviation at one angle is late by what the filter holds back of slow changes, beside the lag.
    late = first.lag.rad + float(transfer.late_rad[1])

    def cut(reading: _Reading, zones: Bools) -> _Reading:
        fits = (reading.forward, reading.backward)
        return read(
            [
                [(t, cut_out(t, y, fit, zones, t.direction * late)) for t, y in way]
                for way, fit in zip(ways, fits, strict=True)
            ]
        )

    return defects_apart(first, lambda reading, share: _local(first, settled, reading, share), cut)


def _read(
    highest: int,
    declared: frozenset[int],
    family: frozenset[int],
    drift_spread: float,
    transfer: Transfer,
    wide: Float64s,
    beds: Sequence[Sequence[Bed]],
    ways: Sequence[Sequence[tuple[Turns, Float64s]]],
    guesses: Sequence[Float64s | None] = (None, None),
    seen: Sequence[Sequence[TurnSpectra] | None] = (None, None),
) -> _Reading:
    """The orders of the mean turn that stand out, fitted, and the known ones that do not; `seen` are spectra known already."""
    turned = transfer.undelayed
    each = [_direction_spectra(*one, highest) for one in zip(ways, guesses, seen, turned, strict=True)]
    # Turns of one direction are compared with each other, not those of one leg: with one turn a pass the first and the
    # third pass are all there is to tell scatter from.
    # A constant of its own for each leg changes order 0 only, so turns of several legs may be pooled.
    scatter = pooled_scatter([(s[:, : highest + 1], c) for s, c in each])
    scattered = scatter is not None
    means = [spectra.mean(0) for spectra, _ in each]
    if scatter is None:
        scatter = _white(means, highest)
    one, other = (len(spectra) for spectra, _ in each)
    forward, backward = (m[: highest + 1] for m in means)
    noise = scatter.variance / one, scatter.variance / other
    lag = find_lag(forward, backward, *noise, declared, family, lag_range(ways[0][0][0]))
    both = _aligned(np.arange(highest + 1), forward, backward, lag.rad)
    of_mean = scatter.variance * wide * (1 / one + 1 / other) / 4  # of half the sum of two means
    gate = gates(scatter.nu, declared, highest)
    known = declared | family
    kept = np.union1d(significant(both, of_mean, gate, known), transfer.asked)
    fits = [_fitted(*way, kept, drift_spread) for way in zip(ways, beds, strict=True)]
    single = fits[0].amplitudes * turned[0][kept], fits[1].amplitudes * turned[1][kept]
    amplitudes = _aligned(kept, *single, lag.rad)
    return _Reading(
        counts=(one, other),
        turns=(each[0][0][:, : highest + 1], each[1][0][:, : highest + 1]),
        lag=lag,
        mean=both,
        scatter=scatter,
        scattered=scattered,
        of_mean=of_mean,
        gate=gate,
        forward=fits[0],
        backward=fits[1],
        single=single,
        amplitudes=amplitudes,
        faint=faint_orders(both, of_mean, gate, declared, family, kept),
    )


def _fitted(
    way: Sequence[tuple[Turns, Float64s]], beds: Sequence[Bed], kept: Int64s, drift_spread: float
) -> OrderFit:
    """The orders in all turns of one direction."""
    collapsed = [collapse(turns, torque, bed) for (turns, torque), bed in zip(way, beds, strict=True)]
    return fit_orders(collapsed, kept, drift_spread)


def _other_alignments(found: _Reading) -> tuple[Lag, float]:
    """The lag, ambiguous only where another alignment would change the peak-to-peak; and what it adds to u, N·m."""
    # A pattern of one order and its multiples repeats: to move by a period changes nothing that is seen.
    if not found.lag.rivals:
        return found.lag, 0.0
    kept = found.forward.orders
    first = found.amplitudes
    shifted = [_aligned(kept, *found.single, rival) for rival in found.lag.rivals]
    spans = [float(np.ptp(rebuild(kept, amplitudes))) for amplitudes in (first, *shifted)]
    apart = max(abs(span - spans[0]) for span in spans[1:])
    # A false line beside a single order decides nothing.
    sure = np.abs(found.amplitudes) ** 2 > LAG_GATE * found.of_mean[kept]
    alone = int(sure.sum()) < LAG_LEAST
    if alone or apart > LAG_EFFECT * spans[0]:
        return found.lag, 0.0
    return replace(found.lag, ambiguous=False), apart / np.sqrt(3.0)


def _local(first: _Reading, settled: Sequence[Bools], found: _Reading, share: float) -> Localised | None:
    """What of the turns of the first reading is at one angle and none of the orders found since; settled: by direction."""
    orders = np.arange(len(first.mean))
    left = []
    for turns, sign in zip(first.turns, (1, -1), strict=True):
        rest = turns * np.exp(1j * sign * orders * first.lag.rad)
        rest[:, found.forward.orders] -= found.amplitudes
        rest[:, found.faint.orders] -= found.faint.shrunk
        left.append(rest)
    return localised_in(left, settled, found.of_mean, settled[0].shape[1], share)


def _direction_spectra(
    way: Sequence[tuple[Turns, Float64s]],
    guess: Float64s | None,
    seen: Sequence[TurnSpectra] | None,
    undelayed: Complex128s,
    highest: int,
) -> TurnSpectra:
    """Spectra and coverage of all whole turns of one direction; to the last order when no turn is repeated.

    `undelayed` (orders,) turns each order back by what the filter delays it.
    """
    repeated = sum(int(t.whole.sum()) for t, _ in way) > 1
    top = highest if repeated else way[0][0].bins // 2 - 1
    parts = seen if seen and repeated else [turn_spectra(t, y, top, guess) for t, y in way]
    spectra = np.concatenate([s for s, _ in parts])
    spectra[:, : len(undelayed)] *= undelayed
    return spectra, np.concatenate([c for _, c in parts])


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
