"""Arrays of floats back onto the grids they came from: converter counts, encoder counts."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightturn.model.quantities import quantity
from nightturn.model.tiles import Float64s, Int32s, Int64s

Bools = npt.NDArray[np.bool_]

ADC_COUNTS = 1 << 24
FALLBACK_COUNTS = 1 << 22  # of a rated torque, where torques show no grid of their own
ON_GRID = 0.02
"""Torques are on a grid when the farthest is off it by no more than this share of a count."""
OFFSET_SAMPLES = 200_000
"""Torques that say where their zero lies between two counts; more of them say the same."""
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


def angle_counts(angle: Float64s, counts_per_rev: int) -> Int64s:
    """Encoder counts of unwrapped angles, rad.

    Raises:
        ValueError: an angle beyond all counting.
    """
    counts = np.rint(angle * (counts_per_rev / (2 * np.pi)))
    if np.abs(counts).max() >= ANGLE_COUNTS_MAX:
        raise ValueError(
            f"angle_rad reaches {quantity(float(np.abs(angle).max()), 'rad')}, more than an encoder can count"
        )
    return counts.astype(np.int64)


def torque_grid(torque: Float64s, rated_torque_nm: float, lsb_nm: float | None) -> tuple[Grid, Int32s]:
    """The torques in counts, and the grid that takes them back.

    Raises:
        ValueError: a grid too fine for 24 bit counts, or too coarse for the torques.
    """
    if lsb_nm is not None and not (np.isfinite(lsb_nm) and lsb_nm > 0):
        raise ValueError(f"torque_lsb_nm is {lsb_nm}; it must be positive")
    found = lsb_nm or _spacing(torque) or rated_torque_nm / FALLBACK_COUNTS
    counts = torque / found
    if np.abs(counts).max() > ADC_COUNTS:
        raise ValueError(
            f"a torque of {quantity(float(np.abs(torque).max()), 'N·m')} is more than 24 bit counts of "
            f"{quantity(found, 'N·m')}; give a larger torque_lsb_nm"
        )
    offset = _common_offset(counts)
    raw = np.rint(counts - offset).astype(np.int32)
    if raw.min() == raw.max():
        raise ValueError(
            f"all of torque_nm lies within one count of {quantity(found, 'N·m')}; give a smaller torque_lsb_nm"
        )
    return Grid(found, -offset), raw


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
    some = counts[:: max(len(counts) // OFFSET_SAMPLES, 1)]
    turned = np.exp(2j * np.pi * (some - np.rint(some))).mean()
    if abs(turned) < 1 - ON_GRID:
        return 0.0
    return float(np.angle(turned)) / (2 * np.pi)
