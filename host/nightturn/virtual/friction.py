"""Friction laws in closed form: steady state, presliding, temperature and wear.

Steady state and bristle after Canudas de Wit, Olsson, Åström and Lischinsky, IEEE TAC 40(3), 1995; presliding between
reversals after Dahl. Every function takes scalars or arrays and works element by element.
"""

import numpy as np
import numpy.typing as npt

from nightturn.virtual.products import FrictionParts

Floats = npt.NDArray[np.float64]
REFERENCE_DEGC = 25.0
LEAST_SCALE = 0.2  # however hot, some friction stays
PRESLIDING_LENGTHS = 40.0  # lengths of travel after which presliding is below a thousandth of a count


def steady_force(
    speed: Floats, coulomb: float, static: float, stribeck_speed: float, viscous: float
) -> Floats:
    """Magnitude of friction at a steady speed: Coulomb, Stribeck and viscous part."""
    magnitude = np.abs(speed)
    ratio = magnitude / stribeck_speed
    surplus: Floats = coulomb + (static - coulomb) * np.exp(-(ratio * ratio)) + viscous * magnitude
    return surplus


def bristle(
    time_s: Floats, speed: float, stiffness: float, coulomb: float, static: float, stribeck_speed: float
) -> tuple[Floats, Floats]:
    """Bristle deflection and its rate after a step of the speed from rest, in closed form."""
    level = coulomb + (static - coulomb) * np.exp(-((speed / stribeck_speed) ** 2))
    decay = np.exp(-stiffness * abs(speed) * time_s / level)
    settled = np.sign(speed) * level / stiffness
    return settled * (1.0 - decay), speed * decay


def presliding(
    travel: Floats, target: Floats, force_at_reversal: float, stiffness: float, level: float
) -> Floats:
    """Friction after `travel` from a reversal: from the force held there towards `target` (both signed)."""
    force: Floats = target - (target - force_at_reversal) * np.exp(-stiffness * np.abs(travel) / level)
    return force


def temperature_scale(parts: FrictionParts, bearing_degc: float) -> float:
    """Factor on all friction at a bearing temperature; linear, from memory."""
    return max(1.0 + parts.per_kelvin * (bearing_degc - REFERENCE_DEGC), LEAST_SCALE)


def wear_scale(parts: FrictionParts, strokes: float) -> float:
    """Factor on the Coulomb and static part after so many strokes: run-in falls, wear rises."""
    run_in = parts.run_in * (1.0 - float(np.exp(-strokes / parts.run_in_strokes)))
    return 1.0 + parts.wear_per_10k * strokes / 1e4 + run_in
