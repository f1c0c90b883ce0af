"""The torque of a mass on a lever, with what its parts contribute to the uncertainty: T = m g L cos(tilt) (1 - air / density)."""

import math
from dataclasses import dataclass

from nightturn.errors import CalibrationError
from nightturn.model.quantities import number

AIR_KG_PER_M3 = 1.2
"""Air at 20 °C and sea level."""
AIR_U_REL = 0.05
"""Of its density, indoors, below 500 m (common practice, no source)."""
STEEL_KG_PER_M3 = 8000.0
TILT_MAX_DEG = 10.0


@dataclass(frozen=True, slots=True)
class Lever:
    """A lever on which masses hang, and how well each part is known; standard uncertainties.

    Attributes:
        arm_m: from the axis to where the mass hangs; u_arm_m.
        gravity: local, m/s²; u_gravity_rel.
        u_mass_rel: of every mass.
        density_kg_per_m3: of the masses. air_kg_per_m3: around them.
        tilt_deg: of the lever off level; u_tilt_deg.
    """

    arm_m: float
    u_arm_m: float
    gravity: float
    u_gravity_rel: float
    u_mass_rel: float = 0.0
    density_kg_per_m3: float = STEEL_KG_PER_M3
    air_kg_per_m3: float = AIR_KG_PER_M3
    tilt_deg: float = 0.0
    u_tilt_deg: float = 0.0

    def __post_init__(self) -> None:
        if not 0.0 < self.arm_m < 10.0:
            raise CalibrationError(f"arm of {number(self.arm_m)} m: give its length in metres")
        if not 0.0 <= self.u_arm_m < 0.1 * self.arm_m:
            raise CalibrationError(
                f"the arm is known to {number(self.u_arm_m)} m: give a standard uncertainty in metres, less than a tenth of it"
            )
        if not abs(self.tilt_deg) <= TILT_MAX_DEG or not 0.0 <= self.u_tilt_deg <= TILT_MAX_DEG:
            raise CalibrationError(
                f"a lever that is {number(self.tilt_deg)}° off level: level it to {number(TILT_MAX_DEG)}°"
            )
        if not self.density_kg_per_m3 > 10 * self.air_kg_per_m3:
            raise CalibrationError(
                f"density of {number(self.density_kg_per_m3)} kg/m³: give that of the masses, 8000 for steel"
            )

    def torque_nm(self, mass_kg: float) -> float:
        """The torque of a mass, N·m; its sign is that of the mass as written, for the sense."""
        buoyancy = 1.0 - self.air_kg_per_m3 / self.density_kg_per_m3
        return mass_kg * self.gravity * self.arm_m * math.cos(math.radians(self.tilt_deg)) * buoyancy

    def parts_rel(self) -> dict[str, float]:
        """Relative standard uncertainty of every torque by its source; all torques share them."""
        tilt, u_tilt = math.radians(self.tilt_deg), math.radians(self.u_tilt_deg)
        # A cosine is flat at its top: about level its second order counts (JCGM 100:2008, F.2.4.4).
        cosine = math.hypot(math.tan(tilt) * u_tilt, u_tilt**2 / math.sqrt(2.0))
        return {
            "arm": self.u_arm_m / self.arm_m,
            "gravity": self.u_gravity_rel,
            "mass": self.u_mass_rel,
            "buoyancy": AIR_U_REL * self.air_kg_per_m3 / self.density_kg_per_m3,
            "cosine": cosine,
        }
