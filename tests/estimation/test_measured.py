"""A measurement's figures: reached, out of reach, or open, and what more cycles would do."""

import pytest

from nightturn.estimation.measured import standing
from nightturn.model.figures import BUDGET, BudgetLine, Figure
from nightturn.model.tasks import OPEN, REACHED, UNREACHABLE
from nightturn.model.verdicts import NOT_JUDGED

NAME = "friction_nm"


def figure(value: float, own: float = 1e-4, common: float = 0.0) -> Figure:
    lines = (
        BudgetLine("scatter", own, 20.0, common=False, source="turns"),
        BudgetLine("factor", common, 1e6, common=True, source="certificate"),
    )
    u = (own**2 + common**2) ** 0.5
    return Figure(
        NAME, value, u, 20.0, n=9, u_rep=own, nu_rep=20.0, u_common=common, kind=BUDGET, budget=lines
    )


def refused(why: str = "the torque signal hit the end of its range") -> Figure:
    return Figure(NAME, None, status=NOT_JUDGED, reasons=(why,))


def test_a_small_scatter_reaches_it_with_two_cycles_and_not_with_one() -> None:
    assert standing(NAME, [figure(0.1)], 1.0).word == OPEN
    found = standing(NAME, [figure(0.1), figure(0.10005)], 1.0)
    assert (found.word, found.judged) == (REACHED, 2)
    assert found.half is not None
    assert found.wanted is not None
    assert found.wanted == pytest.approx(0.01 * 0.100025)
    assert found.half <= found.wanted


def test_what_all_cycles_share_puts_it_out_of_reach_and_is_named() -> None:
    found = standing(NAME, [figure(0.1, common=1e-3), figure(0.1, common=1e-3)], 1.0)
    assert found.word == UNREACHABLE
    assert "no number of cycles reaches that, because what they share alone is ± " in found.said
    assert found.said.endswith("most of it factor")


def test_a_scatter_that_more_cycles_would_lower_is_open_with_their_number() -> None:
    found = standing(NAME, [figure(0.1, own=2e-3) for _ in range(4)], 1.0)
    assert found.word == OPEN
    assert "more like these" in found.said


def test_three_cycles_without_a_value_are_enough_to_say_that_there_will_be_none() -> None:
    assert standing(NAME, [], 1.0).said == f"{NAME}: no cycle has ended yet"
    assert standing(NAME, [refused(), refused()], 1.0).word == OPEN
    found = standing(NAME, [refused(), refused(), refused()], 1.0)
    assert (found.word, found.value) == (UNREACHABLE, None)
    assert found.said.endswith("the torque signal hit the end of its range")


def test_nothing_asked_for_is_never_reached() -> None:
    found = standing(NAME, [figure(0.1), figure(0.1)], None)
    assert (found.word, found.wanted) == (OPEN, None)
