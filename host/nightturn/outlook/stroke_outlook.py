"""What the strokes of the exercise will be: whether they reach their speed, and for how long they turn at it."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

from nightturn.errors import ConfigError
from nightturn.model.phases import EXCLUSION_DEG, EXERCISE, SPEED_TOLERANCE
from nightturn.model.quantities import fixed, number, rounded_down
from nightturn.motion.moves import OPENING_S, rad_per_s
from nightturn.settings.mistakes import Place
from nightturn.settings.rig import FixtureSettings

STEADY_S_MIN = OPENING_S
"""Of steady turning, so that every stroke is found whatever its place on the estimator's grid; a cycle whose strokes are
not all found is incomplete."""


ON_SPEED = 1 - SPEED_TOLERANCE
"""Of the commanded speed; from here on the estimator takes it for that speed."""
HALVINGS = 50


@dataclass(frozen=True, slots=True)
class StrokeOutlook:
    """The strokes of one cycle, or of a warm-up or soak.

    Attributes:
        strokes: how many.
        angle_deg, speed_rpm: as planned.
        reached_rpm: the highest speed of a stroke; the planned one unless the ramps take up the whole angle.
        stroke_s: one stroke.
        steady_s: how long it is within 5 % of its speed, behind the zone after the reversal that is left out.
        torque_nm: what the actuator holds meanwhile; 0 for unpowered.
    """

    strokes: int
    angle_deg: float
    speed_rpm: float
    reached_rpm: float
    stroke_s: float
    steady_s: float
    torque_nm: float = 0.0


def stroke_outlook(settings: FixtureSettings) -> StrokeOutlook | None:
    """None when the plan has no strokes."""
    exercise = settings.plan.exercise
    if not exercise.strokes:
        return None
    ramp = settings.ramp_rad_per_s2
    return strokes_of(exercise.strokes, exercise.angle_deg, exercise.speed_rpm, ramp, exercise.torque_nm)


def strokes_of(
    strokes: int, angle_deg: float, speed_rpm: float, ramp: float, torque_nm: float = 0.0
) -> StrokeOutlook:
    """So many strokes of this angle and speed; the ramp in rad/s²."""
    speed, angle = rad_per_s(speed_rpm), math.radians(angle_deg)
    reached = min(speed, math.sqrt(angle * ramp))
    return StrokeOutlook(
        strokes=strokes,
        angle_deg=angle_deg,
        speed_rpm=speed_rpm,
        reached_rpm=speed_rpm * reached / speed,
        stroke_s=_stroke_s(angle, speed, ramp),
        steady_s=_steady_s(angle, speed, ramp),
        torque_nm=torque_nm,
    )


def stroke_errors(settings: FixtureSettings, place: Place) -> Iterator[ConfigError]:
    """Strokes that are too short for their speed: they would not be found, and no cycle would be complete."""
    found = stroke_outlook(settings)
    if found is not None:
        yield from short_strokes(found, settings.ramp_rad_per_s2, place.inside("plan").inside(EXERCISE))


def short_strokes(found: StrokeOutlook, ramp: float, place: Place) -> Iterator[ConfigError]:
    """The same of any strokes; `place` is that of their table, the ramp in rad/s²."""
    if found.steady_s >= STEADY_S_MIN * (1 - 1e-9):
        return
    speed, angle = rad_per_s(found.speed_rpm), math.radians(found.angle_deg)
    least_deg = math.degrees(_least_rad(speed, ramp))
    most_rpm = _highest(angle, speed, ramp) * 60 / math.tau
    cycles = place.table.endswith(EXERCISE)
    short = "to be found in every cycle" if cycles else "to be found every time"
    seen = f"is at its speed for {fixed(found.steady_s, 2)} s, too short {short}"
    if found.reached_rpm < found.speed_rpm * ON_SPEED:
        lacks = "every cycle would be incomplete" if cycles else "none would be counted"
        seen = f"reaches {fixed(found.reached_rpm, 1)} of {number(found.speed_rpm)} rpm, so {lacks}"
    what = f"a stroke of {number(found.angle_deg)}° with ramp_rad_per_s2 = {number(ramp)} {seen}"
    slower = f", or speed_rpm to {rounded_down(most_rpm)}" if most_rpm > 0 else ""
    allowed = f"angle_deg from {math.ceil(least_deg)}{slower}, or a steeper ramp; {number(STEADY_S_MIN)} s at speed are needed"
    yield place.mistake("angle_deg", what, allowed)


def _stroke_s(angle: float, speed: float, ramp: float) -> float:
    """Trapezoid, or triangle where the speed is not reached; rad, rad/s and rad/s²."""
    reached = min(speed, math.sqrt(angle * ramp))
    return 2 * reached / ramp + max(0.0, angle - reached**2 / ramp) / reached


def _start_s(speed: float, ramp: float) -> float:
    """From when on a stroke may count: within the tolerance of its speed and out of the zone after the reversal."""
    zone, run_up = math.radians(EXCLUSION_DEG), speed**2 / (2 * ramp)
    out = math.sqrt(2 * zone / ramp) if zone <= run_up else speed / ramp + (zone - run_up) / speed
    return max(ON_SPEED * speed / ramp, out)


def _steady_s(angle: float, speed: float, ramp: float) -> float:
    if math.sqrt(angle * ramp) < ON_SPEED * speed:
        return 0.0
    end_s = _stroke_s(angle, speed, ramp) - ON_SPEED * speed / ramp
    return max(0.0, end_s - _start_s(speed, ramp))


def _least_rad(speed: float, ramp: float) -> float:
    """An angle that reaches the speed and is long enough at it."""
    ramps = speed**2 / ramp
    plateau_s = STEADY_S_MIN + _start_s(speed, ramp) + (ON_SPEED - 2) * speed / ramp
    return ramps + speed * max(0.0, plateau_s)


def _highest(angle: float, speed: float, ramp: float) -> float:
    """The highest speed below this one at which a stroke is long enough at it, 0 when none is; it falls with the speed."""
    low, high = 0.0, speed
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        good = _steady_s(angle, middle, ramp) >= STEADY_S_MIN
        low, high = (middle, high) if good else (low, middle)
    return low
