"""Friction from a reversal: half of the step of torque, with what one capture can say of its ±.

The torque of leg p over sector k of the angle is pattern[k] - way[p]·friction + drift·time: least squares over the legs,
with a free pattern for every sector of the angles that all legs have turned through, so that cogging cancels. A straight
drift of the zero cancels too, and what it is not known by enters the ±; a bent one does not. Without an angle the legs are
stretches at two levels, the pattern is one constant, and cogging is scatter.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np
import numpy.typing as npt

from nightturn.capture.legs import Leg
from nightturn.estimation.least_squares import InseparableError, fit

Float64s = npt.NDArray[np.float64]
SECTORS = 12
SECTORS_MIN = 6
SAMPLES_MIN = 4
"""Of one leg in one sector."""
EXCLUDED_RAD = math.radians(2.0)
"""Behind a reversal friction has not come round yet: 2° or a tenth of the leg, whichever is less (five times a presliding length
of 0.4°)."""
EXCLUDED_SHARE = 0.1
EDGE_SHARE = 0.06
"""Of a level's length that is left out on either side of a step."""
PARTS = 6
"""Of a level, whose means say how it scatters."""
SPEED_APART = 0.1
"""Speeds that are nearer than this share are one."""
HELD_TIMES, HELD_SHARE = 3.0, 0.05
"""A leg is loaded that lies so many times the friction and this share of the rated torque off the others."""
CONDITION_MAX = 1e6
"""Beyond it senses, drift and pattern are no longer apart to half of a float's digits; short of it, how hardly they are widens u."""
SLOW = 0.8
"""What slow noise adds to u of two legs, as a share of how much more the means of sectors scatter than white noise would make them; the
more legs there are, the less. Without it, and with 1/f noise, the interval covered friction in .58 to .85 of the cases (simulated)."""


@dataclass(frozen=True, slots=True)
class Step:
    """Friction with its sign, positive where it is against the turning; zero at the middle of the time; u and nu of both.

    Attributes:
        drift_per_s: of the zero.
        legs: that were used. sector_rad: range of angle that all of them turned through; 0 without an angle.
        turns_s: the middle of each reversal.
    """

    friction: float
    u: float
    zero: float
    u_zero: float
    nu: float
    drift_per_s: float
    legs: int
    sector_rad: float
    turns_s: tuple[float, ...]


def step_by_angle(
    time_s: Float64s, angle_rad: Float64s, torque: Float64s, legs: Sequence[Leg]
) -> Step | None:
    """Half of the step over the angles that all legs share; None where there are too few of them, or one way only."""
    if len({leg.way for leg in legs}) < 2:
        return None
    ranges = [_range(angle_rad, leg) for leg in legs]
    low, high = max(each[0] for each in ranges), min(each[1] for each in ranges)
    if high <= low:
        return None
    if high - low > math.tau:  # whole turns, over which cogging has no mean
        high = low + math.floor((high - low) / math.tau) * math.tau
    for sectors in (SECTORS, SECTORS_MIN):
        found = [_means(time_s, angle_rad, torque, leg, np.linspace(low, high, sectors + 1)) for leg in legs]
        if all(each is not None for each in found):
            means = np.array([each for each in found if each is not None])
            return _fitted(means, legs, high - low, time_s, _white(torque, legs))
    return None


def step_by_level(time_s: Float64s, torque: Float64s, levels: Sequence[Leg]) -> Step | None:
    """Half of the step between two levels of a capture without an angle."""
    if len({leg.way for leg in levels}) < 2:
        return None
    means = []
    for leg in levels:
        edge = max(1, int(EDGE_SHARE * (leg.stop - leg.first)))
        edges = np.linspace(leg.first + edge, leg.stop - edge, PARTS + 1).astype(np.int64)
        if (np.diff(edges) < 1).any():
            return None
        means.append(
            [(float(time_s[a:b].mean()), float(torque[a:b].mean()), float(b - a)) for a, b in pairwise(edges)]
        )
    return _fitted(np.array(means), levels, 0.0, time_s, _white(torque, levels))


