"""Coulomb and viscous friction from two speeds: the slow passes and the strokes of the exercise, over the same angles."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightturn.estimation.conditions import Conditions
from nightturn.estimation.folds import StrokeSums
from nightturn.estimation.least_squares import InseparableError, Solution, fit
from nightturn.estimation.turns import Turns
from nightturn.model.tiles import Float64s, Int64s

STROKES_MIN = 6
"""Fewer leave no degrees of freedom beside friction, zero, and what either drifts by."""
WHOLE_SHARE = 0.98
"""A stroke with fewer of its samples is a mean over other angles than it says."""
TIMES_MIN = 2.0
"""Between the two speeds (common practice, no source)."""
DRIVEN_SHARE_OF_RATED = 0.02
DRIVEN_TIMES = 5.0
"""No friction grows so many times from a slow turn to a stroke (common practice, no source)."""
WAYS = (1, -1)

NO_STROKES = "The plan has no strokes, and one speed cannot tell Coulomb from viscous friction."
LOADED_STROKES = (
    "A torque is held in the strokes, so that their friction is not that of the unpowered slow passes."
)
SHORT_STROKES = "The strokes were not seen whole, so that nothing says over which angles their means are."


@dataclass(frozen=True, slots=True)
class OverSpeed:
    """How friction changes from the slow passes to the strokes, over the same angles.

    Attributes:
        change_nm: friction at the strokes' speed less that of the slow passes, led back to the time of the slow passes.
        u_nm, nu: from how far strokes differ from each other; what the slow passes add is not in it.
        shifted_nm: what both directions differ by alike: a zero that moved, or a torque that was held.
        slow_rad_s, fast_rad_s: the two speeds. strokes: how many.
    """

    change_nm: float
    u_nm: float
    nu: float
    shifted_nm: float
    slow_rad_s: float
    fast_rad_s: float
    strokes: int

    @property
    def apart_rad_s(self) -> float:
        """By how much the speeds differ, the strokes' less the slow passes'."""
        return self.fast_rad_s - self.slow_rad_s

    @property
    def near(self) -> bool:
        """Whether the speeds differ too little."""
        slow, fast = sorted((self.slow_rad_s, self.fast_rad_s))
        return fast < TIMES_MIN * slow

    def driven(self, friction_nm: float, rated_nm: float) -> bool:
        """Whether a torque was held in the strokes, for both directions or against each."""
        most = max(friction_nm, DRIVEN_SHARE_OF_RATED * rated_nm)
        return abs(self.shifted_nm) > most or abs(self.change_nm) > DRIVEN_TIMES * most


def over_speed(
    strokes: Sequence[StrokeSums],
    legs: Sequence[tuple[Turns, Float64s]],
    centre_s: float,
    slow_rad_s: float,
    conditions: Conditions,
    index_zero: int,
) -> OverSpeed | str:
    """What the strokes add to the slow passes; in words, why nothing.

    `legs` are slow passes and their torque without drift, `centre_s` the middle of the middle one. Each stroke's mean less the
    slow passes' mean of its direction over its own angles: there cogging and friction over angle cancel, and what friction of
    either direction is left has the sign of the direction, a zero that moved has not. Both may drift in a straight line.
    """
    whole = [stroke for stroke in strokes if _whole(stroke)]
    if not strokes or conditions.stroke_torque_nm:
        return LOADED_STROKES if strokes else NO_STROKES
    if len(whole) < min(len(strokes), STROKES_MIN):
        return SHORT_STROKES
    if len(whole) < STROKES_MIN:
        return f"{len(whole)} strokes do not show whether friction drifted since the slow passes; plan {STROKES_MIN} or more."
    slow = {way: _by_bin([leg for leg in legs if leg[0].direction == way]) for way in WAYS}
    apart = np.array([_apart(stroke, slow, conditions) for stroke in whole])
    if np.isnan(apart).any():
        return "The strokes cover angles that the slow passes did not see in both directions."
    way = np.array([float(stroke.direction * conditions.sense) for stroke in whole])
    time = np.array([(stroke.index_first + stroke.index_last) / 2 for stroke in whole])
    time = (time - index_zero) / conditions.rate_hz
    speed = np.array([_speed(stroke, conditions) for stroke in whole])
    fast = float(speed.mean())
    lever = np.array([0.0, 0.0, 1.0, centre_s - float(time.mean())])
    try:
        found = _drifting(apart, way, time)
        # The end of a ramp is steady enough to be a part of some strokes and not of others.
        slope = float(lever @ found.x) / (fast - slow_rad_s) if fast != slow_rad_s else 0.0
        found = _drifting(apart + way * slope * (speed - fast), way, time)
    except InseparableError:
        return (
            "The strokes do not go both ways alike; friction cannot be distinguished from a zero that drifts."
        )
    return OverSpeed(
        change_nm=float(lever @ found.x),
        u_nm=float(np.sqrt(lever @ found.covariance @ lever)),
        nu=float(found.nu),
        shifted_nm=float(found.x[0]),
        slow_rad_s=slow_rad_s,
        fast_rad_s=fast,
        strokes=len(whole),
    )


def _drifting(apart: Float64s, way: Float64s, time: Float64s) -> Solution:
    """Zero, its drift, friction and its drift about the middle of the strokes."""
    away = time - time.mean()
    return fit(np.column_stack((np.ones_like(away), away, -way, -way * away)), apart, np.ones_like(away))


def _whole(stroke: StrokeSums) -> bool:
    """Whether nearly all samples of the stroke are in its sum, and it turned."""
    samples = stroke.index_last - stroke.index_first + 1
    return stroke.n >= WHOLE_SHARE * samples and stroke.encoder_first != stroke.encoder_last


def _speed(stroke: StrokeSums, conditions: Conditions) -> float:
    turned = abs(stroke.encoder_last - stroke.encoder_first) / conditions.counts_per_rev * 2 * np.pi
    return float(turned / (stroke.index_last - stroke.index_first) * conditions.rate_hz)


def _by_bin(legs: Sequence[tuple[Turns, Float64s]]) -> Float64s:
    """Mean torque by bin (bins,) of the passes of a direction; not a number where no sample was."""
    n = np.sum([turns.n.sum(0) for turns, _ in legs], axis=0)
    total = np.sum([(turns.n * torque).sum(0) for turns, torque in legs], axis=0)
    return np.where(n > 0, total / np.maximum(n, 1.0), np.nan)


def _apart(stroke: StrokeSums, slow: dict[int, Float64s], conditions: Conditions) -> float:
    """Mean torque of a stroke less that of the slow passes of its direction over its angles; not a number where one is missing."""
    way = stroke.direction * conditions.sense
    here, either = slow[way], slow[-way]
    ends = np.array((stroke.encoder_first, stroke.encoder_last), np.float64) * conditions.sense
    low, high = np.sort(ends / conditions.counts_per_rev * len(here)).tolist()
    places: Int64s = np.arange(int(np.floor(low)), int(np.floor(high)) + 1)
    share = np.minimum(places + 1, high) - np.maximum(places, low)
    passed = places % len(here)
    if np.isnan(either[passed]).any():
        return float("nan")
    mean = (stroke.raw_sum / stroke.n - conditions.zero_count) * conditions.lsb_nm
    return mean - float(share @ here[passed]) / float(share.sum())
