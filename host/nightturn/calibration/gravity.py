"""Local gravity from latitude and height: normal gravity of the Geodetic Reference System 1980.

On the ellipsoid by Somigliana's closed formula with the constants of H. Moritz, Geodetic Reference System 1980, Journal of
Geodesy 74, 2000, 128-133; above it by the second-order formula of W. A. Heiskanen, H. Moritz, Physical Geodesy, 1967, (2-124),
from memory. What mountains and the crust add or take is not in it: mostly less than 100 mGal, 1e-3 m/s².
"""

import math

from nightturn.errors import CalibrationError
from nightturn.model.quantities import number

EQUATOR_M_PER_S2 = 9.7803267715
SOMIGLIANA_K = 0.001931851353
ECCENTRICITY2 = 0.00669438002290
AXIS_M = 6_378_137.0
FLATTENING = 0.00335281068118
CENTRIFUGAL_M = 0.00344978600308
ANOMALY_U_REL = 1e-3 / 9.8 / math.sqrt(3.0)
"""Standard uncertainty of gravity by the formula: ± 100 mGal, of which nothing else is known (common practice, no source)."""
HEIGHT_LOW_M, HEIGHT_HIGH_M = -500.0, 9000.0


def gravity_m_per_s2(latitude_deg: float, height_m: float) -> float:
    """Normal gravity, m/s².

    Raises:
        CalibrationError: no place on earth.
    """
    if not -90.0 <= latitude_deg <= 90.0:
        raise CalibrationError(f"latitude {number(latitude_deg)}°: give degrees from −90 to 90")
    if not HEIGHT_LOW_M <= height_m <= HEIGHT_HIGH_M:
        raise CalibrationError(
            f"height {number(height_m)} m: give metres above the sea, {number(HEIGHT_LOW_M)} to {number(HEIGHT_HIGH_M)}"
        )
    sine2 = math.sin(math.radians(latitude_deg)) ** 2
    ground = EQUATOR_M_PER_S2 * (1.0 + SOMIGLIANA_K * sine2) / math.sqrt(1.0 - ECCENTRICITY2 * sine2)
    up = height_m / AXIS_M
    return ground * (
        1.0 - 2.0 * (1.0 + FLATTENING + CENTRIFUGAL_M - 2.0 * FLATTENING * sine2) * up + 3.0 * up**2
    )
