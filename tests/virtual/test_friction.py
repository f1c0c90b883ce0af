"""Friction laws against published parameters and closed forms."""

import numpy as np
import pytest

from nightturn.virtual.condition import levels_at
from nightturn.virtual.friction import bristle, presliding, steady_force, temperature_scale, wear_scale
from nightturn.virtual.products import PAN15, PRODUCTS

# C. Canudas de Wit, H. Olsson, K. J. Åström, P. Lischinsky, "A new model for control of systems with friction", IEEE Trans.
# Automatic Control 40(3), 1995, Table 1 (parameters from memory); the values by own arithmetic.
S0, S1, S2, FC, FS, VS = 1e5, 1e5**0.5, 0.4, 1.0, 1.5, 1e-3


@pytest.mark.parametrize(
    ("speed", "force"),
    [
        (1e-5, 1.499954002),
        (1e-4, 1.495064917),
        (5e-4, 1.389600392),
        (1e-3, 1.184339721),
        (2e-3, 1.009957819),
        (5e-3, 1.002000000),
        (1e-2, 1.004),
        (0.1, 1.04),
        (1.0, 1.4),
    ],
)
def test_steady_friction_follows_the_lugre_curve_of_canudas_de_wit_1995(speed: float, force: float) -> None:
    assert steady_force(np.array([speed]), FC, FS, VS, S2)[0] == pytest.approx(force, rel=1e-8)


def test_the_lugre_curve_has_its_minimum_between_2_and_10_mm_per_s() -> None:
    speed = np.geomspace(1e-5, 1, 2000)
    force = steady_force(speed, FC, FS, VS, S2)
    assert 0.002 < speed[np.argmin(force)] < 0.01


def test_a_step_of_speed_follows_the_lugre_bristle_of_canudas_de_wit_1995() -> None:
    time_s = np.array([1e-4, 1e-3, 5e-3, 1e-2, 0.1])
    deflection, rate = bristle(time_s, VS, S0, FC, FS, VS)
    force = S0 * deflection + S1 * rate + S2 * VS
    assert force == pytest.approx([0.323925923, 0.386908131, 0.615532819, 0.811472562, 1.184153443], abs=2e-9)


def test_presliding_follows_dahl_from_rest() -> None:
    # P. R. Dahl, "A solid friction model", Aerospace Corporation TOR-0158(3107-18)-1, 1968 (from memory), by own arithmetic:
    # F(x) = 1 - exp(-1e5 x)
    travel = np.array([1e-6, 10e-6, 20e-6, 50e-6])
    force = presliding(travel, np.ones(4), 0.0, 1e5, 1.0)
    assert force == pytest.approx([0.095162582, 0.632120559, 0.864664717, 0.993262053], abs=1e-9)


def test_presliding_begins_at_the_force_held_and_ends_at_the_other_side() -> None:
    force = presliding(np.array([0.0, 1.0]), np.array([-1.0, -1.0]), 0.8, 1e5, 1.0)
    assert force == pytest.approx([0.8, -1.0])


def test_friction_falls_when_warm_and_rises_with_wear_after_running_in() -> None:
    parts = PAN15.friction
    assert temperature_scale(parts, 25.0) == 1.0
    assert temperature_scale(parts, 35.0) == pytest.approx(0.92)  # -0.8 %/K, from memory
    assert wear_scale(parts, 0.0) == 1.0
    assert wear_scale(parts, 2000.0) < 1.0
    assert wear_scale(parts, 20_000.0) > wear_scale(parts, 2000.0)


@pytest.mark.parametrize("name", PRODUCTS)
def test_static_friction_is_above_coulomb_friction(name: str) -> None:
    levels = levels_at(PRODUCTS[name], 25.0, 0.0, 0.0, 0.0)
    assert levels.static_nm > levels.coulomb_nm > 0
