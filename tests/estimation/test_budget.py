"""The uncertainty budget of a figure: each line by hand, and what must hold whatever a certificate says."""

import math
from dataclasses import replace
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.estimation.synthetic import Bench, cycles_of, record

from nightturn.estimation import budget
from nightturn.estimation.budget import (
    BEYOND_K,
    CHANGE_K,
    DIFFERENCE,
    EXCITATION,
    FACTOR,
    GAIN,
    HALF_STEP,
    HALF_SUM,
    HYSTERESIS,
    LEVEL,
    LINEARITY,
    RESOLUTION,
    STEEPEST,
    TK0,
    TKC,
    UNMEASURED,
    ZERO_RETURN,
    Enters,
    Seen,
    Warmth,
    budget_lines,
    comparison,
    shares_pct,
    warmth_of,
)
from nightturn.estimation.conditions import Conditions
from nightturn.estimation.draft import OWN, Draft, combined
from nightturn.estimation.figures import FIGURES
from nightturn.estimation.finish import finish_cycle
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.certificates import Certificate, Expanded
from nightturn.model.figures import BUDGET, NU_MANY, REPEATABILITY, BudgetLine, Figure

BENCH = Bench(rate_hz=1000, slow_rpm=4.0, hold_rpm=6.0)
WITHOUT_STROKES = {"coulomb_nm", "viscous_nm_s_per_rad", "breakaway_nm"}
SOURCE = "certificate QL 26/7"
FULL_NM = 20.0
PLAIN = Certificate(
    full_scale_nm=FULL_NM,
    temp_low_degc=21.0,
    temp_high_degc=25.0,
    factor_rel=Expanded(0.0005, 2.0),
    linearity_rel_fs=0.0003,
    hysteresis_rel_fs=0.0002,
    zero_return_rel_fs=0.0001,
    tk0_rel_fs_per_10k=0.0004,
    tkc_rel_per_10k=0.0006,
    excitation_rel=0.00011,
    gain_rel=0.00012,
)
WARM = Warmth(31.0, 0.5)
"""6 K above the temperatures of the calibration, moving by half a kelvin."""
QUIET = Seen(span_nm=0.3, noise_counts=4.0, warmth=WARM, zero_known=True)
RATIOS = [name for name in Certificate.__struct_fields__ if "rel" in name]


def conditions(certificate: Certificate | None = PLAIN, **changes: Any) -> Conditions:
    return BENCH.conditions(certificate=certificate, certificate_source=SOURCE, **changes)


def contributions(
    value_nm: float, enters: Enters, seen: Seen = QUIET, on: Conditions | None = None
) -> dict[str, float]:
    lines = budget_lines(value_nm, enters, seen, conditions() if on is None else on)
    assert all(line.common for line in lines)
    return {line.name: line.u for line in lines}


def test_friction_has_its_lines_at_the_torque_that_was_used() -> None:
    """By hand, 0.1 N·m on a transducer of 20 N·m that is warmer than its calibration by 6 K and moves by 0.5 K."""
    assert contributions(0.1, HALF_STEP) == pytest.approx(
        {
            FACTOR: 0.1 * 0.00025,
            LINEARITY: 4 * 0.1 * 0.0003,
            HYSTERESIS: 0.3 * 0.0002,
            EXCITATION: 0.1 * 0.00011,
            GAIN: 0.1 * 0.00012,
            TK0: FULL_NM * 0.0004 * 0.05 / 2,
            TKC: 0.1 * 0.0006 * 0.6,
        }
    )


def test_zero_has_all_of_what_moves_zero_and_nothing_cancels() -> None:
    lines = contributions(0.01, HALF_SUM)
    assert lines[ZERO_RETURN] == pytest.approx(FULL_NM * 0.0001)
    assert lines[TK0] == pytest.approx(FULL_NM * 0.0004 * 0.6)


