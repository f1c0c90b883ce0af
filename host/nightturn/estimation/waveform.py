"""Peak-to-peak of the waveform rebuilt from its orders, and what of the residual is local and repeats every turn."""

from dataclasses import dataclass

import numpy as np

from nightturn.estimation.order_fit import OrderFit, pattern
from nightturn.estimation.turns import Bools, Complex128s, Turns
from nightturn.model.tiles import Float64s, Int64s

POINTS = 16384
"""Points on which a waveform is rebuilt; the extremes are refined by a parabola."""
LOCAL_WIDTH_DEG = 0.6
LOCAL_Z = 4.9
"""A residual this many standard errors high anywhere is localised (0 false in 100 cycles, 1 in 1e6 per cell)."""
LOCAL_TURNS = 3
"""Fewer turns have no usable scatter for the localised-residual test."""
SMOOTH_DEG = 0.2
"""What is added of a localised residual is smoothed this much, so that noise does not stand on top of it."""


@dataclass(frozen=True, slots=True)
class PeakToPeak:
    """Peak-to-peak torque and its standard uncertainty."""

    value_nm: float
    u_nm: float


@dataclass(frozen=True, slots=True)
class Localised:
    """A deviation at one angle that the orders do not explain.

    Attributes:
        angle_deg, width_deg, height_nm: where, how wide above half its significance, how high (signed).
        residual_nm: (bins,) what to add to the waveform; zero outside the flagged zones.
        u_nm: standard uncertainty of one value of it.
    """

    angle_deg: float
    width_deg: float
    height_nm: float
    residual_nm: Float64s
    u_nm: float


def rebuild(orders: Int64s, amplitudes: Complex128s, points: int = POINTS) -> Float64s:
    """The waveform Σ Re(c e^{jnθ}) on `points` angles from 0."""
    spectrum = np.zeros(points // 2 + 1, np.complex128)
    spectrum[orders] = amplitudes * (points / 2)
    return np.fft.irfft(spectrum, points)


def peak_to_peak(
    orders: Int64s, amplitudes: Complex128s, variance: Float64s, local: Localised | None = None
) -> PeakToPeak:
    """Maximum minus minimum over a turn; `variance` (k,) is that of one component of each amplitude."""
    if len(orders) == 0 and local is None:
        return PeakToPeak(0.0, 0.0)
    wave = rebuild(orders, amplitudes)
    extra = 0.0
    if local is not None:
        bins = len(local.residual_nm)
        centres = (np.arange(bins) + 0.5) * (POINTS / bins)
        wave = wave + np.interp(np.arange(POINTS), centres, local.residual_nm, period=POINTS)
        extra = local.u_nm
    high, low = int(wave.argmax()), int(wave.argmin())
    top, top_at = _refined(wave, high)
    bottom, bottom_at = _refined(wave, low)
    # How far each amplitude moves top and bottom where they stand; that they move along the angle as well is of second
    # order, because the wave is flat there.
    turn = 2 * np.pi / POINTS
    lever = np.exp(1j * orders * (top_at * turn)) - np.exp(1j * orders * (bottom_at * turn))
    spread = float(((lever.real**2 + lever.imag**2) * variance).sum())
    return PeakToPeak(top - bottom, float(np.sqrt(spread + extra**2)))


def _refined(wave: Float64s, at: int) -> tuple[float, float]:
    """Height and place of the extreme next to a sample, by a parabola through three points."""
    before, here, after = (float(wave[(at + i) % len(wave)]) for i in (-1, 0, 1))
    bend = before - 2 * here + after
    if bend == 0.0:
        return here, float(at)
    shift = (before - after) / (2 * bend)
    return here - (before - after) * shift / 4, at + shift


def localised_residual(turns: Turns, torque_nm: Float64s, fit: OrderFit) -> Localised | None:
    """What is left of each turn after the orders, where it repeats at one angle; None when nothing does.

    z = mean over turns of the residual filtered to 0.6 degrees / its between-turn standard error, with the variance
    pooled over angle. Shapes: torque (revolutions, bins) without drift.
    """
    use = turns.whole
    count = int(use.sum())
    if count < LOCAL_TURNS:
        return None
    bins = turns.bins
    level, slope = pattern(fit, bins)
    model = fit.constants_nm[0] + level + slope * turns.offset_rad[use]
    residual = np.where(turns.n[use] > 0, torque_nm[use] - model, 0.0)
    residual -= residual.mean(1, keepdims=True)
    wide, _ = _filtered(residual, LOCAL_WIDTH_DEG)
    z = wide / _standard_error(residual, LOCAL_WIDTH_DEG)
    if float(np.abs(z).max()) <= LOCAL_Z:
        return None
    narrow, _ = _filtered(residual, SMOOTH_DEG)
    zones = _zones(np.abs(z))
    added = np.where(zones, narrow, 0.0)
    peak = int(np.abs(added).argmax())
    return Localised(
        angle_deg=(peak + 0.5) * 360.0 / bins,
        width_deg=_run_length(zones, peak) * 360.0 / bins,
        height_nm=float(added[peak]),
        residual_nm=added,
        u_nm=_standard_error(residual, SMOOTH_DEG),
    )


def _filtered(residual: Float64s, width_deg: float) -> tuple[Float64s, Float64s]:
    """Mean over turns, and every turn, convolved with a Gaussian of unit area around the circle."""
    bins = residual.shape[1]
    orders = np.arange(bins // 2 + 1)
    gain = np.exp(-0.5 * (orders * np.radians(width_deg)) ** 2)
    each = np.fft.irfft(np.fft.rfft(residual, axis=1) * gain, bins, axis=1)
    return each.mean(0), each


def _standard_error(residual: Float64s, width_deg: float) -> float:
    """Standard error of the mean over turns of the filtered residual, pooled over angle."""
    # From the turns' differences, because slow noise is common to a whole stretch of angle: a scatter of single bins flagged
    # 99 of 100 cycles without a defect (simulated, 1 mN·m of 1/f noise). Pooled, because three turns at one angle may agree
    # by chance.
    mean, each = _filtered(residual, width_deg)
    count = len(residual)
    variance = float(((each - mean) ** 2).sum(0).mean()) / (count - 1)
    return float(np.sqrt(variance / count)) or 1e-300


def _zones(z: Float64s) -> Bools:
    """Bins connected to a peak above the limit and above half of it."""
    near = z > LOCAL_Z / 2
    peaks = np.flatnonzero(z > LOCAL_Z)
    out = np.zeros(z.shape, np.bool_)
    for peak in peaks.tolist():
        if out[peak]:
            continue
        out[peak] = True
        for step in (1, -1):
            at = (peak + step) % len(z)
            while near[at] and not out[at]:
                out[at] = True
                at = (at + step) % len(z)
    return out


def _run_length(zones: Bools, at: int) -> int:
    """How many neighbouring bins of the zone hold the one at `at`."""
    n = len(zones)
    if bool(zones.all()):
        return n
    length = 1
    for step in (1, -1):
        place = (at + step) % n
        while zones[place]:
            length += 1
            place = (place + step) % n
    return length
