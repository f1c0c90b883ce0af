"""Tolerance limits and outliers of a batch."""

import numpy as np
import pytest
from scipy import stats

from nightturn.estimation.tolerance import SIGMA_OF_MAD, factor, robust_scores


def test_the_factor_is_the_published_one() -> None:
    """NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3: 43 wafers, 90 % of all, 99 % confidence, by the noncentral t 1.8740 (its
    approximation after Natrella gives 1.8752; the last digits of the former from memory). C. Zaiontz, Real Statistics, tolerance interval
    example: 40 values, 90 %, 99 % confidence: 1.9017 by the noncentral t."""
    assert factor(43, 0.90, 0.99) == pytest.approx(1.8740, abs=1e-4)
    assert factor(40, 0.90, 0.99) == pytest.approx(1.9017, abs=5e-5)
    # ISO 16269-6:2014, table of one-sided factors for unknown mean and deviation: 10 values, 95 %, 95 %: 2.911 (from memory)
    assert factor(10) == pytest.approx(2.911, abs=5e-4)


def test_so_many_of_the_limits_hold_what_they_promise() -> None:
    rng = np.random.default_rng(5)
    batches = rng.standard_normal((2000, 12))
    limits = batches.mean(axis=1) + factor(12) * batches.std(axis=1, ddof=1)
    held = float(np.mean(stats.norm.cdf(limits) >= 0.95))
    # binomial, 99.9 %: 2000 batches at .95
    assert 0.933 <= held <= 0.965


def test_one_unit_has_no_limit() -> None:
    with pytest.raises(ValueError, match="two units at least"):
        factor(1)


def test_scores_are_those_of_a_reference_library_and_one_far_unit_does_not_hide_itself() -> None:
    values = [0.0881, 0.0890, 0.0887, 0.0893, 0.0885, 0.1154]
    scores = robust_scores(values)
    mad = stats.median_abs_deviation(values)
    expected = (np.array(values) - np.median(values)) / (SIGMA_OF_MAD * mad)
    assert scores == pytest.approx(expected.tolist())
    assert scores[-1] > 3.5
    assert max(abs(each) for each in scores[:-1]) < 3.5


def test_with_few_units_or_alike_ones_nobody_is_an_outlier() -> None:
    assert robust_scores([1.0, 1.0, 9.0]) == [0.0] * 3
    assert robust_scores([1.0] * 6) == [0.0] * 6
