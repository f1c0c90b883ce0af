"""Torque over one revolution as a fine table: orders, local defects, unequal magnets and slots; known peak to peak."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import lcm

import numpy as np
import numpy.typing as npt
from scipy import fft

Floats = npt.NDArray[np.float64]
Complexes = npt.NDArray[np.complex128]
Response = Callable[[Floats], Complexes]
Orders = Mapping[int, complex]
"""Mechanical order -> complex peak amplitude in N·m: the torque is the sum of |a| cos(n theta + arg a)."""

POINTS = 1 << 17
"""Of a table. Between two of them order 700 bends by 1.4e-4 of its amplitude."""
TAU = 2 * np.pi
BLOCK = 1 << 14
"""Samples worked on at a time, so that what lies between two steps stays in the cache."""
FWHM_PER_SIGMA = 2 * np.sqrt(2 * np.log(2))


@dataclass(frozen=True, slots=True)
class Defect:
    """A bump of Gaussian form at one angle: height in N·m, full width at half height and place in degrees.

    `where`: `cogging` acts in both senses and in the hold, `hold` under torque only, `friction` against the turning.
    """

    height_nm: float
    width_deg: float
    at_deg: float = 200.0
    where: str = "cogging"


def table(orders: Orders, defects: tuple[Defect, ...] = ()) -> Floats:
    """(POINTS,) N·m over one revolution, without its mean: the mean is no order, and no estimator tells it from a zero."""
    spectrum = np.zeros(POINTS // 2 + 1, np.complex128)
    for order, amplitude in orders.items():
        spectrum[order] += amplitude * (POINTS / 2)
    wave = np.asarray(fft.irfft(spectrum, POINTS), np.float64)
    for defect in defects:
        wave += _bump(defect)
    return np.asarray(wave - wave.mean())


def _bump(defect: Defect) -> Floats:
    away = np.arange(POINTS) * (360.0 / POINTS) - defect.at_deg
    away = (away + 180.0) % 360.0 - 180.0
    sigma = defect.width_deg / FWHM_PER_SIGMA
    return np.asarray(defect.height_nm * np.exp(-0.5 * (away / sigma) ** 2))


def seen(wave: Floats, response: Response | None, speed_rad_s: float) -> Floats:
    """The table as a linear path passes it on at this speed; `response` is its gain by frequency in Hz."""
    if response is None:
        return wave
    frequency = np.asarray(np.arange(POINTS // 2 + 1) * (speed_rad_s / TAU), np.float64)
    spectrum = np.asarray(fft.rfft(wave), np.complex128)
    passed = np.asarray(fft.irfft(spectrum * response(frequency), POINTS), np.float64)
    return np.asarray(passed - passed.mean())


def over(wave: Floats, angle_rad: Floats) -> Floats:
    """Values of a table at any angles, by straight lines between its points."""
    out = np.empty(len(angle_rad))
    rise = np.diff(wave, append=wave[:1])
    for a in range(0, len(out), BLOCK):
        place = angle_rad[a : a + BLOCK] * (POINTS / TAU)
        low = np.floor(place)
        place -= low
        index = low.astype(np.int64)
        index &= POINTS - 1
        place *= rise[index]
        np.add(wave[index], place, out=out[a : a + BLOCK])
    return out


def peak_to_peak(wave: Floats) -> float:
    """Largest less smallest value."""
    return float(np.ptp(wave))


def rms(wave: Floats) -> float:
    """Root of the mean square about the mean."""
    return float(wave.std())


def turned(amplitudes: Mapping[int, float], rng: np.random.Generator) -> dict[int, complex]:
    """Peak amplitudes by order, each at a phase of its own."""
    return {n: a * np.exp(1j * rng.uniform(0.0, TAU)) for n, a in amplitudes.items()}


def unequal_machine(
    poles: int,
    slots: int,
    first_nm: float,
    spread: float,
    angle_rad: float,
    highest: int,
    rng: np.random.Generator,
) -> dict[int, complex]:
    """The cogging of a machine whose magnets and slots differ.

    Every magnet meets every slot with the same local torque h(theta), whose order m has h[m] = exp(-m / (0.83 L)), L the
    least common multiple of poles and slots. All together, order m is h[m] times the sum over magnets of
    (1 + x) exp(-j m alpha), times the same sum over slots. Alike they leave multiples of L alone; unlike magnets show at
    multiples of the slots, unlike slots at multiples of the poles. Strengths are normal with a relative standard
    deviation of `spread`, places with `angle_rad`; order L has the amplitude `first_nm` where all are alike.
    """
    both = lcm(poles, slots)
    order = np.arange(1, highest + 1)
    local = first_nm / (poles * slots) * np.exp(-(order - both) / (0.83 * both))
    total = np.ones(highest, np.complex128)
    for count in (poles, slots):
        strength = 1.0 + spread * rng.standard_normal(count)
        place = np.arange(count) * (TAU / count) + angle_rad * rng.standard_normal(count)
        total *= (strength * np.exp(-1j * np.outer(order, place))).sum(axis=1)
    lines = local * total * np.exp(1j * order * rng.uniform(0.0, TAU))
    strong = np.abs(lines) > 1e-9 * first_nm  # the rest is rounding of sums that cancel
    return dict(zip(order[strong].tolist(), lines[strong].tolist(), strict=True))