@pytest.mark.parametrize(("known", "moved_k"), [(True, 0.5), (False, 6.0)])
def test_mean_torque_has_the_whole_zero_only_where_no_slow_pass_found_it(
    *, known: bool, moved_k: float
) -> None:
    seen = msgspec.structs.replace(QUIET, zero_known=known)
    assert contributions(5.0, LEVEL, seen)[TK0] == pytest.approx(FULL_NM * 0.0004 * moved_k / 10)


def test_ripple_and_friction_have_no_zero_return() -> None:
    assert ZERO_RETURN not in contributions(0.08, DIFFERENCE)
    assert ZERO_RETURN not in contributions(0.08, HALF_STEP)


def test_linearity_and_hysteresis_are_never_more_than_at_full_scale() -> None:
    lines = contributions(15.0, LEVEL)
    assert lines[LINEARITY] == pytest.approx(FULL_NM * 0.0003)
    assert contributions(90.0, LEVEL)[HYSTERESIS] == pytest.approx(FULL_NM * 0.0002)


@given(st.floats(0, 1), st.floats(0, 1))
def test_no_two_torques_differ_by_more_than_the_steepest_slope_of_the_deviation_from_the_line(
    a: float, b: float
) -> None:
    """A parabola of height 1 over full scale, which is what a deviation of one sign between two exact ends looks like."""

    def deviation(torque: float) -> float:
        return 4 * torque * (1 - torque)

    assert abs(deviation(a) - deviation(b)) <= STEEPEST * abs(a - b) + 1e-12


def test_within_the_temperatures_of_the_calibration_its_coefficients_count_nothing() -> None:
    seen = msgspec.structs.replace(QUIET, warmth=Warmth(23.0, 0.0))
    assert {TK0, TKC} & set(contributions(0.1, HALF_SUM, seen)) == set()
    below = msgspec.structs.replace(QUIET, warmth=Warmth(15.0, 0.0))
    assert contributions(0.1, DIFFERENCE, below)[TKC] == pytest.approx(0.1 * 0.0006 * 0.6)


def test_without_a_temperature_one_is_assumed_and_the_source_says_so() -> None:
    seen = msgspec.structs.replace(QUIET, warmth=UNMEASURED)
    lines = {line.name: line for line in budget_lines(0.1, HALF_STEP, seen, conditions())}
    assert lines[TKC].u == pytest.approx(0.1 * 0.0006 * BEYOND_K / 10)
    assert lines[TK0].u == pytest.approx(FULL_NM * 0.0004 * CHANGE_K / 10 / 2)
    assert lines[TK0].source == f"{SOURCE}; no temperature of the bridge: 10 K assumed, 1 K within a cycle"
    assert lines[FACTOR].source == SOURCE


def test_the_transducers_temperature_is_that_of_the_bridge_else_of_the_air() -> None:
    means, ends = {"ambient": 22.0, "bridge": 30.0, "winding": 60.0}, {"bridge": (29_900, 30_400)}
    assert warmth_of(means, ends) == Warmth(30.0, 0.5)
    assert warmth_of({"ambient": 22.0}, {"ambient": (22_000, 22_000)}) == Warmth(22.0, 0.0)
    assert warmth_of({"winding": 60.0}, {"winding": (60_000, 60_000)}) == UNMEASURED


def test_the_supply_of_a_ratiometric_bridge_does_not_count() -> None:
    assert EXCITATION not in contributions(0.1, DIFFERENCE, on=conditions(excitation_counts=False))


def test_steps_of_a_converter_count_without_noise_and_not_beside_it() -> None:
    silent = msgspec.structs.replace(QUIET, noise_counts=0.0)
    found = contributions(0.1, HALF_STEP, silent)[RESOLUTION]
    assert found <= abs(BENCH.lsb_nm) / math.sqrt(12) / math.sqrt(2) * (1 + 1e-12)
    assert found > 0.5 * abs(BENCH.lsb_nm) / math.sqrt(12) / math.sqrt(2)
    assert RESOLUTION not in contributions(0.1, HALF_STEP)


def test_without_certificate_data_there_is_no_line_of_a_certificate() -> None:
    assert contributions(0.1, HALF_STEP, on=conditions(None)) == {}


