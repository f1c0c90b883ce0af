"""What the strokes of the exercise will be: whether they reach their speed, and for how long they turn at it."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

from nightturn.errors import ConfigError
from nightturn.model.phases import EXCLUSION_DEG, EXERCISE
from nightturn.motion.moves import OPENING_S, rad_per_s
from nightturn.settings.mistakes import Place
from nightturn.settings.rig import FixtureSettings

STEADY_S_MIN = OPENING_S
"""Of steady turning, so that every stroke is found whatever its place on the estimator's grid; a cycle whose strokes are
not all found is incomplete."""


@dataclass(frozen=True, slots=True)
class StrokeOutlook:
    """The strokes of one cycle.

    Attributes:
        strokes: how many.
        angle_deg, speed_rpm: as planned.
        reached_rpm: the highest speed of a stroke; the planned one unless the ramps take up the whole angle.
        stroke_s: one stroke.
        steady_s: how long it turns at its speed, behind the ramp and the zone after the reversal that is left out.
    """

    strokes: int
    angle_deg: float
    speed_rpm: float
    reached_rpm: float
    stroke_s: float
    steady_s: float


def stroke_outlook(settings: FixtureSettings) -> StrokeOutlook | None:
    """None when the plan has no strokes."""
    exercise, ramp = settings.plan.exercise, settings.ramp_rad_per_s2
    if not exercise.strokes:
        return None
    speed, angle = rad_per_s(exercise.speed_rpm), math.radians(exercise.angle_deg)
    reached = min(speed, math.sqrt(angle * ramp))
    steady = angle - _unsteady_rad(speed, ramp)
    return StrokeOutlook(
        strokes=exercise.strokes,
        angle_deg=exercise.angle_deg,
        speed_rpm=exercise.speed_rpm,
        reached_rpm=exercise.speed_rpm * reached / speed,
        stroke_s=2 * reached / ramp + max(0.0, angle - reached**2 / ramp) / reached,
        steady_s=max(0.0, steady / speed),
    )


def stroke_errors(settings: FixtureSettings, place: Place) -> Iterator[ConfigError]:
    """Strokes that are too short for their speed: none of them would be found, and no cycle would be complete."""
    found = stroke_outlook(settings)
    if found is None or found.steady_s >= STEADY_S_MIN * (1 - 1e-9):
        return
    speed, ramp = rad_per_s(found.speed_rpm), settings.ramp_rad_per_s2
    least_deg = math.degrees(_unsteady_rad(speed, ramp) + STEADY_S_MIN * speed)
    most_rpm = _steady_speed_rpm(math.radians(found.angle_deg), ramp)
    seen = f"turns at its speed for {found.steady_s:.2f} s, and every cycle would be incomplete"
    if found.reached_rpm < found.speed_rpm:
        seen = (
            f"reaches {found.reached_rpm:.1f} of {found.speed_rpm:g} rpm, and every cycle would be incomplete"
        )
    what = f"a stroke of {found.angle_deg:g}° with ramp_rad_per_s2 = {ramp:g} {seen}"
    slower = f", or speed_rpm to {rounded_down_rpm(most_rpm)}" if most_rpm > 0 else ""
    allowed = f"angle_deg from {math.ceil(least_deg)}{slower}, or a steeper ramp; {STEADY_S_MIN:g} s at speed are needed"
    yield place.inside("plan").inside(EXERCISE).mistake("angle_deg", what, allowed)


def rounded_down_rpm(speed_rpm: float) -> str:
    """Three digits that are still allowed."""
    step = 10.0 ** (math.floor(math.log10(speed_rpm)) - 2)
    return f"{math.floor(speed_rpm / step + 1e-9) * step:.3g}"


def _unsteady_rad(speed_rad_per_s: float, ramp_rad_per_s2: float) -> float:
    """Travel of a stroke that counts for nothing: run-up or exclusion zone, whichever is longer, and run-down."""
    ramp = speed_rad_per_s**2 / (2 * ramp_rad_per_s2)
    return max(ramp, math.radians(EXCLUSION_DEG)) + ramp


def _steady_speed_rpm(angle_rad: float, ramp_rad_per_s2: float) -> float:
    """The highest speed at which a stroke of that angle is steady for long enough; 0 when none is."""

    def highest(travel: float, ramps: int) -> float:
        # ramps v² / 2a + t v = travel, solved for v
        root = STEADY_S_MIN**2 + 2 * ramps * travel / ramp_rad_per_s2
        return (math.sqrt(root) - STEADY_S_MIN) * ramp_rad_per_s2 / ramps

    beyond = max(0.0, angle_rad - math.radians(EXCLUSION_DEG))
    return min(highest(angle_rad, 2), highest(beyond, 1)) * 60 / math.tau
