"""Verdicts: a limit is met or missed only when the whole interval says so, and only under its conditions."""

from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.estimation.conditions import AcceptLimit
from nightturn.estimation.cycle_verdict import Seen, interval_of, judge, judge_one, probability_within
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.figures import Figure
from nightturn.model.verdicts import DECISION_RULE

U, NU = 0.001, 3.0
K = coverage_factor(NU)


def friction(value: float, **parts: Any) -> Figure:
    made: dict[str, Any] = {"name": "friction_nm", "value": value, "u": U, "nu": NU, "n": 6}
    return Figure(**{**made, **parts})


def verdict(figure: Figure, limit: AcceptLimit, **parts: Any) -> tuple[str, tuple[str, ...]]:
    found, reasons, words = judge([figure], [limit], seen(**parts))
    assert reasons[-1] == f"decision rule: {DECISION_RULE}"
    assert len(words) == len(reasons) - 1
    return found, reasons[:-1]


def seen(**parts: Any) -> Seen:
    made: dict[str, Any] = {"speeds_rpm": {"friction_nm": 3.0}, "turning": {"friction_nm": 1}}
    return Seen(**{**made, "torque_nm": 5.0, "temperatures_degc": {}, **parts})


def test_three_degrees_of_freedom_need_a_factor_of_3_18() -> None:
    # JCGM 100:2008, Table G.2: t(95 %, 3) = 3.18 (from memory; the third decimal by own arithmetic)
    assert pytest.approx(3.182, abs=5e-4) == K


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (0.150 - K * U - 1e-6, "accept"),
        (0.150 - K * U + 1e-6, "undecided"),
        (0.150, "undecided"),
        (0.150 + K * U - 1e-6, "undecided"),
        (0.150 + K * U + 1e-6, "reject"),
    ],
)
def test_the_interval_decides(value: float, expected: str) -> None:
    assert verdict(friction(value), AcceptLimit("friction_nm", 0.150))[0] == expected


def test_the_guard_band_moves_the_acceptance_line_only() -> None:
    limit = AcceptLimit("friction_nm", 0.150, guard=0.01)
    assert verdict(friction(0.141 - K * U), limit)[0] == "undecided"
    assert verdict(friction(0.139 - K * U), limit)[0] == "accept"
    assert verdict(friction(0.1501 + K * U), limit)[0] == "reject"


@pytest.mark.parametrize("ulps", [-8, -1, 0, 1, 8])
def test_the_last_bits_of_an_interval_that_ends_on_its_limit_decide_nothing_and_the_reason_says_so(
    ulps: int,
) -> None:
    noise = 1 + ulps * 2.2e-16
    for value, expected in ((0.150 - K * U, "accept"), (0.150 + K * U, "reject")):
        found, (reason,) = verdict(friction(value * noise), AcceptLimit("friction_nm", 0.150))
        assert found == expected
        assert reason.endswith(", an end of the interval within 1e-9 of its limit")


def test_the_last_bits_of_a_speed_at_the_edge_of_its_condition_decide_nothing() -> None:
    limit = AcceptLimit("friction_nm", 0.150, at_rpm=3.0)
    for speed in (3.15, 3.15 * (1 + 1e-14), 3.15 * (1 - 1e-14), 2.85 * (1 - 1e-14)):
        assert verdict(friction(0.1), limit, speeds_rpm={"friction_nm": speed})[0] == "accept"


def test_an_undecided_figure_gives_its_probability() -> None:
    text = judge_one(friction(0.150), AcceptLimit("friction_nm", 0.150))[1]
    assert text.endswith("P(within) 0.500")


@pytest.mark.parametrize(
    "parts",
    [{"u": None, "nu": None}, {"status": "not judged"}, {"status": "incomplete"}, {"value": None}],
)
def test_a_figure_without_u_or_with_a_blemish_is_not_judged(parts: dict[str, Any]) -> None:
    figure = friction(0.1, **{k: v for k, v in parts.items() if k != "value"})
    if "value" in parts:
        figure = Figure(name="friction_nm", value=None)
    assert verdict(figure, AcceptLimit("friction_nm", 0.150))[0] == "not judged"