def unloaded(torque: Float64s, legs: Sequence[Leg], rated: float) -> list[Leg]:
    """The legs that turned at one speed without a load: those about the middle of the two opposite ones that differ least."""
    median = [float(np.median(torque[leg.first : leg.stop])) for leg in legs]
    pairs = [
        (abs(median[at] - median[other]), at, other)
        for at, other in combinations(range(len(legs)), 2)
        if legs[at].way != legs[other].way and _alike(legs[at], legs[other])
    ]
    if not pairs:
        return []
    apart, at, other = min(pairs)
    middle = (median[at] + median[other]) / 2
    far = max(HELD_TIMES * apart / 2, HELD_SHARE * rated)
    return [
        leg
        for leg, level in zip(legs, median, strict=True)
        if abs(level - middle) <= far and _alike(leg, legs[at])
    ]


def _alike(one: Leg, other: Leg) -> bool:
    return abs(one.speed_rad_s - other.speed_rad_s) <= SPEED_APART * other.speed_rad_s


def _range(angle_rad: Float64s, leg: Leg) -> tuple[float, float]:
    """The angles of a leg without those behind its start."""
    start, end = float(angle_rad[leg.first]), float(angle_rad[leg.stop - 1])
    start += leg.way * min(EXCLUDED_RAD, EXCLUDED_SHARE * abs(end - start))
    return min(start, end), max(start, end)


def _means(
    time_s: Float64s, angle_rad: Float64s, torque: Float64s, leg: Leg, edges: Float64s
) -> list[tuple[float, float, float]] | None:
    """Mean time and torque of a leg in each sector, and of how many samples; None where one has too few."""
    inside = slice(leg.first, leg.stop)
    sector = np.searchsorted(edges, angle_rad[inside], side="right") - 1
    count = len(edges) - 1
    good = (sector >= 0) & (sector < count)
    n = np.bincount(sector[good], minlength=count)
    if n.min() < SAMPLES_MIN:
        return None
    time, level = (np.bincount(sector[good], each[inside][good], count) / n for each in (time_s, torque))
    return list(zip(time.tolist(), level.tolist(), n.tolist(), strict=True))


def _white(torque: Float64s, legs: Sequence[Leg]) -> float:
    """Variance of white noise of a sample, by the differences of neighbours."""
    steps = np.concatenate([np.diff(torque[leg.first : leg.stop]) for leg in legs])
    return float(steps @ steps) / (2 * len(steps))


def _fitted(
    means: Float64s, legs: Sequence[Leg], sector_rad: float, time_s: Float64s, white: float
) -> Step | None:
    """Least squares over means (legs, parts, [time, torque, samples]); `white` is the variance of a sample."""
    count, parts, _ = means.shape
    time = means[:, :, 0].ravel()
    middle = float(time.mean())
    way = np.repeat([leg.way for leg in legs], parts).astype(np.float64)
    patterns = np.tile(np.eye(parts), (count, 1)) if sector_rad else np.ones((count * parts, 1))
    span = max(float(np.ptp(time)), 1e-12)
    design = np.column_stack((-way, (time - middle) / span, patterns))
    if len(design) <= design.shape[1]:
        return None
    try:
        solution = fit(design, means[:, :, 1].ravel(), np.ones(len(design)), CONDITION_MAX)
    except InseparableError:
        return None
    found, covariance = solution.x, solution.covariance
    noise = white * float((1 / means[:, :, 2]).mean())
    slow = max(solution.variance - noise, 0.0) * (SLOW / (count - 1)) ** 2
    of_zero = np.concatenate(([0.0, 0.0], np.full(patterns.shape[1], 1.0 / patterns.shape[1])))
    turns = [
        float(time_s[before.stop - 1] + time_s[after.first]) / 2
        for before, after in pairwise(legs)
        if before.way != after.way
    ]
    return Step(
        friction=float(found[0]),
        u=math.sqrt(float(covariance[0, 0]) + slow),
        zero=float(of_zero @ found),
        u_zero=math.sqrt(float(of_zero @ covariance @ of_zero) + slow),
        nu=float(solution.nu),
        drift_per_s=float(found[1]) / span,
        legs=count,
        sector_rad=sector_rad,
        turns_s=tuple(turns),
    )
