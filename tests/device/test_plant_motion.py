"""The drive of the bench plant: travels that end to the count, ramps that are kept, speeds that are held."""

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from tests.device.plant import COUNTS_PER_RAD, COUNTS_PER_REV, Plant, Taken

from nightturn_protocol.messages import Axis

RATES_HZ = st.sampled_from([100, 200, 1000, 2500])
SPEEDS = st.floats(0.0625, 62.0, width=32)
RAMPS = st.floats(0.5, 200.0, width=32)
SECONDS_MAX = 30.0
DEFAULT_RAMP_RAD_S2 = 2.0
OWN_RATE_HZ = 1000


def speeds(taken: Taken, rate_hz: int) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """rad/s between neighbouring samples."""
    return np.diff(taken.encoder) * (rate_hz / COUNTS_PER_RAD)


def trapezoid_s(angle_rad: float, speed_rad_s: float, ramp_rad_s2: float) -> float:
    """How long a travel takes in continuous time."""
    if angle_rad < speed_rad_s**2 / ramp_rad_s2:
        return 2 * math.sqrt(angle_rad / ramp_rad_s2)
    return angle_rad / speed_rad_s + speed_rad_s / ramp_rad_s2


@given(
    st.integers(-40 * COUNTS_PER_REV, 40 * COUNTS_PER_REV).filter(lambda counts: counts != 0),
    SPEEDS,
    RAMPS,
    RATES_HZ,
)
def test_a_travel_ends_to_the_count_and_keeps_speed_and_ramp(
    counts: int, speed_rad_s: float, ramp_rad_s2: float, rate_hz: int
) -> None:
    expected_s = trapezoid_s(abs(counts) / COUNTS_PER_RAD, speed_rad_s, ramp_rad_s2)
    assume(expected_s < SECONDS_MAX)
    plant = Plant(1, rate_hz)
    start = int(plant.take(1).encoder[0])
    plant.travel(counts, speed_rad_s, ramp_rad_s2)
    taken = plant.settle(SECONDS_MAX * 2, rate_hz)
    assert int(taken.encoder[-1]) - start == counts
    ways = np.diff(taken.encoder, prepend=start) * int(math.copysign(1, counts))
    assert ways.min() >= 0  # it never turns back
    a_count = rate_hz / COUNTS_PER_RAD
    assert ways.max() * a_count <= speed_rad_s + a_count
    assert abs(np.diff(ways)).max(initial=0) * a_count * rate_hz <= ramp_rad_s2 + 2.01 * a_count * rate_hz
    assert len(taken.encoder) / rate_hz == pytest.approx(expected_s, rel=0.02, abs=5 / rate_hz)
    assert (plant.take(10).encoder == start + counts).all()


@given(st.lists(st.integers(-3000, 3000).filter(lambda counts: counts != 0), min_size=1, max_size=6))
def test_travels_add_up(ways: list[int]) -> None:
    plant = Plant(2)
    start = int(plant.take(1).encoder[0])
    for counts in ways:
        plant.travel(counts, 1.0, 100.0)
        plant.settle()
    assert int(plant.take(1).encoder[0]) - start == sum(ways)


@pytest.mark.parametrize("counts", [-(2**63), 2**63 - 1, 2**40])
def test_a_travel_without_end_is_one_at_the_speed_that_was_asked_for(counts: int) -> None:
    plant = Plant(2)
    plant.travel(counts, 2.0, 20.0)
    plant.take(200)
    assert speeds(plant.take(1000), OWN_RATE_HZ).mean() == pytest.approx(math.copysign(2.0, counts), rel=1e-5)


@given(SPEEDS, SPEEDS, st.booleans(), RAMPS)
def test_from_one_speed_to_another_the_ramp_is_kept_also_through_standstill(
    first: float, second: float, turns_round: bool, ramp_rad_s2: float
) -> None:
    assume((first + second) / ramp_rad_s2 < SECONDS_MAX)
    plant = Plant(3)
    plant.turn(first, 1000.0)
    plant.take(1000)
    goal = -second if turns_round else second
    plant.turn(goal, ramp_rad_s2)
    change_s = abs(goal - first) / ramp_rad_s2
    taken = plant.take(math.ceil(change_s * OWN_RATE_HZ) + 500)
    speed = speeds(taken, OWN_RATE_HZ)
    a_count = OWN_RATE_HZ / COUNTS_PER_RAD
    assert speed[-400:].mean() == pytest.approx(goal, rel=1e-5, abs=a_count / 200)
    assert abs(np.diff(speed)).max() * OWN_RATE_HZ <= ramp_rad_s2 + 2.01 * a_count * OWN_RATE_HZ
    there = int(np.argmax(abs(speed - goal) <= 1.5 * a_count)) / OWN_RATE_HZ
    assert there == pytest.approx(change_s, abs=0.004 + 3 * a_count / ramp_rad_s2)


