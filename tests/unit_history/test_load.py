"""What the shaft has carried: every movement once however samples are stored, and no life without an S-N line."""

import numpy as np
import pytest
from tests.unit_history.nights import night

from nightturn.calibration.torque import TorqueScale
from nightturn.trend.damage import LINE_OF_USER, NO_LIFE, SnLine
from nightturn.trend.load_history import LoadHistory
from nightturn.unit_history.load import GATE_SHARE, _Carried, _line, load_settings

LSB_NM, RATED_NM = 1e-5, 15.0
SCALE = TorqueScale(LSB_NM, 100.0, -(1 << 23), (1 << 23) - 1)


def carried(torque_nm: np.ndarray, run: str = "20261125T213000Z-4f1c") -> _Carried:
    history = LoadHistory.start(load_settings(SCALE, RATED_NM, 1000.0))
    history.add(np.rint(torque_nm / LSB_NM + SCALE.zero_count).astype(np.int32))
    return _Carried(run, night(0, {}, cycles=1), history, SCALE, 3)


def swings(times: int, range_nm: float, middle_nm: float = 5.0) -> np.ndarray:
    return middle_nm + range_nm / 2 * np.sin(np.linspace(0, 2 * np.pi * times, 1000 * times))


def test_cycles_have_their_range_in_newton_metres_and_hours_are_at_their_torque() -> None:
    found = _line([carried(swings(20, 4.0))], None)
    whole = {(low, high): count for low, high, count in found.cycles}
    (((low, high), count),) = [each for each in whole.items() if each[1] > 1]
    assert high is not None
    assert low <= 4.0 <= high
    assert count == pytest.approx(19.5, abs=1.0)
    assert sum(hours for _, _, hours in found.levels) == pytest.approx(found.hours)
    assert (found.torque_min_nm, found.torque_max_nm) == pytest.approx((3.0, 7.0), abs=1e-3)
    assert found.overloads == 0
    assert found.remarks == (NO_LIFE,)
    up, down = next((up, down) for at, up, down in found.crossings if abs(at - 5.0) < 0.3)
    assert abs(up - down) <= 1
    assert up == pytest.approx(20, abs=1)


def test_reaching_the_rated_torque_is_an_overload_in_either_sense() -> None:
    assert _line([carried(swings(3, 32.0, 0.0))], None).overloads == 6


def test_movements_within_half_a_per_cent_of_rated_are_no_cycles() -> None:
    still = _line([carried(swings(50, 0.9 * GATE_SHARE * RATED_NM))], None)
    assert sum(count for _, _, count in still.cycles) <= 1


def test_the_newest_run_is_held_against_the_first() -> None:
    found = _line([carried(swings(20, 4.0)), carried(swings(40, 4.0), "20261126T213000Z-4f1c")], None)
    assert found.against_first is not None
    assert found.against_first.value == pytest.approx(2.0, rel=0.1)
    assert NO_LIFE in found.remarks
    assert found.damage is None


def test_with_an_s_n_line_there_is_a_sum_and_how_often_all_of_it_could_be_repeated() -> None:
    found = _line([carried(swings(101, 4.0))], SnLine(1e6, 4.0, 5.0))
    assert found.damage is not None
    assert found.damage.low <= 100.5e-6 <= found.damage.high
    assert found.repetitions == pytest.approx(1 / found.damage.value)
    assert LINE_OF_USER in found.remarks


def test_closed_cycles_are_in_the_matrix_of_ranges_and_means_and_starts_add_up() -> None:
    found = _line([carried(swings(20, 4.0)), carried(swings(20, 4.0, -3.0), "20261126T213000Z-4f1c")], None)
    assert sum(count for *_, count in found.matrix) in range(36, 41)
    for low, high, mean_low, mean_high, count in found.matrix:
        assert high is not None
        assert mean_low is not None
        assert mean_high is not None
        assert count == 1 or low <= 4.0 <= high
        assert count == 1 or mean_low <= 5.0 <= mean_high or mean_low <= -3.0 <= mean_high
    assert found.starts == 6
