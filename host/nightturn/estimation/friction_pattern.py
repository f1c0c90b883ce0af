"""Friction over angle: half of what the directions differ by at each angle, with the machinery of the cogging."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from nightturn.estimation.cogging import Cogging
from nightturn.estimation.extremes import Lines, expected_peak_to_peak
from nightturn.estimation.families import RIG_ORDERS, Faint, faint_orders
from nightturn.estimation.hidden import hidden_pp
from nightturn.estimation.localised import (
    LOCAL_TURNS,
    Localised,
    cut_out,
    defects_apart,
    localised_in,
    settled_in,
)
from nightturn.estimation.order_fit import OrderFit, collapse, fit_orders, pattern
from nightturn.estimation.ripple import floor_of
from nightturn.estimation.spectra import gates, significant, turn_spectra
from nightturn.estimation.transfer import DoubtOf, Transfer
from nightturn.estimation.turns import Bools, Complex128s, Turns
from nightturn.estimation.waveform import PeakToPeak
from nightturn.model.tiles import Float64s, Int64s

DECLARED = frozenset(range(1, RIG_ORDERS + 1))
"""Runout and misalignment of bearings and seals; nobody declares further orders of friction."""
OWN_LAG = 0.5
"""How far an order may lag by itself beside the common lag, in shares of that lag: filters and couplings shift each order by
an angle of its own. With a low pass at 20 Hz and 4 rpm order 336 does by 0.2 (simulated)."""


@dataclass(frozen=True, slots=True)
class Variation:
    """Friction over a turn without its mean: orders that stand out, (k,) amplitudes and variance of one component of each.

    `turns`, `nu`, `scattered`, `floor_nm`, `hidden_pp_nm`, `localised` and `doubts` are as those of the cogging.
    """

    turns: int
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


@dataclass(frozen=True, slots=True)
class _Reading:
    """The turns of both directions as friction, aligned, (turns, orders) each; their mean turn and what stands out of it."""

    halves: tuple[Complex128s, Complex128s]
    kept: Int64s
    amplitudes: Complex128s
    faint: Faint
    fits: tuple[OrderFit, OrderFit]

    @property
    def mean(self) -> Complex128s:
        """Half of what the mean turns of the directions differ by."""
        return _mean_of(self.halves)


def variation_of(
    cogging: Cogging,
    legs: Sequence[tuple[Turns, Float64s]],
    known: frozenset[int],
    drift_spread: float,
    transfer: Transfer,
) -> Variation:
    """Friction over angle from the turns that the cogging was read from; `legs` and the rest as given to `cogging_of`.

    `known` are the orders that unit and drive make as cogging. Aligned by the lag, cogging cancels in half the difference of
    the directions (error separation by reversal; common practice, no source). What an order's own lag would leave of its
    cogging is no friction: it is reckoned as noise of that order.

    Raises:
        numpy.linalg.LinAlgError: the bins that exist cannot tell the orders apart.
    """
    ways = [[leg for leg in legs if leg[0].direction == way] for way in (1, -1)]
    orders = np.arange(len(cogging.of_mean))
    turned = [spectra.mean(0) for spectra in _aligned(cogging.spectra, orders, cogging.lag.rad)]
    both = np.asarray((turned[0] + turned[1]) / 2, np.complex128)
    own_lag = np.hypot(OWN_LAG * orders * abs(cogging.lag.rad), transfer.apart_rad(both))
    noise = cogging.of_mean + (np.abs(both) * np.minimum(own_lag, 1.0)) ** 2
    gate = gates(cogging.nu, DECLARED, len(orders) - 1)
    read = partial(_read, cogging, noise, gate, DECLARED | known, drift_spread, transfer.undelayed)
    first = read(ways, cogging.spectra)
    enough = cogging.scattered and sum(len(half) for half in first.halves) >= LOCAL_TURNS
    late = cogging.lag.rad + float(transfer.late_rad[1])  # as a deviation of the cogging is
    found, local = (
        _without_defects(read, ways, first, noise, transfer.undelayed, late) if enough else (first, None)
    )
    seen = Lines(found.kept, found.amplitudes, noise[found.kept] / 2)
    lines = transfer.lines(seen)
    peak = expected_peak_to_peak(lines, transfer.faint(found.faint), transfer.local(local))
    rig = slice(RIG_ORDERS + 1)
    return Variation(
        turns=cogging.turns,
        orders=found.kept,
        amplitudes=lines.amplitudes,
        variance=lines.variance,
        nu=cogging.nu,
        scattered=cogging.scattered,
        peak=peak,
        floor_nm=floor_of(noise[rig], gate[rig]),
        hidden_pp_nm=hidden_pp(found.mean, noise, DECLARED, found.kept, peak.value_nm),
        localised=local,
        doubts=transfer.doubts_of(seen),
    )


def _without_defects(
    read: Callable[..., _Reading],
    ways: Sequence[Sequence[tuple[Turns, Float64s]]],
    first: _Reading,
    noise: Float64s,
    undelayed: tuple[Complex128s, Complex128s],
    late_rad: float,
) -> tuple[_Reading, Localised | None]:
    """The reading without what friction has at one angle only, and that."""
    bins = ways[0][0][0].bins
    settled = [settled_in([turns for turns, _ in way]) for way in ways]

    def local_in(reading: _Reading, share: float) -> Localised | None:
        rest = [half.copy() for half in first.halves]
        for half in rest:
            half[:, reading.kept] -= reading.amplitudes
            half[:, reading.faint.orders] -= reading.faint.shrunk
        return localised_in(rest, settled, noise, bins, share)

    def cut(reading: _Reading, zones: Bools) -> _Reading:
        without = [
            [(t, cut_out(t, y, fit, zones, t.direction * late_rad)) for t, y in way]
            for way, fit in zip(ways, reading.fits, strict=True)
        ]
        highest = len(noise) - 1
        guesses = [pattern(fit, bins)[0] for fit in reading.fits]
        spectra = [
            np.concatenate([turn_spectra(t, y, highest, guess)[0] for t, y in way]) * turn
            for way, guess, turn in zip(without, guesses, undelayed, strict=True)
        ]
        return read(without, spectra)

    return defects_apart(first, local_in, cut)


def _read(
    cogging: Cogging,
    noise: Float64s,
    gate: Float64s,
    known: frozenset[int],
    drift_spread: float,
    undelayed: tuple[Complex128s, Complex128s],
    ways: Sequence[Sequence[tuple[Turns, Float64s]]],
    spectra: Sequence[Complex128s],
) -> _Reading:
    """The orders of friction that stand out, by a fit on the bins that exist beside the orders of the cogging."""
    forward, backward = _aligned(spectra, np.arange(len(noise)), cogging.lag.rad)
    halves = (-forward, backward)
    mean = _mean_of(halves)
    kept = significant(mean.copy(), noise, gate, known)
    fits = (cogging.forward, cogging.backward)
    if len(kept):
        both = np.union1d(cogging.orders, kept)
        collapsed = [[collapse(t, y) for t, y in way] for way in ways]
        fits = (
            fit_orders(collapsed[0], both, drift_spread),
            fit_orders(collapsed[1], both, drift_spread),
        )
    at = np.searchsorted(fits[0].orders, kept)
    turn = np.exp(1j * kept * cogging.lag.rad)
    one, other = (fit.amplitudes[at] * way[kept] for fit, way in zip(fits, undelayed, strict=True))
    amplitudes = (other * np.conj(turn) - one * turn) / 2
    faint = faint_orders(mean, noise, gate, DECLARED, frozenset(), kept)
    return _Reading(halves, kept, np.asarray(amplitudes, np.complex128), faint, fits)


def _aligned(
    spectra: Sequence[Complex128s], orders: Int64s, lag_rad: float
) -> tuple[Complex128s, Complex128s]:
    """Turns of both directions (turns, orders) moved back by the lag."""
    turn = np.exp(1j * orders * lag_rad)
    return spectra[0] * turn, spectra[1] * np.conj(turn)


def _mean_of(halves: Sequence[Complex128s]) -> Complex128s:
    """The mean turn without its level, each direction counting alike."""
    mean = np.asarray((halves[0].mean(0) + halves[1].mean(0)) / 2, np.complex128)
    mean[0] = 0.0
    return mean
