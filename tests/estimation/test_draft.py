"""A figure in the making: the lines of its budget add up as the guide has it."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.estimation.draft import FEW_MAX, NO_NUMBER, OWN, Draft, combined, welch_satterthwaite
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.figures import NU_MANY, REFUSED, BudgetLine

SIZES = st.floats(1e-3, 10.0)
FREEDOM = st.sampled_from([1.0, 2.0, 3.0, 5.0, 8.0, 20.0, 1000.0, NU_MANY])


def line(u: float, nu: float = NU_MANY, *, common: bool = False) -> BudgetLine:
    return BudgetLine("line", u, nu, common, "the test")


LINES = st.builds(
    lambda few, many: (*few, *many),
    st.lists(st.builds(line, SIZES, FREEDOM), min_size=1, max_size=FEW_MAX - 1),
    st.lists(st.builds(line, SIZES), max_size=3),
)


def test_the_end_gauge_of_the_guide_has_32_nm_and_sixteen_degrees_of_freedom() -> None:
    """JCGM 100:2008, annex H.1, table H.1: 25 (18), 9.7 (25.6), 2.9 (50), 16.6 (2) nm and u_c 32 nm, nu_eff 16; from memory.

    Components: calibration of the standard 25 nm, 18; difference of lengths 9.7 nm, 25.6; difference of expansion 2.9 nm, 50;
    difference of temperature 16.6 nm, 2.
    """
    u, nu = welch_satterthwaite((line(25, 18), line(9.7, 25.6), line(2.9, 50), line(16.6, 2)))
    assert round(u) == 32
    assert int(nu) == 16


def test_the_interval_is_not_narrower_than_that_of_the_temperature_of_the_end_gauge_alone() -> None:
    """16.6 nm with 2 degrees of freedom has ± 71 nm of its own, the formula's ± of all four is 67 nm."""
    u, nu = combined((line(25, 18), line(9.7, 25.6), line(2.9, 50), line(16.6, 2)))
    alone = combined((line(25, 18), line(9.7, 25.6), line(16.6, 2)))
    assert coverage_factor(nu) * u >= max(4.302 * 16.6, coverage_factor(alone[1]) * alone[0] * (1 - 1e-9))


def test_a_line_alone_is_itself() -> None:
    assert combined((line(0.3, 4.0),)) == (0.3, 4.0)


def test_two_equal_lines_of_three_degrees_of_freedom_have_six() -> None:
    """JCGM 100:2008, (G.2b)."""
    u, nu = combined((line(1, 3), line(1, 3)))
    assert (u, nu) == pytest.approx((math.sqrt(2), 6.0))


@given(LINES)
def test_the_square_of_the_whole_is_the_sum_of_squares(lines: tuple[BudgetLine, ...]) -> None:
    u, nu = combined(lines)
    assert u**2 == pytest.approx(sum(each.u**2 for each in lines))
    assert min(each.nu for each in lines) * (1 - 1e-9) <= nu <= NU_MANY


@given(LINES, st.floats(0.0, 10.0))
def test_a_wider_well_known_line_never_narrows_the_interval(
    lines: tuple[BudgetLine, ...], more: float
) -> None:
    """Alone, the formula of Welch and Satterthwaite does: 1 (3 degrees of freedom) and 0.5 give 2.68 where 1 gives 3.18."""
    first, second = combined((*lines, line(1e-6))), combined((*lines, line(1e-6 + more)))
    assert second[0] >= first[0]
    assert coverage_factor(second[1]) * second[0] >= coverage_factor(first[1]) * first[0] * (1 - 1e-9)


@given(LINES, SIZES, FREEDOM)
def test_a_source_more_never_narrows_the_interval(lines: tuple[BudgetLine, ...], u: float, nu: float) -> None:
    first, second = combined(lines), combined((*lines, line(u, nu)))
    assert coverage_factor(second[1]) * second[0] >= coverage_factor(first[1]) * first[0] * (1 - 1e-9)


def test_a_figure_keeps_its_own_part_beside_the_whole_and_scales_every_line() -> None:
    draft = Draft(0.12, 0.003, 5.0, 4)
    draft.line("factor", 0.004, "certificate", common=True)
    draft.line("nothing", 0.0, "certificate", common=True)
    figure = draft.figure("friction_pct_rated", 1, 100 / 15)
    assert (figure.u_rep, figure.nu_rep, figure.u) == pytest.approx((0.02, 5.0, 0.1 / 3))
    assert figure.u_common == pytest.approx(0.4 / 15)
    assert [each.name for each in figure.budget] == [OWN, "factor"]
    assert [each.u for each in figure.budget] == pytest.approx([0.02, 0.4 / 15])


def test_a_figure_without_scatter_has_neither_interval_nor_budget() -> None:
    draft = Draft(0.12)
    draft.line("factor", 0.004, "certificate", common=True)
    figure = draft.figure("friction_nm", 1)
    assert (figure.u, figure.nu, figure.budget) == (None, None, ())


@pytest.mark.parametrize(
    ("value", "u", "nu"),
    [
        (math.nan, 0.003, 5.0),
        (math.inf, None, None),
        (0.12, math.nan, 5.0),
        (0.12, math.inf, 5.0),
        (0.12, 0.003, math.nan),
        (0.12, 0.0, 0.0),
        (0.12, 0.0, 5.0),
        (0.12, 0.003, 0.0),
    ],
)
def test_what_is_no_number_or_has_a_scatter_of_0_is_no_figure_and_says_whose_fault_it_is(
    value: float, u: float | None, nu: float | None
) -> None:
    draft = Draft(value, u, nu, 4)
    draft.line("factor", 0.004, "certificate", common=True)
    figure = draft.figure("friction_nm", 1)

    assert figure.status == REFUSED
    assert (figure.value, figure.u, figure.nu, figure.budget) == (None, None, None, ())
    assert figure.reasons == (NO_NUMBER,)
    assert NO_NUMBER.startswith(
        "The calculation gave no number with a ±: a fault of nightturn, not of the rig."
    )
