"""What temperatures a unit went through: each swing once, hours at each, holes counted, nothing invented for what was not measured."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.cli.history_text import temperature_rows
from nightturn.unit_history.load_temperature import _line, history_of

PERIOD_NS = 10 * 10**9


def rows(degc: "np.ndarray") -> tuple["np.ndarray", "np.ndarray"]:
    return np.arange(len(degc)) * PERIOD_NS, np.rint(degc * 1000).astype(np.int64)


def warm_and_cool(times: int, swing_k: float, middle_degc: float = 30.0) -> "np.ndarray":
    return middle_degc - swing_k / 2 * np.cos(np.linspace(0, 2 * np.pi * times, 360 * times))


def test_each_warming_and_cooling_is_one_swing_with_its_range_and_hours_add_up() -> None:
    found = _line("bearing", [history_of(*rows(warm_and_cool(10, 7.0)))])
    assert (found.lowest_degc, found.highest_degc) == pytest.approx((26.5, 33.5), abs=0.01)
    assert sum(count for low, _, count in found.cycles if low == 6.0) == pytest.approx(10, abs=0.5)
    assert found.hours == pytest.approx(10.0)  # 3600 rows, one every ten seconds
    assert sum(hours for _, _, hours in found.levels) == pytest.approx(found.hours)
    assert {(low, high) for low, high, _ in found.levels} == {(26.0, 29.0), (29.0, 32.0), (32.0, 35.0)}


def test_what_the_air_does_within_a_kelvin_is_no_swing() -> None:
    found = _line("ambient", [history_of(*rows(warm_and_cool(10, 0.8)))])
    assert found.cycles == ()
    assert found.hours == pytest.approx(10.0)


def test_a_hole_is_counted_and_the_movement_over_it_is_one() -> None:
    ts, counts = rows(np.concatenate((np.full(10, 20.0), np.full(10, 40.0))))
    ts[10:] += 7 * PERIOD_NS
    found = _line("housing", [history_of(ts, counts)])
    assert found.missing == 7
    assert found.hours == pytest.approx(20 * 10 / 3600)
    assert [(low, high) for low, high, _ in found.cycles] == [(18.0, 21.0)]


def test_nights_are_counted_one_behind_the_other() -> None:
    night = history_of(*rows(warm_and_cool(1, 7.0)))
    found = _line("bearing", [night, history_of(*rows(warm_and_cool(1, 7.0)))])
    assert found.runs == 2
    assert found.hours == pytest.approx(2.0)
    assert sum(count for _, _, count in found.cycles) == pytest.approx(2.0, abs=0.5)


def test_temperatures_beyond_all_classes_have_a_row_that_says_so() -> None:
    found = _line("winding", [history_of(*rows(np.full(360, 150.0)))])
    assert found.levels == ((137.0, None, 1.0),)
    assert ("137 °C or more", "1 h") in temperature_rows(found)
    cold = _line("winding", [history_of(*rows(np.full(360, -60.0)))])
    assert ("below -55 °C", "1 h") in [
        (name.replace("\u2212", "-"), text) for name, text in temperature_rows(cold)
    ]


@given(st.lists(st.floats(-50, 130), min_size=2, max_size=60), st.data())
def test_any_split_of_the_rows_gives_the_same_history(degc: list[float], data: st.DataObject) -> None:
    ts, counts = rows(np.array(degc))
    cut = data.draw(st.integers(1, len(degc) - 1))
    first, second = history_of(ts[:cut], counts[:cut]), history_of(ts[cut:], counts[cut:])
    first.merge(second)
    whole = _line("bearing", [history_of(ts, counts)])
    assert _line("bearing", [first]) == whole
