"""Run lengths against what others published, thresholds against their run lengths, and the budget of a bench."""

import math

import numpy as np
import pytest

from nightturn.errors import ConfigError
from nightturn.trend.run_length import (
    CLIP,
    REFERENCE,
    Budget,
    expected_alarms,
    run_length,
    siegmund,
    threshold_for,
)

# Read in the examples of `xcusum.arl` of the R package spc (S. Knoth), which quote the papers' tables.
BROOK_EVANS = ((0.5, 3.0, 0.0, 117.59), (0.5, 3.0, 1.5, 3.75))
"""D. Brook, D. A. Evans, Biometrika 59, 1972, 539-548, section 4.3: reference, threshold, shift, run length."""
WALDMANN = ((0.5, 3.0, -0.5, 1963.0), (0.5, 3.0, 0.0, 117.4), (0.5, 3.0, 0.5, 17.35))
"""K.-H. Waldmann, Technometrics 28, 1986, 61-67, Tables 3, 1 and 5."""
VANCE = (
    *(
        (0.0, 10.0, -0.25, 2071.51),
        (0.0, 10.0, -0.125, 400.28),
        (0.0, 10.0, 0.0, 124.66),
        (0.0, 10.0, 0.125, 59.30),
    ),
    *((0.0, 10.0, 0.25, 36.71), (0.0, 10.0, 0.5, 20.37), (0.0, 10.0, 0.75, 14.06), (0.0, 10.0, 1.0, 10.75)),
)
"""L. C. Vance, Journal of Quality Technology 18, 1986, 189-193, Table 1."""
LUCAS_CROSIER = (
    (0.0, 168.0),
    (0.25, 74.2),
    (0.5, 26.6),
    (0.75, 13.3),
    (1.0, 8.38),
    (1.5, 4.75),
    (2.0, 3.34),
    (3.0, 2.19),
)
"""J. M. Lucas, R. B. Crosier, Technometrics 24, 1982, 199-205, Table 1: two sides, reference 0.5, threshold 4."""


@pytest.mark.parametrize(("reference", "threshold", "shift", "published"), [*BROOK_EVANS, *WALDMANN, *VANCE])
def test_run_lengths_are_those_that_were_published(
    reference: float, threshold: float, shift: float, published: float
) -> None:
    # Brook and Evans' own chain had few steps, which made 117.59 of 117.4 to 117.6.
    assert run_length(threshold, reference, shift) == pytest.approx(published, rel=2e-3)


@pytest.mark.parametrize(("shift", "published"), LUCAS_CROSIER)
def test_two_sides_have_the_run_length_that_was_published(shift: float, published: float) -> None:
    """K. W. Kemp's rule (J. R. Statist. Soc. B 23, 1961, 149-153; from memory): the rates of two sides add up."""
    up, down = run_length(4.0, 0.5, shift), run_length(4.0, 0.5, -shift)

    assert 1 / (1 / up + 1 / down) == pytest.approx(published, rel=4e-3)


@pytest.mark.parametrize("threshold", [4.0, 8.0, 12.0])
def test_the_formula_of_siegmund_is_near_the_chain(threshold: float) -> None:
    assert siegmund(threshold) == pytest.approx(run_length(threshold), rel=0.015)


def test_the_formula_goes_on_where_reference_and_shift_are_equal() -> None:
    assert siegmund(6.0, 0.5, 0.5) == pytest.approx(siegmund(6.0, 0.5, 0.5 + 1e-4), rel=1e-3)


@pytest.mark.parametrize("wanted", [20.0, 2048.0, 614_400.0, 1e8])
def test_a_threshold_has_the_run_length_that_was_asked_for(wanted: float) -> None:
    assert run_length(threshold_for(wanted), clip=CLIP) == pytest.approx(wanted, rel=1e-6)


def test_no_threshold_is_made_up_for_a_run_length_that_cannot_be_kept() -> None:
    for wanted in (1.0, 1e12, math.nan):
        with pytest.raises(ValueError, match="run length"):
            threshold_for(wanted)


def test_clipping_what_is_odd_makes_runs_a_little_longer_and_never_shorter() -> None:
    for threshold in (3.0, 6.0, 9.0):
        assert 1.0 <= run_length(threshold, clip=CLIP) / run_length(threshold) < 1.02


def test_expected_alarms_are_those_of_sums_over_drawn_numbers() -> None:
    threshold, values, series = 4.0, 60, 40_000
    rng = np.random.default_rng(20)
    total, counts = np.zeros(series), np.zeros(values + 1)
    for n in range(1, values + 1):
        total = np.maximum(0.0, total + np.clip(rng.standard_normal(series), -CLIP, CLIP) - REFERENCE)
        counts[n] = counts[n - 1] + (total > threshold).sum()
        total[total > threshold] = 0.0

    expected = expected_alarms(threshold, values) * series

    for n in (10, 30, 60):
        assert abs(counts[n] - expected[n]) < 4.0 * math.sqrt(expected[n])


def test_a_bench_keeps_its_rate_whatever_its_size() -> None:
    for fixtures, figures, values, rate in ((1, 1, 64, 0.05), (40, 6, 71, 0.05), (4, 4, 64, 1.0)):
        budget = Budget(fixtures, figures, values, rate, watched_from=30)
        steady = budget.expected(before=500)

        assert budget.run_length == pytest.approx(fixtures * figures * 2 * values / rate)
        assert steady == pytest.approx(rate, rel=0.01)
        assert 0 < budget.expected(before=0) < 0.6 * steady


def test_a_night_of_new_units_has_fewer_and_none_while_nothing_is_watched() -> None:
    budget = Budget(4, 4, 20, 0.05, watched_from=30)

    assert budget.expected(0) == 0.0
    assert 0.0 < budget.expected(20) < budget.expected(40)
    assert "not in its first night: it needs 30 values, a night has 20" in budget.sentence()


def test_the_sentence_says_how_many_false_alarms_over_what_and_from_when() -> None:
    sentence = Budget(40, 1, 64, 0.05, watched_from=30).sentence()

    assert sentence.startswith(
        "0.05 false alarms expected a night over 40 fixtures, 1 figure, 2 sides and 64 values of each; "
        "each unit is watched from its value 31 on; 0.01"
    )
    assert sentence.endswith("expected in a night of new units")


@pytest.mark.parametrize("rate", [0.0, -1.0, 1000.0, 1e-9])
def test_a_rate_that_cannot_be_kept_is_refused_with_what_can(rate: float) -> None:
    with pytest.raises(
        ConfigError, match=r"false_alarms_per_night: .* false alarms a night over .*allowed: one in 10 to"
    ):
        _ = Budget(4, 4, 64, rate, watched_from=30).run_length
