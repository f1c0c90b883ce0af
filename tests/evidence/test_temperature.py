"""Friction beyond temperature, and a temperature that goes to and fro."""

import math

import numpy as np
import pytest

from nightturn.evidence.comparing import Point
from nightturn.evidence.temperature import beyond_temperature, own_slope, swing_of

CYCLE_S = 405.0


def friction(
    rng: np.random.Generator, degc: list[float], per_k: float, scale: float = 1.0
) -> tuple[list[Point], list[float]]:
    """Friction of 93 mN·m at 24 °C that falls with temperature."""
    points = [
        Point(0.093 * scale * (1 + per_k * (each - 24)) + 2e-4 * float(rng.normal()), 2e-4, 10.0, 1)
        for each in degc
    ]
    return points, degc


def test_what_a_colder_unit_does_is_explained_and_wear_is_not() -> None:
    rng = np.random.default_rng(2)
    before = friction(rng, [24.0] * 20, -0.008)
    cold = beyond_temperature(before, friction(rng, [20.0] * 20, -0.008))
    worn = beyond_temperature(before, friction(rng, [20.0] * 20, -0.008, 1.08))
    assert cold is not None
    assert worn is not None
    assert abs(cold.now - cold.before) < 2 * cold.u
    assert worn.now - worn.before > 4 * worn.u
    assert worn.now - worn.before == pytest.approx(0.08 * 0.093, rel=0.2)


def test_a_slope_that_the_cycles_show_counts_more_than_what_was_assumed() -> None:
    rng = np.random.default_rng(3)
    warm = [24 + 0.4 * k for k in range(20)]
    before, now = friction(rng, warm, -0.014), friction(rng, [each + 4 for each in warm], -0.014)
    change = beyond_temperature(before, now)
    assert change is not None
    assert abs(change.now - change.before) < 2 * change.u
    assert change.u < 0.3 * 0.003 * 4 * 0.093 + 0.008 * 0.3 * 0.093 * 2


def test_friction_of_one_group_alone_says_nothing() -> None:
    rng = np.random.default_rng(4)
    assert beyond_temperature(([], []), friction(rng, [24.0] * 5, -0.008)) is None


def test_the_slope_within_cycles_is_that_of_the_plant() -> None:
    rng = np.random.default_rng(5)
    slopes = [own_slope(*friction(rng, [22 + 0.2 * k for k in range(20)], -0.008)) for _ in range(200)]
    off = [(each.per_k + 0.008 * 0.093) / each.u for each in slopes if each is not None]
    assert len(off) == 200
    assert np.mean(np.abs(off) < 2) > 0.93


def test_one_temperature_and_few_cycles_have_no_slope() -> None:
    rng = np.random.default_rng(6)
    assert own_slope(*friction(rng, [24.0] * 20, -0.008)) is None
    assert own_slope(*friction(rng, [24.0, 25.0, 26.0], -0.008)) is None


def test_an_air_conditioning_of_forty_minutes_is_found_with_its_period() -> None:
    rng = np.random.default_rng(7)
    starts = [k * CYCLE_S for k in range(36)]
    degc = [
        24 + 1.2 * math.sin(math.tau * at / 2400) + 0.01 * at / CYCLE_S + 0.1 * float(rng.normal())
        for at in starts
    ]
    found = swing_of(starts, degc)
    assert found is not None
    assert found.period_s == pytest.approx(2400, rel=0.05)
    assert found.half_k == pytest.approx(1.2, rel=0.1)
    assert found.chance < 1e-6


@pytest.mark.parametrize(
    "degc",
    [
        [24 + 6 * (1 - math.exp(-k / 8)) for k in range(30)],
        [24 + 1.5 * math.sin(k / 30) for k in range(30)],
        [24.0] * 30,
        [24 + 0.1 * (k % 4) for k in range(30)],
        [24 + (k % 4) for k in range(8)],
    ],
    ids=["warming up", "day and night", "no change", "a tenth of a kelvin", "too few cycles"],
)
def test_what_does_not_go_to_and_fro_is_no_swing(degc: list[float]) -> None:
    assert swing_of([k * CYCLE_S for k in range(len(degc))], degc) is None


def test_a_temperature_that_wanders_is_a_swing_about_as_rarely_as_its_chance_says() -> None:
    rng = np.random.default_rng(8)
    starts = [k * CYCLE_S for k in range(24)]
    found = [swing_of(starts, list(24 + np.cumsum(rng.normal(0, 0.2, 24)))) for _ in range(400)]
    assert sum(each is not None and each.chance < 3e-4 for each in found) <= 4
