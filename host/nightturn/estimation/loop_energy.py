"""Friction from the work over a closed loop of both directions: an internal check of the half step, by other arithmetic."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightturn.estimation.turns import Bools, Turns
from nightturn.model.tiles import Float64s, Int64s

LEAST_TURNS = 0.9
"""Common angles over less of a turn say little of the friction over a turn."""


@dataclass(frozen=True, slots=True)
class Loop:
    """Work over closed loops as the friction that does it.

    Attributes:
        friction_nm: with its sign, mean of the loops.
        apart_nm: largest distance of a single loop from that mean: what the zero moved between them, and noise.
        turns: common angles that it rests on.
    """

    friction_nm: float
    apart_nm: float
    turns: float


@dataclass(frozen=True, slots=True)
class _Path:
    """A pass along the unwrapped angle, from the bin numbered `first` on: which bins were seen, mean angle, rad, mean torque."""

    first: int
    seen: Bools
    angle_rad: Float64s
    torque_nm: Float64s


def loop_energy(legs: Sequence[Turns]) -> Loop | None:
    """The work over closed loops, led along the angles that every pass has gone through; None where they share too few.

    Shaft angle is not folded into a turn here: a pass forward and one back along the same angles close a loop, in which all
    that depends on the place alone (cogging, a cable that winds up) does no work, and the work left is ∮T dθ = 2·travel·friction
    (textbook mechanics). Trapezoids between the bins' mean angles; no fitted pattern, no drift model, no weights. A linear
    drift cancels between the loop before and the loop behind the middle pass.
    """
    ways = [[_path(leg) for leg in legs if leg.direction == way] for way in (1, -1)]
    if not all(ways):
        return None
    bins = legs[0].bins
    common = _whole_turns(_common([path for way in ways for path in way]), bins)
    next_to = np.flatnonzero(np.diff(common) == 1)
    if len(next_to) < LEAST_TURNS * bins:
        return None
    forward, backward = ([_mean_torque(path, common, next_to) for path in way] for way in ways)
    loops = np.array([(back - ahead) / 2 for ahead in forward for back in backward])
    return Loop(float(loops.mean()), float(np.abs(loops - loops.mean()).max()), float(len(next_to)) / bins)


def _path(leg: Turns) -> _Path:
    """A pass as one run of bins along the unwrapped angle."""
    # The turns of a pass follow one another without a gap, so that a bin's number says where it lies in the run.
    turned = leg.turned()
    place = np.floor(turned * leg.bins).astype(np.int64)
    first = int(place.min())
    at = (place - first).ravel()
    seen = np.empty(len(at), np.bool_)
    angle, torque = np.empty(len(at)), np.empty(len(at))
    seen[at] = (leg.n > 0).ravel()
    angle[at] = (2 * np.pi * turned + leg.offset_rad).ravel()
    torque[at] = leg.torque_nm.ravel()
    return _Path(first, seen, angle, torque)


def _common(paths: Sequence[_Path]) -> Int64s:
    """The bins that every pass has seen, rising."""
    first = max(path.first for path in paths)
    last = min(path.first + len(path.seen) for path in paths)
    if last <= first:
        return np.zeros(0, np.int64)
    seen = np.logical_and.reduce([path.seen[first - path.first : last - path.first] for path in paths])
    return np.asarray(np.flatnonzero(seen) + first, np.int64)


def _whole_turns(common: Int64s, bins: int) -> Int64s:
    """The middle whole turns of a stretch of bins; all of it where it is no turn long."""
    if len(common) == 0:
        return common
    first, length = int(common[0]), int(common[-1] - common[0]) + 1
    kept = length // bins * bins + 1
    if kept == 1:
        return common
    start = first + max(length - kept, 0) // 2
    return common[(common >= start) & (common < start + kept)]


def _mean_torque(path: _Path, common: Int64s, next_to: Int64s) -> float:
    """∫T dθ over neighbouring common bins, over the angle between them."""
    at = common - path.first
    angle, torque = path.angle_rad[at], path.torque_nm[at]
    steps = np.diff(angle)[next_to]
    middle = (torque[1:] + torque[:-1])[next_to] / 2
    return float(middle @ steps) / float(steps.sum())
