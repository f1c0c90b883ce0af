"""The shaft over one cycle: angle and speed sample by sample, and where the legs are."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from tests.benchmarks.truth.patterns import TAU, Floats
from tests.benchmarks.truth.signals import WAYS, Plan


@dataclass(frozen=True, slots=True)
class Leg:
    """One move: its sense, speed and whether torque is held, the samples [start, stop) of all of it and of its steady part.

    `stroke` is whether it ages the unit and measures nothing else.
    """

    way: int
    speed_rad_s: float
    loaded: bool
    start: int
    stop: int
    steady_start: int
    steady_stop: int
    stroke: bool = False

    @property
    def steady(self) -> slice:
        """Samples at the full speed."""
        return slice(self.steady_start, self.steady_stop)

    @property
    def whole(self) -> slice:
        """Samples from standing to standing."""
        return slice(self.start, self.stop)


@dataclass(frozen=True, slots=True)
class Motion:
    """Commanded angle rad and speed rad/s of each sample, from angle zero; nobody may write to them."""

    angle_rad: Floats
    speed_rad_s: Floats
    legs: tuple[Leg, ...]

    @property
    def slow(self) -> tuple[Leg, ...]:
        """The unpowered passes."""
        return tuple(leg for leg in self.legs if not leg.loaded and not leg.stroke)

    @property
    def hold(self) -> Leg | None:
        """The pass under torque."""
        return next((leg for leg in self.legs if leg.loaded), None)


@lru_cache(maxsize=8)
def motion_of(plan: Plan) -> Motion:
    """The moves of a plan one after the other, a trapezoid of speed each."""
    run_up = 2 * np.radians(plan.run_up_deg)
    moves = [(way, plan.slow_rpm, plan.slow_turns * TAU + run_up, False) for way in WAYS]
    if plan.hold_nm:
        moves.append((WAYS[0], plan.hold_rpm, plan.hold_turns * TAU + run_up, True))
    measuring = len(moves)
    stroke = np.radians(plan.stroke_deg)
    moves += [(-WAYS[number % 2], plan.stroke_rpm, stroke, False) for number in range(plan.strokes)]
    dwell = np.zeros(round(plan.dwell_s * plan.rate_hz))
    parts, at = [dwell], len(dwell)
    legs: list[Leg] = []
    for way, rpm, angle_rad, loaded in moves:
        top = rpm / 60 * TAU
        rise = np.arange(1, max(2, round(top / plan.ramp_rad_s2 * plan.rate_hz))) * (
            plan.ramp_rad_s2 / plan.rate_hz
        )
        travel = angle_rad - 2 * rise.sum() / plan.rate_hz
        steady = max(round(travel / top * plan.rate_hz), 1)
        parts += [way * np.concatenate((rise, np.full(steady, top), rise[::-1])), dwell]
        stop = at + 2 * len(rise) + steady
        steady_from = at + len(rise)
        legs.append(
            Leg(way, top, loaded, at, stop, steady_from, steady_from + steady, len(legs) >= measuring)
        )
        at = stop + len(dwell)
    speed = np.concatenate(parts)
    angle = np.cumsum(speed) / plan.rate_hz
    speed.flags.writeable = angle.flags.writeable = False
    return Motion(angle, speed, tuple(legs))
