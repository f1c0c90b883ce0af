"""The slow state of a unit and its rig: temperatures, strokes done, what has broken and how far, the zero of the bridge.

It moves in steps of `STEP_S` on the sample index; between steps everything it decides is constant.
"""

import math
from dataclasses import dataclass, replace

from nightturn.virtual.friction import REFERENCE_DEGC, temperature_scale, wear_scale
from nightturn.virtual.products import Product

STEP_S = 2
STROKE_RAD = 1.5 * math.pi  # wear counts travel in strokes of 270°
DAY_S = 86_400.0
SPALL_GROWTH_H = 4.0
SPALL_WIDTH_RAD = 0.35  # of the ball-pass phase
SPALL_MEAN = SPALL_WIDTH_RAD / math.sqrt(math.tau)  # mean of a pulse train of height 1
SPALL_DRAG = 0.5  # debris: steady friction for each unit of pulse height
CHIP_RAD = math.radians(140.0)  # where the magnet that lacks a piece passes a slot
CHIP_WIDTH_RAD = math.radians(0.5)
LOOSENED = 0.5  # share of its stiffness that a coupling of size 1 loses in the end
LOOSENS_H = 2.0
STIFFNESS_STEP = 0.02  # every other stiffness needs its own tables of waves
STIFFNESS_LEAST = 0.1
BRIDGE_DRIFT_V_PER_H = 2e-3
COOLING_K = 4.0
COOLS_H = 1.0


@dataclass(frozen=True, slots=True)
class Levels:
    """What friction, zero and what has broken are until the next step; N·m, N·m·s/rad and V.

    `chip_nm` is the torque as a magnet that lacks a piece passes a slot, `stiffness` the share of the coupling's that is left.
    """

    coulomb_nm: float
    static_nm: float
    viscous_nm_s: float
    spall_nm: float
    zero_v: float
    chip_nm: float = 0.0
    stiffness: float = 1.0

    def running_nm(self, product: Product, speed_rad_s: float) -> float:
        """Mean magnitude of friction at a steady speed, the defect's pulses included."""
        speed = abs(speed_rad_s)
        stribeck = math.exp(-((speed / product.friction.stribeck_rad_s) ** 2))
        steady = self.coulomb_nm + (self.static_nm - self.coulomb_nm) * stribeck + self.viscous_nm_s * speed
        return steady + SPALL_MEAN * self.spall_nm


@dataclass(frozen=True, slots=True)
class Work:
    """What the machines did in one step."""

    travel_rad: float
    friction_nm: float
    torque_nm: float


def spall_height_nm(product: Product, hours_since_onset: float, size: float) -> float:
    """Height of the pulses a defect makes so long after its onset."""
    return product.spall_nm * size * (1.0 - math.exp(-max(hours_since_onset, 0.0) / SPALL_GROWTH_H))


def levels_at(
    product: Product, bearing_degc: float, strokes: float, spall_nm: float, zero_v: float
) -> Levels:
    """Friction levels of a unit in a condition."""
    parts = product.friction
    warm = temperature_scale(parts, bearing_degc)
    worn = warm * wear_scale(parts, strokes)
    drag = SPALL_DRAG * spall_nm
    return Levels(
        parts.coulomb_nm * worn + drag,
        parts.static_nm * worn + drag,
        parts.viscous_nm_s * warm,
        spall_nm,
        zero_v,
    )


class Condition:
    """Temperatures in °C, age in strokes and hours, and what follows from them.

    Attributes:
        seconds: since the unit was made.
        strokes: of 270° each, by travel.
        began: onset in seconds and relative size of what has begun to break, by kind of fault.
    """

    def __init__(self, product: Product, strokes: float) -> None:
        self._product = product
        self.seconds = 0.0
        self.strokes = strokes
        self.began: dict[str, tuple[float, float]] = {}
        self.ambient_degc = self.housing_degc = self.winding_degc = self.bearing_degc = self._ambient()

    def _ambient(self) -> float:
        heat = self._product.heat
        hours, size = self._since("cooling")
        cooled_k = COOLING_K * size * (1.0 - math.exp(-hours / COOLS_H))
        return heat.ambient_degc + heat.ambient_swing_k * math.sin(math.tau * self.seconds / DAY_S) - cooled_k

    def begin(self, kind: str, size: float) -> None:
        """Something begins to break, or the hall to cool."""
        self.began[kind] = (self.seconds, size)

    def _since(self, kind: str) -> tuple[float, float]:
        """Hours since a fault began and its size; two zeros where it has not."""
        if kind not in self.began:
            return 0.0, 0.0
        from_s, size = self.began[kind]
        return (self.seconds - from_s) / 3600.0, size

    def step(self, work: Work) -> None:
        """One step of the first-order thermal model and of age."""
        heat = self._product.heat
        drag_w = work.friction_nm * work.travel_rad / STEP_S
        copper_w = heat.copper_w_per_nm2 * work.torque_nm**2
        self.seconds += STEP_S
        self.strokes += work.travel_rad / STROKE_RAD
        self.ambient_degc = self._ambient()
        self.housing_degc = _towards(
            self.housing_degc,
            self.ambient_degc + (drag_w + copper_w) * heat.housing_k_per_w,
            heat.housing_j_per_k * heat.housing_k_per_w,
        )
        self.winding_degc = _towards(
            self.winding_degc, self.housing_degc + copper_w * heat.winding_k_per_w, heat.winding_s
        )
        self.bearing_degc = _towards(
            self.bearing_degc, self.housing_degc + drag_w * heat.bearing_k_per_w, heat.bearing_s
        )

    @property
    def spall_nm(self) -> float:
        """Height of the defect's pulses now."""
        hours, size = self._since("spall")
        return spall_height_nm(self._product, hours, size)

    @property
    def stiffness(self) -> float:
        """Share of the coupling's stiffness that is left, in steps."""
        hours, size = self._since("coupling")
        left = max(1.0 - LOOSENED * size * (1.0 - math.exp(-hours / LOOSENS_H)), STIFFNESS_LEAST)
        return round(left / STIFFNESS_STEP) * STIFFNESS_STEP

    def levels(self) -> Levels:
        """Friction and zero as they are now."""
        bridge = self._product.bridge
        drifting_h, drift = self._since("zero")
        zero_v = (
            bridge.zero_v
            + BRIDGE_DRIFT_V_PER_H * drift * drifting_h
            + bridge.zero_drift_v_per_h * self.seconds / 3600.0
            + bridge.zero_v_per_k * (self.ambient_degc - REFERENCE_DEGC)
        )
        whole = levels_at(self._product, self.bearing_degc, self.strokes, self.spall_nm, zero_v)
        _, chip = self._since("chip")
        return replace(whole, chip_nm=self._product.chip_nm * chip, stiffness=self.stiffness)


def _towards(value: float, target: float, time_constant_s: float) -> float:
    return target + (value - target) * math.exp(-STEP_S / time_constant_s)
