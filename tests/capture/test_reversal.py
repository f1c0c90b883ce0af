"""Friction from a reversal: its ± covers the truth under drift and slow noise, and legs are found by coarse encoders too."""

import math

import numpy as np
import pytest
from tests.capture.made import FRICTION_NM, RATE_HZ, turning

from nightturn.capture.legs import Leg, legs_of, plateaus_of
from nightturn.capture.reversal import step_by_angle, step_by_level, unloaded
from nightturn.estimation.quantiles import coverage_factor

TRIALS = 120
COVERED_MIN = 0.88  # .95 less three standard errors of 120 trials


def slow_noise(rng: np.random.Generator, count: int, rms: float) -> np.ndarray:
    """1/f noise."""
    hz = np.fft.rfftfreq(count, 1 / RATE_HZ)
    hz[0] = hz[1]
    found = np.fft.irfft(np.fft.rfft(rng.normal(0, 1, count)) / np.sqrt(hz), count)
    return np.asarray(rms * found / found.std())


@pytest.mark.parametrize("ways", [(1, -1), (1, -1, 1)], ids=["one reversal", "two reversals"])
@pytest.mark.parametrize(
    ("drift", "slow"), [(0.0, 0.0), (0.003, 0.0), (0.0, 0.002)], ids=["white", "drift", "slow noise"]
)
def test_the_interval_holds_the_friction(ways: tuple[int, ...], drift: float, slow: float) -> None:
    covered = 0
    for seed in range(TRIALS):
        time, angle, torque = turning(ways, 0.5, drift_nm_per_s=drift, seed=seed)
        if slow:
            torque = torque + slow_noise(np.random.default_rng(seed), len(torque), slow)
        step = step_by_angle(time, np.radians(angle), torque, legs_of(time, np.radians(angle), 1e-6))
        assert step is not None
        covered += abs(step.friction - FRICTION_NM) <= coverage_factor(step.nu) * step.u
    assert covered >= COVERED_MIN * TRIALS


def test_a_straight_drift_is_found_and_does_not_move_the_friction() -> None:
    time, angle, torque = turning((1, -1), 1.1, drift_nm_per_s=0.01, noise_nm=1e-6)
    step = step_by_angle(time, np.radians(angle), torque, legs_of(time, np.radians(angle), 1e-6))
    assert step is not None
    assert step.drift_per_s == pytest.approx(0.01, rel=1e-3)
    assert step.friction == pytest.approx(FRICTION_NM, rel=1e-3)
    assert step.sector_rad == pytest.approx(math.tau)


def test_levels_alone_give_the_friction_within_their_interval() -> None:
    for seed in range(20):
        time, _, torque = turning((1, -1, 1), 1.1, drift_nm_per_s=0.001, seed=seed)
        step = step_by_level(time, torque, plateaus_of(torque))
        assert step is not None
        assert abs(step.friction - FRICTION_NM) <= 2 * coverage_factor(step.nu) * step.u


@pytest.mark.parametrize("counts", [360, 4096, 1 << 20])
def test_legs_are_found_at_any_resolution(counts: int) -> None:
    time, angle, _ = turning((1, -1, 1), 0.8, rpm=3)
    radians = np.rint(angle / 360 * counts) * (math.tau / counts)
    legs = legs_of(time, radians, math.tau / counts)
    assert [leg.way for leg in legs] == [1, -1, 1]
    for leg in legs:
        assert leg.speed_rad_s == pytest.approx(3 * math.tau / 60, rel=0.05)
        assert abs(radians[leg.stop - 1] - radians[leg.first]) > 0.85 * 0.8 * math.tau


def test_nothing_turns_and_nothing_is_found() -> None:
    time = np.arange(1000) / 100
    assert legs_of(time, np.zeros(1000), 1e-6) == []
    assert plateaus_of(np.random.default_rng(1).normal(0, 1, 1000)) == []
    assert plateaus_of(np.zeros(20)) == []


def test_a_loaded_pass_and_one_at_another_speed_are_left_out() -> None:
    torque = np.repeat([-0.1, 0.1, 4.9, -0.1, 0.12], 100)
    legs = [
        Leg(at * 100, at * 100 + 100, way, speed)
        for at, (way, speed) in enumerate([(1, 1.0), (-1, 1.0), (1, 1.0), (1, 1.0), (-1, 3.0)])
    ]
    assert unloaded(torque, legs, 15.0) == [legs[0], legs[1], legs[3]]
    assert unloaded(torque, [legs[0], legs[3]], 15.0) == []
    assert step_by_angle(np.arange(500.0), np.arange(500.0), torque, [legs[0], legs[3]]) is None
    assert step_by_level(np.arange(500.0), torque, [legs[0]]) is None
