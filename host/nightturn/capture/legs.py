"""Stretches of a capture in which the shaft turns one way at a steady speed, by its angle; or levels of torque, without one."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise

import numpy as np
import numpy.typing as npt

Float64s = npt.NDArray[np.float64]
CELL_S = 0.05
CELLS_MIN = 40
"""A short capture is cut into so many cells at least."""
STEPS_MIN = 12
"""Of the encoder, in a cell of mean travel."""
STEP_SLACK = 1.5
"""Steps by which a cell may be off its leg's speed."""
MOVING = 0.1
"""Of the fastest speed; slower is a standstill or a reversal."""
STEADY = 0.05
"""A cell is on speed within this share of the leg's median."""
ON_SPEED_MIN = 0.6
"""Of a leg's cells that must be on speed."""
LEG_TRAVEL_MIN = 0.02
"""Of the longest leg's travel; a shorter one is a jerk."""
BLOCKS = 400
"""Parts of a trace of torque alone in which levels are looked for."""
PLATEAU_BLOCKS = 16
LEVELS_APART = 6.0
"""Times their own scatter that two levels lie apart; those of a sine alone are 4.2 apart, of an even ramp 3.5."""
SWITCHES_MAX = 12
EDGE_BLOCKS = 40
"""A step between two levels, with a stop in it, is through within so many blocks; a slow change of load is none."""
EDGE_SHARE = 0.25
"""Of the distance of the levels that a mean may lie off its own."""
ROUNDS = 20


@dataclass(frozen=True, slots=True)
class Leg:
    """Samples first to stop (exclusive) that turn one way; `way` is +1 or -1, the speed in rad/s."""

    first: int
    stop: int
    way: int
    speed_rad_s: float


def legs_of(time_s: Float64s, angle_rad: Float64s, step_rad: float) -> list[Leg]:
    """The steady stretches by the angle, whose grid is `step_rad`, in their order; none where nothing turns steadily."""
    span = float(time_s[-1] - time_s[0])
    travelled = float(np.abs(np.diff(angle_rad)).sum())
    if not travelled:
        return []
    # A cell holds so many steps of the encoder that one more or less is no change of speed.
    cell = max(min(CELL_S, span / CELLS_MIN), STEPS_MIN * step_rad * span / travelled)
    edges = np.unique(np.searchsorted(time_s, time_s[0] + cell * np.arange(int(span / cell) + 1)))
    if len(edges) < 4:
        return []
    speed = np.diff(angle_rad[edges]) / np.diff(time_s[edges])
    fastest = float(np.percentile(np.abs(speed), 95))
    if fastest <= 0:
        return []
    sign = np.sign(speed) * (np.abs(speed) > MOVING * fastest)
    found = []
    for way, group in groupby(range(len(sign)), key=lambda at: int(sign[at])):
        cells = np.array(list(group))
        if way and (leg := _leg(cells, edges, np.abs(speed), way, STEP_SLACK * step_rad / cell)) is not None:
            found.append(leg)
    return _long_enough(found, angle_rad)


def _leg(
    cells: npt.NDArray[np.int64], edges: npt.NDArray[np.int64], size: Float64s, way: int, slack: float
) -> Leg | None:
    middle = float(np.median(size[cells]))
    steady = cells[np.abs(size[cells] - middle) <= max(STEADY * middle, slack)]
    if len(steady) < 2:
        return None
    first, last = int(steady[0]), int(steady[-1])
    if len(steady) < ON_SPEED_MIN * (last - first + 1):
        return None
    return Leg(int(edges[first]), int(edges[last + 1]), way, middle)


def _long_enough(legs: Sequence[Leg], angle_rad: Float64s) -> list[Leg]:
    travel = [abs(float(angle_rad[leg.stop - 1] - angle_rad[leg.first])) for leg in legs]
    longest = max(travel, default=0.0)
    return [leg for leg, far in zip(legs, travel, strict=True) if far >= LEG_TRAVEL_MIN * longest]


def plateaus_of(torque: Float64s) -> list[Leg]:
    """Stretches at two levels of torque, as reversals make them: the lower one is `way` +1, for friction is against the turning.

    None where there are not two levels, or the torque goes slowly from one to the other.
    """
    blocks = min(BLOCKS, len(torque) // 4)
    if blocks < 3 * PLATEAU_BLOCKS:
        return []
    edges = np.linspace(0, len(torque), blocks + 1).astype(np.int64)
    mean = np.add.reduceat(torque, edges[:-1]) / np.diff(edges)
    levels = _two_levels(mean)
    if levels is None:
        return []
    low, high = levels
    near = np.where(
        np.abs(mean - low) < EDGE_SHARE * (high - low),
        1,
        np.where(np.abs(mean - high) < EDGE_SHARE * (high - low), -1, 0),
    )
    runs = [(way, list(group)) for way, group in groupby(range(blocks), key=lambda at: int(near[at]))]
    long = [(way, cells) for way, cells in runs if way and len(cells) >= PLATEAU_BLOCKS]
    joined: list[tuple[int, int, int]] = []
    for way, cells in long:
        if joined and joined[-1][0] == way:
            joined[-1] = (way, joined[-1][1], cells[-1])
        else:
            joined.append((way, cells[0], cells[-1]))
    between = [after[1] - before[2] for before, after in pairwise(joined)]
    if not 2 <= len(joined) <= SWITCHES_MAX or max(between) > EDGE_BLOCKS:
        return []
    return [Leg(int(edges[first]), int(edges[last + 1]), way, 0.0) for way, first, last in joined]


def _two_levels(mean: Float64s) -> tuple[float, float] | None:
    """The two levels about which means gather (k-means of two); None where they are not apart."""
    low, high = (float(each) for each in np.percentile(mean, [10, 90]))
    for _ in range(ROUNDS):
        upper = mean > (low + high) / 2
        if upper.all() or not upper.any():
            return None
        low, high = float(np.median(mean[~upper])), float(np.median(mean[upper]))
    upper = mean > (low + high) / 2
    off = np.abs(mean - np.where(upper, high, low))
    scatter = 1.4826 * float(np.median(off))
    return (low, high) if high - low > LEVELS_APART * scatter else None
