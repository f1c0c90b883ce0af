"""Torque ripple under load: peak-to-peak, rms and mean of the hold."""

from dataclasses import dataclass

import numpy as np

from nightturn.estimation.hidden import Hidden, hidden_orders, widened
from nightturn.estimation.order_fit import OrderFit, collapse, fit_orders
from nightturn.estimation.spectra import (
    drift_rate,
    gates,
    pooled_scatter,
    significant,
    turn_spectra,
    white_scatter,
    without_drift,
)
from nightturn.estimation.turns import Complex128s, Turns
from nightturn.estimation.waveform import Localised, PeakToPeak, localised_residual, peak_to_peak
from nightturn.model.tiles import Float64s


@dataclass(frozen=True, slots=True)
class Ripple:
    """What the hold gives.

    Attributes:
        turns: whole turns used.
        fit: the significant orders; variance: (k,) that of one component of each amplitude.
        nu: degrees of freedom of the scatter; `scattered` is False with one turn, when no uncertainty can be stated.
        floor_nm: peak-to-peak of the largest single order that could have escaped; hidden: declared orders below the
            gate, which the uncertainty of the peak-to-peak reckons with.
    """

    turns: int
    fit: OrderFit
    variance: Float64s
    nu: int
    scattered: bool
    peak: PeakToPeak
    rms_nm: float
    rms_u_nm: float
    rms_below_floor: bool
    floor_nm: float
    hidden: Hidden
    localised: Localised | None
    mean_nm: float
    mean_u_nm: float | None
    mean_nu: float | None


def ripple_of(turns: Turns, highest: int, declared: frozenset[int]) -> Ripple:
    """Estimate the ripple of one hold.

    Raises:
        numpy.linalg.LinAlgError: the bins that exist cannot tell the orders apart.
    """
    rate, spread = drift_rate([[turns]])
    zero = float((turns.n * turns.time_s).sum() / turns.n.sum())
    torque = without_drift(turns, rate, zero)
    count = int(turns.whole.sum())
    # One turn has nothing to differ from: its noise is read from the orders beyond the highest, as if it were white.
    tail = turns.bins // 2 - 1 if count == 1 else highest
    spectra, coverage = turn_spectra(turns, torque, tail)
    mean = spectra.mean(0)
    scatter = pooled_scatter([(spectra, coverage)])
    scattered = scatter is not None
    if scatter is None:
        scatter = white_scatter(mean, highest)
    mean = mean[: highest + 1]
    of_mean = scatter.variance / count
    gate = gates(scatter.nu, declared, highest)
    kept = significant(mean, of_mean, gate)
    fit = fit_orders([collapse(turns, torque)], kept, spread)
    # The scatter is of the complex amplitude, half of it each component's. It sees slow noise, by which turns differ; the
    # fit sees what holes in the coverage cost. The larger of the two is believed.
    variance = np.maximum(of_mean[kept] / 2, fit.variance)
    local = localised_residual(turns, torque, fit)
    rms, rms_u, below = _rms(mean, of_mean, fit, variance)
    peak = peak_to_peak(kept, fit.amplitudes, variance, local)
    hidden = hidden_orders(mean, of_mean, declared, kept, peak.value_nm)
    level_u, level_nu = _mean_scatter(turns)
    return Ripple(
        turns=count,
        fit=fit,
        variance=variance,
        nu=scatter.nu,
        scattered=scattered,
        peak=widened(peak, hidden, scatter.nu),
        rms_nm=rms,
        rms_u_nm=rms_u,
        rms_below_floor=below,
        floor_nm=floor_of(of_mean, gate),
        hidden=hidden,
        localised=local,
        mean_nm=float(fit.constants_nm[0]),
        mean_u_nm=level_u,
        mean_nu=level_nu,
    )


def floor_of(variance: Float64s, gate: Float64s) -> float:
    """Peak-to-peak of the largest single order that could hide below the gate."""
    return 2.0 * float(np.sqrt((gate * variance)[1:].max()))  # a sine's peak to peak is twice its amplitude


def _rms(
    mean: Complex128s, of_mean: Float64s, fit: OrderFit, variance: Float64s
) -> tuple[float, float, bool]:
    """Rms of all orders with the noise's share taken off, its uncertainty, and whether nothing was left."""
    # The power of noise adds to that of the signal and its mean is known, so that rms can be freed of it with all orders
    # in. An extreme cannot: it grows with the noise, by more the more samples there are.
    power = mean.real**2 + mean.imag**2
    power[fit.orders] = np.abs(fit.amplitudes) ** 2
    square = float((power - of_mean)[1:].sum()) / 2
    noise = float((of_mean[1:] ** 2).sum()) / 4
    signal = float((np.abs(fit.amplitudes) ** 2 * variance).sum())
    u_square = float(np.sqrt(signal + noise))
    if square <= u_square:
        return 0.0, float(np.sqrt(max(square, 0.0) + u_square)), True
    rms = float(np.sqrt(square))
    return rms, u_square / (2 * rms), False


def _mean_scatter(turns: Turns) -> tuple[float | None, float | None]:
    """Standard error of the mean torque from the scatter of whole turns, and its degrees of freedom."""
    use = turns.whole
    count = int(use.sum())
    if count < 2:
        return None, None
    n = turns.n[use]
    level = (n * turns.torque_nm[use]).sum(1) / n.sum(1)
    return float(level.std(ddof=1) / np.sqrt(count)), float(count - 1)
