"""Peak-to-peak of the waveform rebuilt from its orders, and what of the residual is local and repeats every turn."""

from dataclasses import dataclass

import numpy as np

from nightturn.estimation.localised import Localised, local_wave
from nightturn.estimation.turns import Complex128s
from nightturn.model.tiles import Float64s, Int64s

POINTS = 16384
"""Points on which a waveform is rebuilt; the extremes are refined by a parabola."""


@dataclass(frozen=True, slots=True)
class PeakToPeak:
    """Peak-to-peak torque, its standard uncertainty, and how much of it faint orders make."""

    value_nm: float
    u_nm: float
    faint_nm: float = 0.0


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
        wave = wave + local_wave(local, POINTS)
        extra = local.noise_nm
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
