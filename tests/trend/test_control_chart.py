"""Control charts against the handbook's worked examples, and on what must and must not be seen."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightturn.trend.control_chart import HISTORY_MAX, HISTORY_MIN, NEWEST, RULES, chart, ewma

FLOW = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
"""NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2: flow rates of ten batches; from memory."""
BATH = (
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
)  # fmt: skip
SMOOTH = (
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23,
    51.94, 51.99,
)  # fmt: skip
"""The same, 6.3.2.4: data and weighted means with weight 0.3, centre 50, standard deviation 2.0539; from memory."""


def test_limits_of_single_values_are_those_of_the_handbook() -> None:
    found = chart([*FLOW, *[50.8] * NEWEST])
    assert found is not None
    assert found.history == len(FLOW)
    assert (found.centre, found.low, found.high) == pytest.approx((50.81, 45.8159, 55.8041), abs=2e-3)
    assert found.signals == ()


def test_weighted_means_are_those_of_the_handbook() -> None:
    smooth, half = ewma(np.array(BATH), 50.0, 2.0539, 0.3)
    assert smooth == pytest.approx(SMOOTH, abs=0.006)
    assert 50.0 + half[-1] == pytest.approx(52.5884, abs=1e-3)
    assert half[0] == pytest.approx(3 * 2.0539 * 0.3)


LEVEL = tuple(10.0 + 0.1 * each for each in (1, -1, 0.5, -0.5, 1.2, -1.1, 0.2, -0.4, 0.9, -0.8) * 3)[
    :HISTORY_MAX
]
SIGMA = np.abs(np.diff(LEVEL)).mean() / 1.128


@pytest.mark.parametrize(
    ("behind", "rule"),
    [
        ((3.2,), 0),
        ((2.2, 0.0, 2.2), 1),
        ((1.2, 1.2, -0.5, 1.2, 1.2), 2),
        ((-0.3, 0.3, 0.2, 0.4, 0.3, 0.1, 0.2, 0.3, 0.2), 3),
    ],
)
def test_each_run_rule_is_broken_by_its_pattern_and_by_the_last_value(
    behind: tuple[float, ...], rule: int
) -> None:
    for sign in (1, -1):
        values = [*LEVEL, *(float(np.mean(LEVEL) + sign * each * SIGMA) for each in behind)]
        found = chart(values)
        assert found is not None
        assert found.signals[-1] == (len(values) - 1, RULES[rule][3])
        shorter = chart(values[:-1])
        assert shorter is not None
        assert RULES[rule][3] not in {words for _, words in shorter.signals}


def test_a_small_shift_is_seen_by_the_weighted_mean_before_a_value_is_beyond_its_limits() -> None:
    rng = np.random.default_rng(3)
    values = np.concatenate([rng.standard_normal(25), 0.9 + 0.3 * rng.standard_normal(12)])
    found = chart(values.tolist())
    assert found is not None
    assert found.signals
    assert not any(words == RULES[0][3] for _, words in found.signals)


def test_with_too_few_values_or_none_that_differ_nothing_is_judged() -> None:
    assert chart([*FLOW, 50.0][: HISTORY_MIN + NEWEST - 1]) is None
    assert chart([5.0] * 12) is None


@settings(max_examples=25)
@given(seed=st.integers(0, 10_000), scale=st.floats(1e-6, 1e6), shift=st.floats(-100, 100))
def test_unit_and_offset_do_not_change_what_is_seen(seed: int, scale: float, shift: float) -> None:
    rng = np.random.default_rng(seed)
    values = rng.standard_normal(40)
    values[30:] += 1.5
    plain, moved = chart(values.tolist()), chart(((values + shift) * scale).tolist())
    assert plain is not None
    assert moved is not None
    assert [at for at, _ in plain.signals] == [at for at, _ in moved.signals]


def test_false_signals_of_a_process_that_stays_are_as_rare_as_the_rules_say() -> None:
    """The four rules together give a false signal about every 92 values when limits are known (Champ and Woodall, 1987; from memory); ours are estimated, and
    the weighted mean adds its own."""
    rng = np.random.default_rng(11)
    seen = 0
    for _ in range(300):
        found = chart(rng.standard_normal(HISTORY_MAX + 20).tolist())
        assert found is not None
        seen += bool(found.signals)
    assert 0.15 < seen / 300 < 0.50
