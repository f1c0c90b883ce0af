"""Chances are those of published tables and of another library."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from nightturn.evidence.chances import angles_chance, counts_chance, cycles_chance, t_chance, t_reach


@pytest.mark.parametrize(
    ("nu", "t_95", "t_99"),
    [
        (1, 12.71, 63.66),
        (2, 4.30, 9.92),
        (5, 2.57, 4.03),
        (10, 2.23, 3.17),
        (20, 2.09, 2.85),
        (50, 2.01, 2.68),
    ],
)
def test_students_t_is_that_of_the_published_table(nu: float, t_95: float, t_99: float) -> None:
    # JCGM 100:2008, Table G.2, the values of t for 95 % and 99 %, from memory.
    assert t_reach(0.05, nu) == pytest.approx(t_95, abs=0.006)
    assert t_reach(0.01, nu) == pytest.approx(t_99, abs=0.006)


def test_the_lady_tasting_tea_guesses_six_of_eight_cups_by_chance_with_a_quarter() -> None:
    # R. A. Fisher, The Design of Experiments, 1935, chapter II: 17 of 70 for three or four of four right; both tails are twice that.
    assert cycles_chance(1, 4, 3, 4) == pytest.approx(34 / 70)
    assert cycles_chance(0, 4, 4, 4) == pytest.approx(2 / 70)


@given(t=st.floats(-40, 40), nu=st.floats(1, 1e5))
def test_t_agrees_with_another_library(t: float, nu: float) -> None:
    assert t_chance(t, nu) == pytest.approx(2 * stats.t.sf(abs(t), nu), rel=1e-8, abs=1e-280)


@given(before=st.integers(1, 40), now=st.integers(1, 40), data=st.data())
def test_fishers_test_agrees_with_another_library(before: int, now: int, data: st.DataObject) -> None:
    a, b = data.draw(st.integers(0, before)), data.draw(st.integers(0, now))
    other = stats.fisher_exact(np.array([[a, before - a], [b, now - b]])).pvalue
    assert cycles_chance(a, before, b, now) == pytest.approx(other, rel=1e-6)


@given(before=st.integers(0, 60), now=st.integers(0, 60), share=st.floats(0.1, 0.9))
def test_counts_agree_with_another_library(before: int, now: int, share: float) -> None:
    expected = 1.0 if before + now == 0 else stats.binomtest(now, before + now, share).pvalue
    assert counts_chance(before, now, share) == pytest.approx(expected, rel=1e-6)


def test_evenly_spread_angles_gather_by_chance_as_often_as_stated() -> None:
    rng = np.random.default_rng(3)
    chances = [angles_chance(list(rng.uniform(0, math.tau, 12)))[2] for _ in range(2000)]
    assert np.mean(np.array(chances) < 0.05) == pytest.approx(0.05, abs=0.015)
    assert np.mean(np.array(chances) < 0.01) == pytest.approx(0.01, abs=0.007)


def test_angles_at_one_place_are_found_across_zero() -> None:
    angle, length, chance = angles_chance([math.radians(each) for each in (350, 355, 0, 5, 10, 358, 2, 4)])
    assert math.degrees(angle) % 360 == pytest.approx(0.5, abs=1)
    assert length > 0.98
    assert chance < 1e-3


def test_nothing_counted_and_nothing_moved_is_by_chance() -> None:
    assert counts_chance(0, 0, 0.5) == 1.0
    assert angles_chance([]) == (0.0, 0.0, 1.0)
    assert t_chance(0.0, 5) == 1.0
    assert t_chance(math.inf, 5) == 0.0


@given(chance=st.floats(1e-9, 0.5), nu=st.floats(1, 1e6))
def test_what_is_reached_by_chance_so_often_has_that_chance(chance: float, nu: float) -> None:
    assert t_chance(t_reach(chance, nu), nu) == pytest.approx(chance, rel=1e-6)
