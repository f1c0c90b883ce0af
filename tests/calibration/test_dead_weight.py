"""Local gravity by the published formula, and the torque of a mass on a lever with what its parts contribute."""

import math

import pytest

from nightturn.calibration.dead_weight import Lever
from nightturn.calibration.gravity import ANOMALY_U_REL, gravity_m_per_s2
from nightturn.errors import CalibrationError


@pytest.mark.parametrize(
    ("latitude", "expected"),
    [(0.0, 9.7803267715), (45.0, 9.806199203), (90.0, 9.8321863685), (-90.0, 9.8321863685)],
)
def test_normal_gravity_is_that_of_the_geodetic_reference_system_1980(
    latitude: float, expected: float
) -> None:
    """H. Moritz, Geodetic Reference System 1980, Journal of Geodesy 74, 2000, 128-133: at the equator, at 45° and at a pole."""
    assert gravity_m_per_s2(latitude, 0.0) == pytest.approx(expected, abs=1e-9)


def test_gravity_falls_with_height_by_the_free_air_gradient() -> None:
    """About 0.3086 mGal a metre (common practice, no source)."""
    fall = gravity_m_per_s2(45.0, 0.0) - gravity_m_per_s2(45.0, 1000.0)
    assert fall == pytest.approx(1000 * 3.086e-6, rel=1e-3)
    assert pytest.approx(5.9e-5, rel=0.01) == ANOMALY_U_REL


@pytest.mark.parametrize(
    ("latitude", "height", "said"),
    [
        (91.0, 0.0, "give degrees from −90 to 90"),
        (50.0, 90_000.0, "height 90000 m: give metres above the sea, −500 to 9000"),
    ],
)
def test_a_place_that_is_none_is_refused(latitude: float, height: float, said: str) -> None:
    with pytest.raises(CalibrationError, match=said):
        gravity_m_per_s2(latitude, height)


def test_a_mass_on_a_lever_gives_its_torque_with_buoyancy_and_cosine() -> None:
    """Steel of 8000 kg/m³ in air of 1.2 kg/m³ loses 0.015 %, a lever 1° off level 0.015 % (worked out by hand)."""
    level = Lever(0.5, 5e-5, 9.8125, 0.0)
    assert level.torque_nm(2.0) == pytest.approx(9.8125 * (1 - 1.5e-4), rel=1e-12)
    assert level.torque_nm(-2.0) == -level.torque_nm(2.0)
    tilted = Lever(0.5, 5e-5, 9.8125, 0.0, tilt_deg=1.0)
    assert tilted.torque_nm(2.0) / level.torque_nm(2.0) == pytest.approx(1 - 1.523e-4, abs=1e-7)


def test_the_parts_are_relative_and_a_level_lever_has_a_cosine_of_second_order() -> None:
    parts = Lever(0.5, 5e-5, 9.8125, ANOMALY_U_REL, u_mass_rel=1e-5, u_tilt_deg=1.0).parts_rel()
    assert parts["arm"] == pytest.approx(1e-4)
    assert parts["buoyancy"] == pytest.approx(7.5e-6)
    assert parts["cosine"] == pytest.approx(math.radians(1.0) ** 2 / math.sqrt(2))
    steep = Lever(0.5, 0.0, 9.8125, 0.0, tilt_deg=3.0, u_tilt_deg=0.5).parts_rel()["cosine"]
    assert steep == pytest.approx(math.tan(math.radians(3)) * math.radians(0.5), rel=0.01)


@pytest.mark.parametrize(
    ("numbers", "said"),
    [
        ({"arm_m": 50.0}, "arm of 50 m: give its length in metres"),
        ({"u_arm_m": 0.4}, "give a standard uncertainty in metres, less than a tenth of it"),
        ({"tilt_deg": 30.0}, "a lever that is 30° off level: level it to 10°"),
        ({"density_kg_per_m3": 8.0}, "density of 8 kg/m³: give that of the masses, 8000 for steel"),
    ],
)
def test_a_lever_that_cannot_be_is_refused(numbers: dict[str, float], said: str) -> None:
    values = {"arm_m": 0.5, "u_arm_m": 0.0, "gravity": 9.81, "u_gravity_rel": 0.0, **numbers}
    with pytest.raises(CalibrationError, match=said):
        Lever(**values)
