"""A figure over a night, and the difference of two nights, in which what both share cancels."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.estimation.night_figure import (
    NOT_SHOWN,
    REAL,
    REMOUNTING,
    Scatter,
    difference,
    night_figure,
    remounting,
)
from nightturn.model.figures import BUDGET, NU_MANY, BudgetLine, Figure

OWN, FACTOR = "scatter", "factor"


def cycle(
    value: float,
    own: float = 0.001,
    common: float = 0.0,
    *,
    name: str = "friction_nm",
    source: str = "TR-204/1",
) -> Figure:
    """A judged cycle with its own scatter and a part of the factor."""
    lines = (
        BudgetLine(OWN, own, 8.0, common=False, source="turns"),
        BudgetLine(FACTOR, common, NU_MANY, common=True, source=source),
    )
    return Figure(name, value, math.hypot(own, common), 8.0, n=2, u_common=common, kind=BUDGET, budget=lines)


def night(
    level: float,
    *,
    count: int = 20,
    own: float = 0.001,
    common: float = 0.0,
    seed: int = 1,
    source: str = "TR-204/1",
    name: str = "friction_nm",
) -> Figure:
    rng = np.random.default_rng(seed)
    found = night_figure(
        name,
        [
            cycle(level + own * rng.standard_normal(), own, common, name=name, source=source)
            for _ in range(count)
        ],
    )
    assert found is not None
    return found


def test_what_is_common_does_not_shrink_with_the_number_of_cycles() -> None:
    """JCGM 100:2008, 5.2.2, the example of note 1: ten resistors calibrated against one standard with u = 100 mΩ are correlated with
    r = 1, so that their sum has u = 1 Ω and not 0.32 Ω; their mean therefore has 100 mΩ."""
    ten = night_figure("friction_nm", [cycle(1000.0, 1e-9, 0.1) for _ in range(10)])
    assert ten is not None
    assert ten.u is not None
    assert ten.u == pytest.approx(0.1, rel=1e-6)
    assert 10 * ten.u == pytest.approx(1.0, rel=1e-6)


def test_in_a_difference_what_both_share_leaves_only_the_difference_of_its_contributions() -> None:
    """JCGM 100:2008, 5.2.2, note 1, with coefficients of opposite sign: u(a - b) = |u_a - u_b| for r = 1."""
    one, other = night(0.110, common=0.0055), night(0.100, common=0.0050, seed=2)
    found = difference(one, other)
    apart = difference(one, night(0.100, common=0.0050, seed=2, source="TR-205/3"))
    assert found.shared == (FACTOR,)
    assert apart.shared == ()
    assert found.half < apart.half
    scatter = math.hypot(*(line.u for each in (one, other) for line in each.budget if not line.common))
    assert found.half == pytest.approx(2.03 * math.hypot(scatter, 0.0005), rel=0.05)
    assert apart.half == pytest.approx(1.96 * math.hypot(scatter, 0.0055, 0.0050), rel=0.05)
    assert (found.word, apart.word) == (REAL, NOT_SHOWN)


def test_a_third_better_of_rated_torque_although_half_in_newton_metre() -> None:
    """0.110 N·m of 15 N·m against 0.220 N·m of 20 N·m: 0.733 % against 1.1 % of rated, a third better (common practice, no source)."""
    own = 1e-5
    newton = difference(night(0.110, own=own), night(0.220, own=own, seed=2))
    rated = difference(
        night(0.110 / 15 * 100, own=own, name="friction_pct_rated"),
        night(0.220 / 20 * 100, own=own, seed=2, name="friction_pct_rated"),
    )
    assert newton.relative_pct == pytest.approx(-50.0, abs=0.1)
    assert rated.relative_pct == pytest.approx(-100 / 3, abs=0.1)
    assert newton.word == rated.word == REAL


@given(seed=st.integers(0, 2**32 - 1))
def test_a_night_against_itself_shows_no_difference(seed: int) -> None:
    one = night(0.1, seed=seed, common=0.01)
    found = difference(one, one)
    assert found.value == 0.0
    assert found.word == NOT_SHOWN


def test_two_nights_of_one_truth_differ_in_about_one_of_twenty_pairs() -> None:
    real = sum(
        difference(night(0.1, seed=2 * each), night(0.1, seed=2 * each + 1)).word == REAL
        for each in range(300)
    )
    # binomial, 99.9 %: 300 pairs at 5 %
    assert 4 <= real <= 30


def test_a_difference_that_mountings_scatter_as_much_is_within_what_remounting_does() -> None:
    one, other = night(0.101, own=1e-4), night(0.100, own=1e-4, seed=2)
    assert difference(one, other).word == REAL
    known = remounting([0.099, 0.100, 0.1015, 0.1002])
    assert known is not None
    assert known.nu == 3.0
    assert difference(one, other, known).word == REMOUNTING
    assert difference(night(0.2, own=1e-4), other, known).word == REAL


def test_two_mountings_say_nothing_of_what_remounting_does() -> None:
    assert remounting([0.1, 0.2]) is None
    assert remounting([1.0, 2.0, 3.0], "three of Q-1") == Scatter(1.0, 2.0, REMOUNTING, "three of Q-1")


def test_a_night_without_a_judged_cycle_has_no_figure() -> None:
    refused = Figure("friction_nm", 0.1, 0.001, 8.0, status="refused")
    assert night_figure("friction_nm", [refused, Figure("friction_nm", None)]) is None
    assert night_figure("friction_nm", []) is None


def test_different_figures_are_not_subtracted() -> None:
    with pytest.raises(ValueError, match="are not the same figure"):
        difference(night(0.1), night(0.1, name="zero_nm"))