def test_a_long_cruise_keeps_its_speed_to_a_millionth() -> None:
    plant = Plant(3)
    plant.turn(3.0, 100.0)
    plant.take(1000)
    encoder = plant.take(500_000).encoder
    speed_rad_s = float(encoder[-1] - encoder[0]) / (len(encoder) - 1) * OWN_RATE_HZ / COUNTS_PER_RAD
    assert speed_rad_s == pytest.approx(3.0, rel=1e-6)


@pytest.mark.parametrize(("ramp_rad_s2", "expected_rad_s2"), [(50.0, 50.0), (0.0, DEFAULT_RAMP_RAD_S2)])
def test_off_brings_the_drive_to_rest_on_its_ramp(ramp_rad_s2: float, expected_rad_s2: float) -> None:
    plant = Plant(3)
    plant.turn(4.0, 100.0)
    plant.take(1000)
    plant.off(Axis.DRIVE, ramp_rad_s2)
    taken = plant.settle()
    assert len(taken.encoder) / OWN_RATE_HZ == pytest.approx(4.0 / expected_rad_s2, abs=0.003)
    assert np.ptp(plant.take(100).encoder) == 0


def test_off_in_the_middle_of_a_travel_forgets_where_it_was_to_end() -> None:
    plant = Plant(3)
    start = int(plant.take(1).encoder[0])
    plant.travel(10 * COUNTS_PER_REV, 6.0, 20.0)
    plant.take(1000)
    plant.off(Axis.DRIVE, 20.0)
    taken = plant.settle()
    assert 0 < int(taken.encoder[-1]) - start < 2 * COUNTS_PER_REV
    assert abs(np.diff(taken.encoder)).max() <= 6.001 * COUNTS_PER_RAD / OWN_RATE_HZ


def test_off_at_rest_moves_nothing() -> None:
    plant = Plant(3)
    before = plant.take(10).encoder[-1]
    plant.off(Axis.DRIVE, 1.0)
    assert not plant.moving
    assert (plant.take(10).encoder == before).all()


@pytest.mark.parametrize("ramp_rad_s2", [1e-30, 1e30])
def test_a_ramp_beyond_all_reason_is_a_motion_all_the_same(ramp_rad_s2: float) -> None:
    plant = Plant(3)
    plant.turn(4.0, ramp_rad_s2)
    speed = speeds(plant.take(20_000), OWN_RATE_HZ)
    assert plant.moving
    assert abs(speed).max() <= 4.01
    plant.off(Axis.DRIVE, 1000.0)
    plant.settle()
    plant.travel(1000, 1.0, ramp_rad_s2)
    assert plant.moving


def test_another_rate_keeps_the_speed_and_plans_anew() -> None:
    plant = Plant(3)
    plant.turn(4.0, 100.0)
    plant.take(1000)
    plant.set_rate(2500)
    assert speeds(plant.take(2500), 2500).mean() == pytest.approx(4.0, rel=1e-5)
    plant.travel(COUNTS_PER_REV, 4.0, 100.0)


def test_a_restart_forgets_the_turns_and_nothing_else_until_the_core_stops_the_drive() -> None:
    plant = Plant(3)
    plant.turn(-6.0, 100.0)
    before = plant.take(5000)
    assert before.encoder[-1] < -2 * COUNTS_PER_REV
    plant.restart(1000)
    after = plant.take(1)
    assert 0 <= after.encoder[0] < COUNTS_PER_REV
    step = (int(after.encoder[0]) - int(before.encoder[-1])) % COUNTS_PER_REV - COUNTS_PER_REV
    assert step == pytest.approx(-6.0 * COUNTS_PER_RAD / OWN_RATE_HZ, abs=1)
    plant.off(Axis.DRIVE, 50.0)
    assert len(plant.settle().encoder) == pytest.approx(121, abs=2)
