"""Arrays of floats back onto the grids they came from: sample numbers, converter counts, encoder counts."""

from dataclasses import dataclass

import numpy as np

from nightturn.errors import InsufficientSamplesError
from nightturn.model.tiles import Float64s, Int32s, Int64s

RATE_HZ_MIN = 100
UNEVEN = 0.25
"""Steps of time may be off a whole number of sample periods by this share of one."""
RATE_SPARE = 5e-4
"""A clock may be this far off the nominal rate that it is read as."""
EXACT_RATE = 1e-6
ADC_COUNTS = 1 << 24
FALLBACK_COUNTS = 1 << 22  # of a rated torque, where torques show no grid of their own
ON_GRID = 0.02
"""Torques are on a grid when the farthest is off it by no more than this share of a count."""
ANGLE_COUNTS_MAX = 1 << 52


@dataclass(frozen=True, slots=True)
class Grid:
    """torque_nm = (raw - zero_count) * lsb_nm."""

    lsb_nm: float
    zero_count: float


@dataclass(frozen=True, slots=True)
class Series:
    """Samples on their grids; shapes (n,)."""

    index: Int64s
    encoder: Int64s
    raw: Int32s


def sample_rate(time: Float64s) -> tuple[int, Int64s]:
    """The nominal rate in Hz, and each sample's number, counted from time 0 as far as the times tell.

    Raises:
        ValueError: time does not rise, or not in steps of whole sample periods.
        InsufficientSamplesError: too few samples a second.
    """
    steps = np.diff(time)
    back = np.flatnonzero(steps <= 0)
    if len(back):
        raise ValueError(f"time_s does not rise: {time[back[0]]} is followed by {time[back[0] + 1]}")
    middle = float(np.median(steps))
    near = steps[steps < 1.5 * middle]
    measured = len(near) / float(near.sum())
    if measured < RATE_HZ_MIN:
        raise InsufficientSamplesError(f"{measured:.3g} samples a second; at least {RATE_HZ_MIN} are needed")
    periods = steps * measured
    whole = np.maximum(np.rint(periods), 1.0)
    off = np.abs(periods - whole) > np.maximum(UNEVEN, whole * RATE_SPARE)
    if off.any():
        at = int(np.flatnonzero(off)[0])
        raise ValueError(
            f"time_s is not evenly sampled: a step of {steps[at]:.6g} s at {time[at]}, where a sample takes {middle:.6g} s"
        )
    rate_hz = _nominal(measured)
    first = np.array([round(float(time[0]) * rate_hz)], np.int64)
    return rate_hz, np.concatenate((first, first + np.cumsum(whole.astype(np.int64))))


def _nominal(measured_hz: float) -> int:
    """The rate that somebody would write down: the roundest number that the clock may mean."""
    nearest = round(measured_hz)
    if abs(measured_hz - nearest) <= EXACT_RATE * measured_hz:
        return nearest
    step = 1
    while True:
        rounder = round(measured_hz / (step * 10)) * step * 10
        if not rounder or abs(rounder - measured_hz) > RATE_SPARE * measured_hz:
            return round(measured_hz / step) * step
        step *= 10


def angle_counts(angle: Float64s, counts_per_rev: int) -> Int64s:
    """Encoder counts of unwrapped angles, rad.

    Raises:
        ValueError: an angle beyond all counting.
    """
    counts = np.rint(angle * (counts_per_rev / (2 * np.pi)))
    if np.abs(counts).max() >= ANGLE_COUNTS_MAX:
        raise ValueError(f"angle_rad reaches {np.abs(angle).max():.3g} rad, beyond what an encoder can count")
    return counts.astype(np.int64)


def torque_grid(torque: Float64s, rated_torque_nm: float, lsb_nm: float | None) -> tuple[Grid, Int32s]:
    """The torques in counts, and the grid that takes them back.

    Raises:
        ValueError: a grid too fine for 24 bit counts.
    """
    if lsb_nm is not None and not (np.isfinite(lsb_nm) and lsb_nm > 0):
        raise ValueError(f"torque_lsb_nm is {lsb_nm}; it must be positive")
    found = lsb_nm or _spacing(torque) or rated_torque_nm / FALLBACK_COUNTS
    counts = torque / found
    if np.abs(counts).max() > ADC_COUNTS:
        raise ValueError(
            f"a torque of {np.abs(torque).max():.4g} N·m is more than 24 bit counts of {found:.3g} N·m; "
            "give a larger torque_lsb_nm"
        )
    offset = _common_offset(counts)
    return Grid(found, -offset), np.rint(counts - offset).astype(np.int32)


def _spacing(torque: Float64s) -> float | None:
    """The spacing of the torques, when all of them lie on one grid of at most 24 bit."""
    levels = np.unique(torque)
    if len(levels) < 2:
        return None
    span = float(levels[-1] - levels[0])
    least = float(np.diff(levels).min())
    if span >= least * ADC_COUNTS:
        return None
    steps = np.rint((levels - levels[0]) / least)
    spacing = span / float(steps[-1])
    off = np.abs((levels - levels[0]) / spacing - steps).max()
    return spacing if off <= ON_GRID else None


def _common_offset(counts: Float64s) -> float:
    """The part of a count that all torques share, because the zero lies between two counts; 0 when they share none."""
    turned = np.exp(2j * np.pi * (counts - np.rint(counts))).mean()
    if abs(turned) < 1 - ON_GRID:
        return 0.0
    return float(np.angle(turned)) / (2 * np.pi)
