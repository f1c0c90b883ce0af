"""Which passes were under a torque that was held: told from friction once the zero is known."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightturn.model.tiles import Float64s
from nightturn.replay.passes import Leg

LOADED = 3.0
"""A hold is at least this many times the friction away from the zero,"""
LOADED_OF_RATED = 0.05
"""and this share of the rated torque (common practice, no source): friction and zero errors are less."""
LOADED_OF_LARGEST = 0.5
"""And every hold at least this share of the largest."""
LOADED_ONE_WAY = 0.1
"""With passes of one sense only, friction and zero cannot be told apart: then this share of the rated torque."""
GROWTH = 1.5
"""Coulomb and viscous friction together grow at most as the speed does; this much is spared for warmth and wear."""
FAINT = 10.0
"""So many times the friction, yet below the share of the rated torque: a hold in numbers of another unit,"""
FAINT_OF_RATED = 0.002
"""unless it is as small as a drift of the zero."""
BALANCE_UNKNOWN, BALANCE_KNOWN = 0.1, 2.0
"""Weight of the pair's middle against its difference, where nobody knows the zero and where somebody does."""
LEGS_MAX = 200
"""Passes of a sense that are compared with those of the other; of more, evenly chosen ones by torque."""


@dataclass(frozen=True, slots=True)
class Unloaded:
    """Zero and friction as unloaded passes show them.

    Attributes:
        speed: at which they were seen, counts a cell.
        both: whether passes of both senses told them apart; else friction is all that the least loaded pass shows, and
            more than any is never made a hold by a zero that nobody knows.
    """

    zero_nm: float
    friction_nm: float
    speed: int
    both: bool = True


def unloaded(legs: Sequence[Leg], zero_nm: float | None) -> Unloaded:
    """The zero and the friction: those of the two passes of one speed, one in each sense, that differ least.

    A zero error alone makes the torques of both senses differ from nothing as much as a hold would; the middle of two
    unloaded passes knows better. `zero_nm` is the reading without torque where somebody knows it.
    """
    best: tuple[float, Unloaded] | None = None
    for speed in sorted({leg.speed for leg in legs}):
        found = _balanced([leg for leg in legs if leg.speed == speed], speed, zero_nm)
        if found is not None and (best is None or found[0] < best[0]):
            best = found
    if best is None:
        best = _balanced(legs, min(leg.speed for leg in legs), zero_nm)
    if best is not None:
        return best[1]
    zero = zero_nm or 0.0
    least = min(abs(leg.torque_nm - zero) for leg in legs)
    return Unloaded(zero, least, min(leg.speed for leg in legs), both=False)


def loaded(legs: Sequence[Leg], rated_torque_nm: float, free: Unloaded) -> list[Leg]:
    """The passes under a torque that was held."""
    share = LOADED_OF_RATED if free.both else LOADED_ONE_WAY
    found = [
        leg for leg in legs if _size(leg, free) >= max(LOADED * _friction(leg, free), share * rated_torque_nm)
    ]
    largest = max((_size(leg, free) for leg in found), default=0.0)
    return [leg for leg in found if _size(leg, free) >= LOADED_OF_LARGEST * largest]


def by_friction(legs: Sequence[Leg], free: Unloaded) -> float:
    """The largest torque that looks held beside its friction, whatever the rated torque is, N·m; 0 without."""
    if not free.both:
        return 0.0
    return max(
        (_size(leg, free) for leg in legs if _size(leg, free) >= FAINT * _friction(leg, free)), default=0.0
    )


def _size(leg: Leg, free: Unloaded) -> float:
    return abs(leg.torque_nm - free.zero_nm)


def _friction(leg: Leg, free: Unloaded) -> float:
    """The most that friction can be in this pass."""
    return free.friction_nm * max(1.0, GROWTH * leg.speed / free.speed)


def _balanced(legs: Sequence[Leg], speed: int, zero_nm: float | None) -> tuple[float, Unloaded] | None:
    """The pair of both senses that differs least, and by how much; None when only one sense was turned."""
    forward, backward = (_some([leg.torque_nm for leg in legs if leg.way == way]) for way in (1, -1))
    if not len(forward) or not len(backward):
        return None
    weight = BALANCE_UNKNOWN if zero_nm is None else BALANCE_KNOWN
    middle = (forward[:, None] + backward) / 2
    half = np.abs(forward[:, None] - backward) / 2
    cost = half + weight * np.abs(middle - (zero_nm or 0.0))
    at = np.unravel_index(int(cost.argmin()), cost.shape)
    known = float(middle[at]) if zero_nm is None else zero_nm
    return float(cost[at]), Unloaded(known, float(half[at]), speed)


def _some(torques: list[float]) -> Float64s:
    """At most so many of them, from the smallest to the largest."""
    values = np.sort(np.array(torques, np.float64))
    if len(values) <= LEGS_MAX:
        return values
    return np.asarray(values[np.linspace(0, len(values) - 1, LEGS_MAX).round().astype(np.int64)])
