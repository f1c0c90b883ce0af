"""The torque channel of a shaft at rest: its mean with a ±, its noise, and the lines in its spectrum by what makes them.

A line is a sine fitted at its frequency, its ± from the noise beside it. Whether there is one follows from the
periodogram: its largest ordinate beside the mean of the others around it is exponential under noise that is white there (R. A. Fisher,
Proceedings of the Royal Society A 125, 1929, 54-59; from memory).
"""

import math
from collections.abc import Sequence

import msgspec
import numpy as np

from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.tiles import Float64s

BLOCKS = 10
HARMONICS_MAX = 7
LINES_MAX = 8
AROUND_MIN, AROUND_MAX = 20, 200
"""Ordinates to each side of a line that say how strong noise is there; half as many as lie below it, because noise that falls with 1/f bends."""
ORDINATES_A_FREEDOM = 4.0
"""Of the median of a Hann periodogram: neighbours are alike (variance times 1.9), and a median knows half of what a mean does (2.1)."""
GUARD = 3
"""Ordinates next to a line which it leaks into."""
LOWER, MEAN_OF_LOWER = 0.95, 0.8423
"""Share of ordinates, and the mean of the lowest such share of an exponential whose mean is 1: (1 - (1 + ln 20)/20)/0.95."""
FALSE_A_SPECTRUM = 0.01
"""How often one line is named in a spectrum that has none, where noise is white around it."""
MOVED_DEG = 0.05
"""A shaft that went further did not stand."""
LEAST_S = 5.0


class RestLine(msgspec.Struct, frozen=True):
    """A line: where, how strong (peak), and what it is by its frequency; empty where nothing declared is there."""

    hz: float
    amplitude_nm: float
    half_nm: float
    name: str


class AtRest(msgspec.Struct, frozen=True):
    """The channel over a stretch at rest.

    Attributes:
        mean_nm, half_nm: mean with the half-width of its 95 % interval, from the scatter of its tenths.
        noise_nm: standard deviation of the samples. peak_nm: largest less smallest.
        lines: strongest first.
        trouble: why none of it is to be used; empty otherwise.
    """

    mean_nm: float
    half_nm: float
    noise_nm: float
    peak_nm: float
    lines: tuple[RestLine, ...]
    trouble: str = ""


def at_rest(
    torque_nm: Float64s, angle_rad: Float64s, rate_hz: float, known_hz: Sequence[tuple[str, float]]
) -> AtRest:
    """What a stretch at rest says.

    Args:
        torque_nm: (samples,) without a gap.
        angle_rad: (samples,) of the shaft.
        rate_hz: of both.
        known_hz: names and frequencies of what may pick up, folded into the band by this function where they lie above it.
    """
    count = len(torque_nm)
    if count < LEAST_S * rate_hz:
        return AtRest(math.nan, math.nan, math.nan, math.nan, (), "too few samples without a gap")
    parts = np.array([part.mean() for part in np.array_split(torque_nm, BLOCKS)])
    half_nm = coverage_factor(BLOCKS - 1) * float(parts.std(ddof=1)) / math.sqrt(BLOCKS)
    moved_deg = math.degrees(float(angle_rad.max() - angle_rad.min()))
    return AtRest(
        float(torque_nm.mean()),
        half_nm,
        float(torque_nm.std(ddof=1)),
        float(torque_nm.max() - torque_nm.min()),
        _lines(torque_nm, rate_hz, known_hz),
        "the shaft moved meanwhile" if moved_deg > MOVED_DEG else "",
    )


def folded_hz(hz: float, rate_hz: float) -> float:
    """Where a frequency shows in samples of this rate: itself below half of it, else its alias."""
    rest = math.fmod(hz, rate_hz)
    return min(rest, rate_hz - rest)


def _lines(
    torque_nm: Float64s, rate_hz: float, known_hz: Sequence[tuple[str, float]]
) -> tuple[RestLine, ...]:
    """Lines above the noise around them, strongest first."""
    count = len(torque_nm)
    time_s = np.arange(count) / rate_hz
    slope = np.polyfit(time_s, torque_nm, 1)
    left = torque_nm - np.polyval(slope, time_s)
    window = np.hanning(count)
    power = np.abs(np.fft.rfft(left * window)) ** 2
    step_hz = rate_hz / count
    chance = FALSE_A_SPECTRUM / len(power)
    found: list[RestLine] = []
    for at in np.argsort(power)[::-1][: LINES_MAX * 2 * GUARD]:
        hz = float(at) * step_hz
        near = any(abs(hz - line.hz) <= (GUARD + 0.5) * step_hz for line in found)
        if at <= GUARD or near or len(found) == LINES_MAX:
            continue
        around = min(AROUND_MAX, max(AROUND_MIN, int(at) // 2))
        beside = np.r_[power[max(at - around, 1) : at - GUARD], power[at + GUARD + 1 : at + around]]
        noise = _mean_of(beside)
        freedom = len(beside) / ORDINATES_A_FREEDOM
        # an exponential over a mean of `freedom` of them: (1 + g/freedom)^-freedom
        if power[at] <= freedom * (chance ** (-1.0 / freedom) - 1.0) * noise:
            continue
        found.append(_fitted(left * window, window, hz, step_hz, noise, known_hz, rate_hz))
    return tuple(sorted(found, key=lambda line: -line.amplitude_nm))


def _mean_of(power: Float64s) -> float:
    """The mean of exponential ordinates, other lines among them or not: by their median or by the lower 95 %, whichever is larger.

    Where ordinates scatter more than exponential ones, as those of noise that comes and goes, the second is.
    """
    lower = np.sort(power)[: math.ceil(LOWER * len(power))]
    return max(float(np.median(power)) / math.log(2.0), float(lower.mean()) / MEAN_OF_LOWER)


def _fitted(
    windowed: Float64s,
    window: Float64s,
    hz: float,
    step_hz: float,
    noise: float,
    known_hz: Sequence[tuple[str, float]],
    rate_hz: float,
) -> RestLine:
    """The sine at the best frequency within an ordinate to each side."""
    count, total = len(windowed), float(window.sum())
    tried = np.linspace(hz - step_hz, hz + step_hz, 17)
    phase = np.exp(-2j * np.pi * np.outer(tried, np.arange(count)) / rate_hz)
    sums = np.abs(phase @ windowed)
    best = int(np.argmax(sums))
    amplitude = 2.0 * float(sums[best]) / total
    # noise is the mean power of an ordinate; half of it lies along the sine
    half = 1.96 * 2.0 * math.sqrt(noise / 2.0) / total
    at = float(tried[best])
    names = [name for name, each in known_hz if abs(folded_hz(each, rate_hz) - at) <= 1.5 * step_hz]
    return RestLine(at, amplitude, half, " or ".join(names))