@given(
    st.sampled_from([DIFFERENCE, HALF_STEP, HALF_SUM, LEVEL, budget.RMS]),
    st.floats(-12, 12),
    st.fixed_dictionaries({name: st.floats(0, 0.01) for name in RATIOS}),
    st.sampled_from(RATIOS),
    st.floats(1, 5),
    st.sampled_from([1.0, 2.0, 3.0, 9.0]),
)
def test_a_wider_uncertainty_never_narrows_an_interval(
    enters: Enters, value_nm: float, stated: dict[str, float], wider: str, times: float, nu: float
) -> None:
    """Of any line of any certificate, for any figure: u and the 95 % interval."""
    base = Certificate(full_scale_nm=FULL_NM, temp_low_degc=21.0, temp_high_degc=25.0, **stated)
    wide = msgspec.structs.replace(base, **{wider: stated[wider] * times + 1e-9})
    own = BudgetLine(OWN, 0.001, nu, common=False, source="this cycle")
    before, after = (
        combined((own, *budget_lines(value_nm, enters, QUIET, conditions(each)))) for each in (base, wide)
    )
    assert after[0] >= before[0] * (1 - 1e-12)
    assert coverage_factor(after[1]) * after[0] >= coverage_factor(before[1]) * before[0] * (1 - 1e-9)


def test_the_figures_of_a_cycle_carry_their_budget_and_say_that_it_is_whole() -> None:
    (sums,) = cycles_of(record(replace(BENCH, friction_orders={1: 0.02})))
    warmed = msgspec.structs.replace(
        sums, temperatures={"bridge": (2, 62_000)}, temperature_ends={"bridge": (30_800, 31_200)}
    )
    cycle = finish_cycle(warmed, conditions(), 0, 1, 2, 3)
    bare = finish_cycle(warmed, conditions(None), 0, 1, 2, 3)
    assert (cycle.kind, bare.kind) == (BUDGET, REPEATABILITY)
    pairs = list(zip(cycle.figures, bare.figures, strict=True))
    assert {figure.name for figure, _ in pairs if figure.value is None} == WITHOUT_STROKES
    for figure, plain in pairs:
        if figure.value is None:
            continue
        assert figure.u is not None
        assert plain.u is not None
        assert (figure.kind, plain.kind) == (BUDGET, REPEATABILITY)
        assert figure.value == plain.value
        assert figure.u_rep == plain.u_rep
        assert figure.u > plain.u
        assert figure.u**2 == pytest.approx(sum(line.u**2 for line in figure.budget))
        assert figure.u_common**2 == pytest.approx(sum(line.u**2 for line in figure.budget if line.common))
        assert sum(shares_pct(figure.budget)) == pytest.approx(100.0)
        moment = {"drift, ends of a pass known to a cell"} if figure.name == "zero_nm" else set()
        assert {line.source for line in figure.budget} == {"this cycle", SOURCE} | moment


def test_a_figure_in_per_cent_has_the_lines_of_the_same_in_newton_metres_times_the_factor() -> None:
    (sums,) = cycles_of(record(BENCH))
    cycle = finish_cycle(sums, conditions(), 0, 1, 2, 3)
    for absolute, relative in (("friction_nm", "friction_pct_rated"), ("ripple_pp_nm", "ripple_pct_rated")):
        pairs = zip(cycle.figure(absolute).budget, cycle.figure(relative).budget, strict=True)
        for one, other in pairs:
            assert (one.name, one.common, one.nu) == (other.name, other.common, other.nu)
            assert other.u == pytest.approx(one.u * 100 / 15)


def test_every_figure_of_the_table_says_how_errors_of_the_channel_enter_it() -> None:
    """Rows that share what makes them share this too, or one would get the lines of the other."""
    by_make: dict[Any, set[Enters]] = {}
    for spec in FIGURES.values():
        by_make.setdefault(spec.make, set()).add(spec.enters)
    assert {len(enters) for enters in by_make.values()} == {1}


def figure(value: float, *lines: BudgetLine, nu: float = 8.0) -> Figure:
    draft = Draft(value, 0.0002, nu, 4, lines=lines)
    return draft.figure("friction_nm", 1, kind=BUDGET)


