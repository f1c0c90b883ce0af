"""A change is seen beyond its uncertainty, and neighbours that are alike are not counted as many."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.evidence.chances import t_chance
from nightturn.evidence.comparing import Change, Point, appeared, best_chance, change_of, combined


def series(rng: np.random.Generator, n: int, likeness: float) -> list[Point]:
    """A first-order series of unit variance."""
    values = rng.normal(size=n + 50)
    for k in range(1, len(values)):
        values[k] = likeness * values[k - 1] + math.sqrt(1 - likeness**2) * values[k]
    return [Point(float(each), 0.0, 10.0, 1) for each in values[50:]]


def chance_of(change: Change) -> float:
    return t_chance((change.now - change.before) / change.u, change.nu)


@pytest.mark.parametrize(
    ("likeness", "n", "most"),
    [(0.0, 20, 0.015), (0.4, 20, 0.02), (0.4, 8, 0.02), (0.4, 5, 0.02), (0.7, 40, 0.07)],
)
def test_what_has_not_changed_moves_about_as_often_as_stated(likeness: float, n: int, most: float) -> None:
    """1 % is stated. Cycles more alike than was assumed, in numbers that cannot show it, move up to seven times as often."""
    rng = np.random.default_rng(round(100 * likeness) + n)
    changes = [change_of(series(rng, n, likeness), series(rng, n, likeness)) for _ in range(1500)]
    chances = np.array([chance_of(each) for each in changes if each is not None])
    assert len(chances) == 1500
    assert np.mean(chances < 0.01) <= most
    assert np.mean(chances < 0.05) <= 3 * most


def test_a_course_within_a_group_is_no_noise() -> None:
    rng = np.random.default_rng(1)
    calm = [Point(float(each), 0.0, 10.0, 1) for each in rng.normal(0, 0.1, 20)]
    growing = [Point(0.1 * k + float(rng.normal(0, 0.1)), 0.0, 10.0, 1) for k in range(20)]
    change = change_of(calm, growing)
    assert change is not None
    assert change.now - change.before == pytest.approx(0.95, abs=0.1)
    assert chance_of(change) < 1e-4


def test_each_direction_is_compared_with_itself() -> None:
    before = [Point(10.0 + k % 2, 0.01, 10.0, (-1, 1)[k % 2]) for k in range(20)]
    now = [Point(11.0, 0.01, 10.0, 1)] * 9 + [Point(10.0, 0.01, 10.0, -1)]
    change = change_of(before, now)
    assert change is not None
    assert change.now == pytest.approx(change.before)


def test_groups_without_a_common_direction_are_not_compared() -> None:
    assert change_of([Point(1.0, 0.1, 5.0, 1)], [Point(1.0, 0.1, 5.0, -1)]) is None
    assert change_of([], [Point(1.0, 0.1, 5.0, -1)]) is None


def test_single_cycles_are_compared_by_their_own_uncertainty() -> None:
    change = change_of([Point(1.0, 0.3, 5.0, 1)], [Point(2.0, 0.4, 7.0, 1)])
    assert change is not None
    assert change.u == pytest.approx(0.5)


def test_cycles_that_agree_by_chance_keep_their_own_uncertainty() -> None:
    before, now = ([Point(value, 0.2, 10.0, 1)] * 4 for value in (1.0, 2.0))
    change = change_of(before, now)
    assert change is not None
    assert change.u == pytest.approx(math.hypot(0.1, 0.1))


def test_degrees_of_freedom_are_those_of_the_published_formula() -> None:
    # JCGM 100:2008, G.4.1, formula G.2b, with equal parts: the sum of both.
    u, nu = combined((1.0, 4.0), (1.0, 4.0))
    assert u == pytest.approx(math.sqrt(2))
    assert nu == pytest.approx(8.0)
    assert combined((0.0, 1.0))[0] == 0.0


@given(found=st.integers(0, 20))
def test_what_appears_is_counted_and_what_is_always_there_is_measured(found: int) -> None:
    line = Point(2.0, 0.1, 10.0, 1)
    change = appeared([None] * 20, [line if k < found else None for k in range(20)])
    assert change is not None
    assert change.chance is not None
    assert (change.chance < 1e-3) == (found >= 10)
    always = appeared([line] * 20, [line._replace(value=3.0)] * 20)
    assert always is not None
    assert always.chance is None
    assert always.now - always.before == pytest.approx(1.0)


def test_nothing_appears_in_no_cycles() -> None:
    assert appeared([], [None]) is None


def test_the_best_that_few_cycles_can_show_is_known() -> None:
    assert best_chance(5, 5) == pytest.approx(2 / math.comb(10, 5))
    assert best_chance(20, 20) < 1e-9
