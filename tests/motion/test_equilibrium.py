"""When a temperature counts as settled: the slope of a full window, its interval included, and nothing where little is known."""

import numpy as np
import pytest

from nightturn.motion.equilibrium import READINGS, Readings, Slope

TICK_HZ = 1000
WINDOW_S = 1200
WINDOW = WINDOW_S * TICK_HZ


def read(k_per_h: float, seconds: int, noise_mk: float = 0.0, every_s: int = 1) -> Readings:
    """A sensor that rises by so much an hour, read every so many seconds."""
    readings, rng = Readings(), np.random.default_rng(5)
    for second in range(0, seconds + 1, every_s):
        milli = 30_000 + k_per_h * 1000 * second / 3600 + noise_mk * rng.standard_normal()
        readings.take(second * TICK_HZ, round(milli), WINDOW)
    return readings


@pytest.mark.parametrize("k_per_h", [-6.0, 0.1, 0.5, 20.0])
def test_the_slope_of_a_full_window_is_the_one_that_was_made(k_per_h: float) -> None:
    found = read(k_per_h, 3 * WINDOW_S).slope(3 * WINDOW, WINDOW, TICK_HZ)
    assert found is not None
    assert found.k_per_h == pytest.approx(k_per_h, abs=0.01)  # readings are whole thousandths of a degree
    assert found.half_k_per_h < 0.01


def test_the_interval_of_a_noisy_sensor_holds_the_slope_and_keeps_it_from_being_settled() -> None:
    found = read(0.3, WINDOW_S, noise_mk=100.0).slope(WINDOW, WINDOW, TICK_HZ)
    assert found is not None
    assert abs(found.k_per_h - 0.3) < 1.5 * found.half_k_per_h
    # 2·σ/sqrt(Σ(t - mean)²): 61 readings over a third of an hour
    assert found.half_k_per_h == pytest.approx(0.2 / (61**0.5 * (1 / 3) / 12**0.5), rel=0.25)
    assert not found.within(abs(found.k_per_h))
    assert found.within(abs(found.k_per_h) + found.half_k_per_h + 1e-9)


def test_nothing_is_said_before_the_window_is_full_nor_behind_readings_that_stay_away() -> None:
    assert Readings().slope(WINDOW, WINDOW, TICK_HZ) is None
    short = read(0.0, WINDOW_S // 2)
    assert short.slope(WINDOW // 2, WINDOW, TICK_HZ) is None
    assert short.slope(WINDOW, WINDOW, TICK_HZ) is None  # it fell silent: the same value is no equilibrium
    assert read(0.0, WINDOW_S, every_s=100).slope(WINDOW, WINDOW, TICK_HZ) is None  # too few
    full = read(0.1, WINDOW_S)
    assert full.slope(WINDOW, WINDOW, TICK_HZ) is not None
    assert full.slope(WINDOW + 60 * TICK_HZ, WINDOW, TICK_HZ) is None
    full.forget()
    assert full.slope(WINDOW, WINDOW, TICK_HZ) is None


def test_a_soak_of_days_keeps_no_more_readings_than_a_window_holds() -> None:
    assert len(read(1.0, 20 * WINDOW_S).kept) <= READINGS + 1


def test_a_slope_and_its_interval_both_have_to_be_small() -> None:
    assert Slope(-0.5, 0.3).within(1.0)
    assert not Slope(0.5, 0.6).within(1.0)
    assert not Slope(-1.0, 0.0).within(1.0)


@pytest.mark.parametrize("k_per_h", [0.0, 0.5, 3.0])
def test_a_sensor_that_gives_one_value_only_is_never_settled_and_is_said_to_be_stuck(k_per_h: float) -> None:
    stuck = coarse(k_per_h, step_mk=4000)
    assert stuck.stuck(WINDOW, WINDOW)
    assert stuck.slope(WINDOW, WINDOW, TICK_HZ) is None
    assert not read(0.5, WINDOW_S).stuck(WINDOW, WINDOW)
    assert not Readings().stuck(WINDOW, WINDOW)


@pytest.mark.parametrize("k_per_h", [-2.0, -0.6, 0.3, 0.9, 1.4])
@pytest.mark.parametrize("step_mk", [62.5, 125, 250])
def test_the_interval_of_a_coarse_sensor_holds_the_slope_wherever_its_steps_fall(
    k_per_h: float, step_mk: float
) -> None:
    for begins_mk in range(0, 250, 10):
        found = coarse(k_per_h, step_mk, begins_mk).slope(WINDOW, WINDOW, TICK_HZ)
        if found is not None:
            assert abs(found.k_per_h - k_per_h) <= found.half_k_per_h
            assert not found.within(abs(k_per_h))


def coarse(k_per_h: float, step_mk: float, begins_mk: float = 0.0) -> Readings:
    """A sensor without noise that shows whole steps only."""
    readings = Readings()
    for second in range(WINDOW_S + 1):
        milli = 30_000 + begins_mk + k_per_h * 1000 * second / 3600
        readings.take(second * TICK_HZ, round(round(milli / step_mk) * step_mk), WINDOW)
    return readings