def shared(name: str, u: float, source: str = SOURCE) -> BudgetLine:
    return BudgetLine(name, u, NU_MANY, common=True, source=source)


def test_two_units_on_one_rig_are_compared_without_what_they_share() -> None:
    """Factor 1 % of 100 and of 110 mN·m: 1 mN·m each, and 0.1 mN·m in the difference (JCGM 100:2008, 5.2.2, note 1)."""
    one, other = figure(0.110, shared(FACTOR, 0.0011)), figure(0.100, shared(FACTOR, 0.0010))
    difference, u, nu = comparison(one, other)
    assert difference == pytest.approx(0.010)
    assert u == pytest.approx(math.hypot(0.0002, 0.0002, 0.0001))
    assert nu > 8.0
    assert one.u is not None
    assert u < 0.3 * one.u


def test_units_that_are_alike_leave_their_own_scatter_only() -> None:
    same = figure(0.1, shared(FACTOR, 0.001), shared(LINEARITY, 0.002))
    assert comparison(same, same)[:2] == pytest.approx((0.0, math.hypot(0.0002, 0.0002)))


def test_another_certificate_is_not_shared() -> None:
    u = comparison(
        figure(0.1, shared(FACTOR, 0.001)), figure(0.1, shared(FACTOR, 0.001, "certificate QL 25/1"))
    )[1]
    assert u == pytest.approx(math.hypot(0.0002, 0.0002, 0.001, 0.001))


def test_what_temperature_does_may_lie_on_either_side() -> None:
    u = comparison(figure(0.1, shared(TKC, 0.001)), figure(0.1, shared(TKC, 0.001)))[1]
    assert u == pytest.approx(math.hypot(0.0002, 0.0002, 0.002))


def test_what_cannot_be_compared_is_refused() -> None:
    other = msgspec.structs.replace(figure(0.1), name="cogging_pp_nm")
    with pytest.raises(ValueError, match="friction_nm and cogging_pp_nm are not the same figure"):
        comparison(figure(0.1), other)
    with pytest.raises(ValueError, match="friction_nm has no value with its uncertainty in both"):
        comparison(figure(0.1), Figure("friction_nm", 0.1))


@pytest.mark.parametrize("scatter_nm", [1e-5, 1e-4, 1e-3])
@pytest.mark.parametrize("nu", [2, 6])
def test_errors_drawn_as_the_certificate_states_them_are_covered(scatter_nm: float, nu: int) -> None:
    """Friction of 0.1 N·m through a channel with all its errors, 2000 channels; from small to large scatter of the cycle.

    The errors are made at the sample, not at the figure: a parabola over full scale for the line, half a loop for hysteresis,
    a zero that moves between the passes.
    """
    rng, true_nm, count = np.random.default_rng(11), 0.1, 2000
    on, seen = conditions(), QUIET
    lines = budget_lines(true_nm, HALF_STEP, seen, on)
    covered = 0
    for _ in range(count):
        height = rng.normal(0, 0.0003)
        gain = (
            1
            + rng.normal(0, 0.00025)
            + rng.normal(0, 0.00011)
            + rng.normal(0, 0.00012)
            + 0.6 * rng.normal(0, 0.0006)
        )
        loop_nm = rng.normal(0, 0.0002) * seen.span_nm
        moved_nm = FULL_NM * rng.normal(0, 0.0004) * 0.05
        share = true_nm / FULL_NM
        level_nm = gain * true_nm + FULL_NM * 4 * height * share * (1 - share) + loop_nm
        step_nm = ((level_nm + moved_nm) - (-level_nm)) / 2
        found_nm = step_nm + rng.normal(0, scatter_nm)
        own_nm = scatter_nm * math.sqrt(rng.chisquare(nu) / nu)
        u, freedom = combined((BudgetLine(OWN, own_nm, float(nu), common=False, source="this cycle"), *lines))
        covered += abs(found_nm - true_nm) <= coverage_factor(freedom) * u
    assert 0.93 <= covered / count <= 0.98
