"""Torque ripple under load: peak-to-peak and rms of the hold."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np

from nightturn.estimation.asynchronous import NONE_APART, Apart, Line, widened
from nightturn.estimation.extremes import Lines, expected_peak_to_peak
from nightturn.estimation.families import OTHERS_EXCESS, Faint, faint_orders, with_others
from nightturn.estimation.hidden import hidden_pp
from nightturn.estimation.localised import (
    LOCAL_TURNS,
    Localised,
    cut_out,
    defects_apart,
    localised_in,
    settled_in,
)
from nightturn.estimation.order_fit import Bed, OrderFit, bed_of, collapse, fit_orders, pattern
from nightturn.estimation.spectra import (
    Scatter,
    TurnSpectra,
    drift_rate,
    gates,
    pooled_scatter,
    significant,
    turn_spectra,
    white_scatter,
    without_drift,
)
from nightturn.estimation.transfer import DoubtOf, Transfer
from nightturn.estimation.turns import Bools, Complex128s, Turns
from nightturn.estimation.waveform import PeakToPeak
from nightturn.model.tiles import Float64s, Int64s


@dataclass(frozen=True, slots=True)
class Ripple:
    """What the hold gives.

    Attributes:
        turns: whole turns used.
        fit: the significant orders as they are read; amplitudes (k,): as they are at the unit; variance: (k,) that of one component of each amplitude.
        nu: degrees of freedom of the scatter; `scattered` is False with one turn, when no uncertainty can be stated.
        floor_nm: peak-to-peak of the largest single order that could have escaped; hidden_pp_nm: what the declared
            orders below the gate may hold together. asynchronous: orders between the whole ones, which are not in it.
        doubts: what resonance, filter and rig record contribute to the uncertainty; gross: the orders with the rig's own in them.
    """

    turns: int
    fit: OrderFit
    amplitudes: Complex128s
    variance: Float64s
    nu: int
    scattered: bool
    peak: PeakToPeak
    rms_nm: float
    rms_u_nm: float
    rms_below_floor: bool
    floor_nm: float
    hidden_pp_nm: float
    localised: Localised | None
    doubts: tuple[DoubtOf, ...]
    gross: Lines
    asynchronous: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class _Reading:
    """The turns, their mean, and which of its orders stand out."""

    turns: Complex128s
    mean: Complex128s
    scatter: Scatter
    of_mean: Float64s
    gate: Float64s
    fit: OrderFit
    faint: Faint

    @property
    def count(self) -> int:
        """How many turns it is of."""
        return len(self.turns)


def ripple_of(
    turns: Turns,
    highest: int,
    declared: frozenset[int],
    family: frozenset[int],
    transfer: Transfer,
    apart: Apart = NONE_APART,
) -> Ripple:
    """Estimate the ripple of one hold.

    `family` are orders that the unit makes weakly, beside the declared ones; the lines `apart` were taken out; `transfer` leads
    back to it.

    Raises:
        numpy.linalg.LinAlgError: the bins that exist cannot tell the orders apart.
    """
    torque, spread = straight(turns)
    wide = widened(apart.lines, highest)
    read = partial(_read, highest, declared, family, spread, transfer.asked, wide, bed_of(turns))
    first, found, local = _found(read, turns, torque, apart.spectra)
    kept = found.fit.orders
    # The scatter, of which each component has half, sees slow noise; the fit knows what holes and the drift taken off cost.
    seen = Lines(kept, found.fit.amplitudes, found.of_mean[kept] / 2 * found.fit.geometry)
    lines = transfer.lines(seen)
    spectrum = transfer.torque(first.mean)
    if local is None:
        spectrum[kept] = lines.amplitudes
    known = declared | family
    rms = _rms(spectrum, found.of_mean / transfer.gain**2, lines, known, everything=local is not None)
    faint = with_others(found.faint, found.mean, found.of_mean, found.gate, known, kept, found.scatter.nu)
    peak = expected_peak_to_peak(lines, transfer.faint(faint), transfer.local(local))
    return Ripple(
        turns=found.count,
        fit=found.fit,
        amplitudes=lines.amplitudes,
        variance=lines.variance,
        nu=found.scatter.nu,
        scattered=found.count > 1,
        peak=peak,
        rms_nm=rms[0],
        rms_u_nm=rms[1],
        rms_below_floor=rms[2],
        floor_nm=floor_of(found.of_mean, found.gate),
        hidden_pp_nm=hidden_pp(found.mean, found.of_mean, declared, kept, peak.value_nm),
        localised=local,
        doubts=transfer.doubts_of(seen),
        gross=transfer.gross(seen),
        asynchronous=apart.lines,
    )


def straight(turns: Turns) -> tuple[Float64s, float]:
    """Torque of a hold without its drift, (revolutions, bins), and what the rate rests on."""
    rate, spread = drift_rate([[turns]])
    zero = float((turns.n * turns.time_s).sum() / turns.n.sum())
    return without_drift(turns, rate, zero), spread


def _found(
    read: Callable[..., _Reading], turns: Turns, torque: Float64s, seen: tuple[TurnSpectra, ...] | None
) -> tuple[_Reading, _Reading, Localised | None]:
    """The turns as they are; with enough of them, without what is at one angle only, and that."""
    first = read(turns, torque, seen=None if seen is None else seen[0])
    if not turns.everywhere:
        # A straight line across a hole leaks the strong orders into the faint ones; what the fit says does not.
        first = read(turns, torque, guess=pattern(first.fit, turns.bins)[0])
    if first.count < LOCAL_TURNS:
        return first, first, None
    return first, *_without_defects(read, turns, torque, first)


def _without_defects(
    read: Callable[..., _Reading], turns: Turns, torque: Float64s, first: _Reading
) -> tuple[_Reading, Localised | None]:
    """The reading without what is at one angle only, and that."""

    def cut(reading: _Reading, zones: Bools) -> _Reading:
        guess = None if turns.everywhere else pattern(reading.fit, turns.bins)[0]
        return read(turns, cut_out(turns, torque, reading.fit, zones, 0.0), guess=guess)

    settled = settled_in([turns])
    return defects_apart(first, lambda reading, share: _local(first.turns, settled, reading, share), cut)


def _read(
    highest: int,
    declared: frozenset[int],
    family: frozenset[int],
    spread: float,
    asked: Int64s,
    wide: Float64s,
    bed: Bed,
    turns: Turns,
    torque: Float64s,
    guess: Float64s | None = None,
    seen: TurnSpectra | None = None,
) -> _Reading:
    """The orders of the mean turn: those that stand out, fitted, and the known ones that do not.

    `seen` are the spectra of these turns up to `highest` without a guess, where they are known already.
    """
    count = int(turns.whole.sum())
    # One turn has nothing to differ from: its noise is read from the orders beyond the highest, as if it were white.
    tail = turns.bins // 2 - 1 if count == 1 else highest
    spectra, coverage = seen or turn_spectra(turns, torque, tail, guess)
    mean = spectra.mean(0)
    scatter = pooled_scatter([(spectra, coverage)])
    if scatter is None:
        scatter = white_scatter(mean, highest)
    mean = mean[: highest + 1]
    of_mean = scatter.variance * wide / count
    gate = gates(scatter.nu, declared, highest)
    known = declared | family
    kept = np.union1d(significant(mean, of_mean, gate, known), asked)
    fit = fit_orders([collapse(turns, torque, bed)], kept, spread)
    return _Reading(
        spectra[:, : highest + 1],
        mean,
        scatter,
        of_mean,
        gate,
        fit,
        faint_orders(mean, of_mean, gate, declared, family, kept),
    )


def _local(turns: Complex128s, settled: Bools, found: _Reading, share: float) -> Localised | None:
    """What of these turns (turns, orders) is at one angle and none of the orders; settled: (turns, bins)."""
    rest = turns.copy()
    rest[:, found.fit.orders] -= found.fit.amplitudes
    rest[:, found.faint.orders] -= found.faint.shrunk
    return localised_in([rest], [settled], found.of_mean, settled.shape[1], share)


def floor_of(variance: Float64s, gate: Float64s) -> float:
    """Peak-to-peak of the largest single order that could hide below the gate."""
    return 2.0 * float(np.sqrt((gate * variance)[1:].max()))  # a sine's peak to peak is twice its amplitude


def _rms(
    spectrum: Complex128s, of_mean: Float64s, lines: Lines, known: frozenset[int], *, everything: bool
) -> tuple[float, float, bool]:
    """Rms of the orders with the noise's share taken off, its uncertainty, and whether nothing was left.

    Counted are those that stand out or are known; all others (where `everything` is asked, always) where they hold more than noise.
    """
    # The power of noise adds to that of the signal and its mean is known, so that rms can be freed of it with all these
    # orders in. An extreme cannot: it grows with the noise, by more the more samples there are.
    power = spectrum.real**2 + spectrum.imag**2
    counted = np.zeros(len(power), np.bool_)
    counted[[n for n in known if n < len(power)]] = True
    counted[lines.orders] = True
    counted[0] = False
    rest = ~counted
    rest[0] = False
    excess, spread = float((power - of_mean)[rest].sum()), float(np.sqrt((of_mean[rest] ** 2).sum()))
    # A thousand orders of nothing else would make most of the uncertainty: 48 % of weak orders in 40 mN·m of noise.
    if everything or excess > OTHERS_EXCESS * spread:
        counted |= rest
    square = float((power - of_mean)[counted].sum()) / 2
    noise = float((of_mean[counted] ** 2).sum()) / 4
    # The power s of an order in noise of power v scatters by v² + 2 v s: hum near a known order lifts that order's noise, and
    # what stays below the gate may still be hum.
    faint = counted.copy()
    faint[lines.orders] = False
    noise += float((of_mean * np.maximum(power - of_mean, 0.0))[faint].sum()) / 2
    signal = float((np.abs(lines.amplitudes) ** 2 * lines.variance).sum())
    u_square = float(np.sqrt(signal + noise))
    if square <= u_square:
        return 0.0, float(np.sqrt(max(square, 0.0) + u_square)), True
    rms = float(np.sqrt(square))
    return rms, u_square / (2 * rms), False
