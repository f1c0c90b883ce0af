"""What a few degrees out and back say of the senses: friction opposes motion, so half the step between the two ways is its magnitude, negative.

A torque counts as what the unit exerts, so it is against the motion: less on the way out, in the declared positive sense, than on the
way back. Zero, gravity-free cogging and what else depends on the angle alone cancel at the same angle.
"""

import math
from itertools import pairwise

import msgspec
import numpy as np

from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.tiles import Float64s

CELLS = 12
"""Of angle, in the middle half of what was turned: presliding and both ramps are outside."""
SAMPLES_IN_CELL_MIN = 5
TURNED_DEG_MIN = 2.0


class Step(msgspec.Struct, frozen=True):
    """Half the step of torque between way out and way back, N·m.

    Attributes:
        nm, half_nm: with the half-width of its 95 % interval, from the scatter between cells of angle.
        trouble: why there is none; empty otherwise.
    """

    nm: float
    half_nm: float
    trouble: str = ""


def turned_deg(angle_rad: Float64s) -> float:
    """From the first angle to the one furthest from it, in the declared sense."""
    if not len(angle_rad):
        return 0.0
    moved = angle_rad - angle_rad[0]
    return math.degrees(float(moved[np.argmax(np.abs(moved))]))


def step_between(out_nm: Float64s, out_rad: Float64s, back_nm: Float64s, back_rad: Float64s) -> Step:
    """Compare the two ways cell by cell over the angle that both turned."""
    ways = [abs(turned_deg(angle)) for angle in (out_rad, back_rad)]
    if min(ways) < TURNED_DEG_MIN:
        return Step(math.nan, math.nan, "it did not turn both ways")
    low = max(float(out_rad.min()), float(back_rad.min()))
    high = min(float(out_rad.max()), float(back_rad.max()))
    quarter = (high - low) / 4
    if math.degrees(high - low) < TURNED_DEG_MIN:
        return Step(math.nan, math.nan, "the two ways have no angle in common")
    edges = np.linspace(low + quarter, high - quarter, CELLS + 1)
    halves = []
    for first, last in pairwise(edges):
        there, again = (
            torque[(first <= angle) & (angle < last)]
            for torque, angle in ((out_nm, out_rad), (back_nm, back_rad))
        )
        if min(len(there), len(again)) < SAMPLES_IN_CELL_MIN:
            return Step(math.nan, math.nan, "too few samples")
        halves.append((float(there.mean()) - float(again.mean())) / 2)
    half_nm = coverage_factor(CELLS - 1) * float(np.std(halves, ddof=1)) / math.sqrt(CELLS)
    return Step(float(np.mean(halves)), half_nm)
