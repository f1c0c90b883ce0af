"""Scales and the round values beside them, also in a night whose clocks change."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from nightturn.model.clocks import NS_PER_S
from nightturn.pictures.scale import Scale, around, tick_text, ticks, time_ticks

VIENNA = ZoneInfo("Europe/Vienna")
FINITE = st.floats(-1e6, 1e6, allow_nan=False)


def ns(*parts: int) -> int:
    return round(datetime(*parts, tzinfo=UTC).timestamp()) * NS_PER_S  # type: ignore[misc, arg-type]  # a date and a time of day


@given(values=st.lists(FINITE, min_size=1, max_size=50), least=st.floats(0, 10))
def test_a_scale_holds_every_value_with_a_margin_and_keeps_their_order(
    values: list[float], least: float
) -> None:
    scale = around(values, 200.0, 10.0, least=least)
    assert all(scale.holds(each) for each in values)
    assert scale.high - scale.low >= least
    places = scale.at(np.array(sorted(values)))
    assert np.all(np.diff(places) <= 0)
    assert scale.one(scale.low) == pytest.approx(200.0)
    assert scale.one(scale.high) == pytest.approx(10.0)


@given(low=FINITE, span=st.floats(1e-6, 1e6), most=st.integers(2, 12))
def test_ticks_are_few_even_and_on_the_scale(low: float, span: float, most: int) -> None:
    assume(span > 1e-6 * abs(low))  # nearer values are not told apart on any axis
    scale = Scale(low, low + span, 0.0, 100.0)
    found = ticks(scale, most)
    assert len(found) <= most + 1
    assert all(low - 1e-6 * span <= each <= low + span + 1e-6 * span for each in found)
    if len(found) > 2:
        assert np.diff(found) == pytest.approx(np.diff(found)[0], rel=1e-6)


def test_powers_of_ten_on_the_other_scale() -> None:
    scale = Scale(0.01, 100.0, 0.0, 400.0, log=True)
    assert ticks(scale, 5) == pytest.approx([0.01, 0.1, 1.0, 10.0, 100.0])
    assert scale.at(np.array([0.01, 0.1, 100.0])).tolist() == pytest.approx([0.0, 100.0, 400.0])
    assert scale.one(0.0) == 0.0  # nothing below its lower end


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ((0.0, 0.05, 0.1), ["0", "0.05", "0.1"]),
        ((0.0, 0.025, 0.05), ["0", "0.025", "0.05"]),
        ((-100.0, 0.0, 100.0), ["−100", "0", "100"]),
    ],
)
def test_a_tick_has_the_decimals_that_its_neighbours_need(values: tuple[float, ...], said: list[str]) -> None:
    assert [tick_text(each, values) for each in values] == said


def test_the_hours_are_those_of_the_clocks_on_the_wall() -> None:
    found = time_ticks(ns(2026, 11, 25, 20, 30), ns(2026, 11, 26, 5, 30), VIENNA, 10)
    assert [words for _, words in found] == [
        "22:00",
        "23:00",
        "26 Nov",
        "01:00",
        "02:00",
        "03:00",
        "04:00",
        "05:00",
        "06:00",
    ]
    assert found[0][0] == ns(2026, 11, 25, 21)


def test_in_the_night_in_which_the_clocks_go_back_an_hour_lasts_two() -> None:
    """The clocks of the European Union go back at 01:00 UTC on the last Sunday of October (Directive 2000/84/EC, article 3)."""
    found = time_ticks(ns(2026, 10, 24, 21), ns(2026, 10, 25, 4), VIENNA, 10)
    at = {words: moment for moment, words in found}
    assert at["02:00"] == ns(2026, 10, 25, 0)
    assert at["03:00"] == ns(2026, 10, 25, 2)
    moments = [moment for moment, _ in found]
    assert moments == sorted(set(moments))


def test_in_the_night_in_which_they_go_forward_no_moment_is_named_twice() -> None:
    found = time_ticks(ns(2026, 3, 28, 22), ns(2026, 3, 29, 5), VIENNA, 10)
    moments = [moment for moment, _ in found]
    assert moments == sorted(set(moments))
    assert {words: moment for moment, words in found}["04:00"] == ns(2026, 3, 29, 2)