@pytest.mark.parametrize(
    ("limit", "conditions", "expected"),
    [
        ({"at_rpm": 3.0}, {}, "accept"),
        ({"at_rpm": 6.0}, {}, "not judged"),
        ({"at_rpm": 3.0}, {"speeds_rpm": {}}, "not judged"),
        ({"at_torque_nm": 5.0}, {}, "accept"),
        ({"at_torque_nm": 5.0}, {"torque_nm": -4.9}, "not judged"),
        ({"at_torque_nm": -5.0}, {"torque_nm": -4.9}, "accept"),
        ({"turning": 1}, {}, "accept"),
        ({"turning": -1}, {}, "not judged"),
        ({"turning": 1}, {"turning": {}}, "not judged"),
        ({"at_torque_nm": 7.0}, {}, "not judged"),
        ({"at_torque_nm": 5.0}, {"torque_nm": None}, "not judged"),
        ({"temp_degc": (18.0, 30.0)}, {"temperatures_degc": {"housing": 22.0}}, "accept"),
        ({"temp_degc": (18.0, 30.0)}, {"temperatures_degc": {"housing": 31.0}}, "not judged"),
        ({"temp_degc": (18.0, 30.0)}, {}, "not judged"),
    ],
)
def test_a_limit_holds_under_its_conditions_only(
    limit: dict[str, Any], conditions: dict[str, Any], expected: str
) -> None:
    found, reasons = verdict(friction(0.1), AcceptLimit("friction_nm", 0.150, **limit), **conditions)
    assert found == expected
    assert reasons[0].startswith("friction_nm: ")


def test_the_gravest_verdict_stands() -> None:
    figures = [friction(0.1), friction(0.3, name="zero_nm")]
    good, bad = AcceptLimit("friction_nm", 0.150), AcceptLimit("zero_nm", 0.150)
    common = seen(torque_nm=None)
    assert judge(figures, [good], common)[0] == "accept"
    assert judge(figures, [good, bad], common)[0] == "reject"
    assert judge(figures, [good, AcceptLimit("cogging_pp_nm", 0.1)], common)[0] == "not judged"
    assert judge(figures, [], common) == ("not judged", ("the variant sets no acceptance limit",), ())


FIRMNESS = {"accept": 1, "reject": 1, "undecided": 0}
LIMITS = st.builds(
    AcceptLimit,
    st.just("friction_nm"),
    st.floats(0.01, 1.0),
    st.sampled_from(["max", "min"]),
    st.floats(0.0, 0.005),
    st.booleans(),
)


@given(LIMITS, st.floats(-1.0, 1.0), st.floats(1e-6, 0.2), st.floats(1.0, 10.0), st.floats(2.0, 100.0))
def test_a_wider_budget_never_gives_a_firmer_verdict(
    limit: AcceptLimit, value: float, u: float, wider: float, nu: float
) -> None:
    narrow, wide = (verdict(friction(value, u=each, nu=nu), limit)[0] for each in (u, u * wider))
    assert FIRMNESS[wide] <= FIRMNESS[narrow]
    assert FIRMNESS[wide] == 0 or wide == narrow


@given(LIMITS, st.floats(-1.0, 1.0), st.floats(1e-6, 0.2), st.floats(1.0, 100.0))
def test_what_is_accepted_keeps_its_limit_with_at_least_95_per_cent(
    limit: AcceptLimit, value: float, u: float, nu: float
) -> None:
    found, _ = verdict(friction(value, u=u, nu=nu), limit)
    inside = probability_within(value, u, nu, limit)
    assert 0.0 <= inside <= 1.0
    if found == "accept":
        assert inside >= 0.95
    if found == "reject":
        assert inside <= 0.05


@given(LIMITS, st.floats(-1.0, 1.0), st.floats(0.0, 0.2))
def test_a_magnitude_has_the_same_interval_for_both_signs_and_never_falls_below_zero(
    limit: AcceptLimit, value: float, wide: float
) -> None:
    limit = msgspec.structs.replace(limit, signed=False)
    assert interval_of(value, wide, limit) == interval_of(-value, wide, limit)
    assert interval_of(value, wide, limit)[0] >= 0.0


def test_the_sentence_names_bound_sign_guard_and_what_the_interval_holds() -> None:
    limit = AcceptLimit("friction_nm", 0.1, "min", guard=0.01, signed=True)
    assert judge_one(friction(0.15), limit)[1] == (
        "met: 150.0 ± 3.2 mN·m (repeatability), lower limit 100 mN·m, with its sign, guard band 10 mN·m"
    )
