"""Noise near a limit: twelve hours of it just below raise nothing, and a value beyond is said once.

What a deadband alone does is counted beside, on the same noise.
"""

import numpy as np
import pytest

from nightturn.alarms.level import KNOWN, Level, deadband, noise
from nightturn.model.clocks import NS_PER_S

LIMIT, MEAN, SIGMA = 3.5, 3.35, 0.12
HALF_A_DAY_S = 12 * 3600


def changes(values: np.ndarray, period_s: float, level: Level) -> list[tuple[int, bool]]:
    return [
        (place, level.there)
        for place, value in enumerate(values.tolist())
        if level.add(round(place * period_s * NS_PER_S), value, LIMIT)
    ]


def test_half_a_day_of_noise_just_below_a_limit_five_times_a_second_raises_nothing() -> None:
    values = np.random.default_rng(7).normal(MEAN, SIGMA, HALF_A_DAY_S * 5)
    assert (values > LIMIT).sum() > 20_000  # so often it was beyond
    assert changes(values, 0.2, Level()) == []


@pytest.mark.parametrize("seed", range(20))
def test_a_night_of_cycles_whose_noise_lies_just_below_a_limit_raises_nothing(seed: int) -> None:
    values = np.random.default_rng(seed).normal(MEAN, SIGMA, HALF_A_DAY_S // 300)
    assert changes(values, 300.0, Level()) == []


def test_a_step_beyond_is_said_once_and_its_return_once_although_it_stays_noisy() -> None:
    chance = np.random.default_rng(3)
    values = np.concatenate([chance.normal(mean, SIGMA, 200) for mean in (2.5, 4.2, 2.5)])
    found = changes(values, 300.0, Level())
    assert [there for _, there in found] == [True, False]
    assert 200 <= found[0][0] < 210
    assert 400 <= found[1][0] < 410


def test_an_alarm_that_is_there_does_not_return_while_the_value_lies_within_the_deadband() -> None:
    chance = np.random.default_rng(4)
    values = np.concatenate([chance.normal(4.2, SIGMA, 100), chance.normal(LIMIT - 2 * SIGMA, SIGMA, 400)])
    assert [there for _, there in changes(values, 300.0, Level())] == [True]


def test_the_noise_is_measured_from_one_value_to_the_next_so_a_slope_or_a_step_is_none() -> None:
    chance = np.random.default_rng(5)
    values = chance.normal(0.0, SIGMA, 50)
    assert noise(values.tolist()) == pytest.approx(SIGMA, rel=0.35)
    stepped = values + np.where(np.arange(50) > 25, 10.0, 0.0) + 0.01 * np.arange(50)
    assert noise(stepped.tolist()) == pytest.approx(noise(values.tolist()), rel=0.15)
    assert noise([1.0] * KNOWN) is None
    assert deadband([1.0, 1.0], 2.0) == pytest.approx(0.04)


def test_a_value_that_is_none_says_nothing() -> None:
    level = Level()
    for place in range(20):
        assert not level.add(place * 10 * NS_PER_S, float("nan"), LIMIT)
    assert level.values == []
