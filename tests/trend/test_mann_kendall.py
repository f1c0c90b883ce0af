"""The trend by ranks against SciPy, by hand, and on series without a trend."""

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import kendalltau, norm, theilslopes
from tests.trend.noises import alike, even

from nightturn.errors import InsufficientSamplesError
from nightturn.trend.block_means import UnusableSeriesError
from nightturn.trend.mann_kendall import POINTS_MAX, MannKendall, mann_kendall, tied_variance, variance_ratio

AT = even(40, 50.0)


@pytest.mark.parametrize("decimals", [6, 0])
def test_for_independent_values_it_is_kendalls_tau_and_the_slope_of_theil_and_sen(decimals: int) -> None:
    """SciPy's `kendalltau` (asymptotic, which knows ties and has no continuity correction) and `theilslopes` (Sen 1968)."""
    value = np.round(3 + 0.02 * AT / 10 + 2 * np.random.default_rng(4).standard_normal(40), decimals)
    found = mann_kendall(AT, value, lags=0)
    reference = kendalltau(AT, value, method="asymptotic")
    assert 2 * norm.sf(abs(found.s) / np.sqrt(found.variance)) == pytest.approx(reference.pvalue)
    assert 2 * norm.sf(abs(found.z)) == pytest.approx(found.p)
    assert abs(found.z) == pytest.approx((abs(found.s) - 1) / np.sqrt(found.variance))
    robust = theilslopes(value, AT, 0.95)
    assert found.slope == pytest.approx(robust.slope)
    # SciPy rounds the ranks of the ends, the product takes those beyond.
    slopes = np.sort([(value[j] - value[i]) / (AT[j] - AT[i]) for i in range(40) for j in range(i + 1, 40)])
    for seen, wanted in ((found.low, robust.low_slope), (found.high, robust.high_slope)):
        assert (
            abs(np.searchsorted(slopes, seen) - np.searchsorted(slopes, wanted)) <= 2 + (slopes == seen).sum()
        )


def test_every_order_of_a_few_values_has_the_variance_with_ties() -> None:
    """Kendall's formula against all 720 orders of six values, two pairs of which are alike."""
    from itertools import permutations

    value = np.array([1.0, 1.0, 2.0, 3.0, 3.0, 5.0])
    scores = [
        sum(np.sign(order[j] - order[i]) for i in range(6) for j in range(i + 1, 6))
        for order in permutations(value)
    ]
    assert np.mean(scores) == pytest.approx(0, abs=1e-12)
    assert tied_variance(value) == pytest.approx(np.mean(np.square(scores)))


def test_the_ratio_of_variances_is_the_sum_over_pairs_of_pairs() -> None:
    """Hamed and Rao 1998, their equation (from memory), summed term by term for one autocorrelation."""
    added = sum((12 - k) * (12 - k - 1) * (12 - k - 2) * 0.4**k for k in (1, 2, 3))
    assert variance_ratio(12, np.asarray(0.4 ** even(3, 1.0, 1.0))) == pytest.approx(
        1 + 2 * added / (12 * 11 * 10)
    )
    assert variance_ratio(12, np.zeros(3)) == 1


@pytest.mark.parametrize(("rho", "most"), [(0.0, 0.10), (0.7, 0.14)])
def test_where_there_is_no_trend_it_seldom_sees_one(rho: float, most: float) -> None:
    """`tests/benchmarks/slope_truth.py` has the long form; taking alike neighbours for independent ones would call four in ten."""
    rng = np.random.default_rng(int(10 * rho))
    series = [alike(rng, 40, rho) for _ in range(120)]
    found = [mann_kendall(AT, value) for value in series]
    assert np.mean([each.significant for each in found]) <= most
    assert np.mean([each.low <= 0 <= each.high for each in found]) >= 1 - most
    if rho:
        assert np.mean([mann_kendall(AT, value, lags=0).significant for value in series]) > 0.25


def test_a_trend_is_seen_and_a_wild_value_moves_it_little() -> None:
    value = 2e-3 * AT + 0.3 * alike(np.random.default_rng(7), 40, 0.3)
    found = mann_kendall(AT, value)
    assert found.significant
    assert found.low <= 2e-3 <= found.high
    value[20] += 1e6
    wild = mann_kendall(AT, value)
    assert wild.significant
    assert wild.slope == pytest.approx(found.slope, rel=0.1)


@settings(max_examples=20, deadline=None)
@given(factor=st.floats(1e-3, 1e3), stretch=st.floats(1e-3, 1e3), seed=st.integers(0, 200))
def test_units_scale_the_slope_and_leave_the_test_and_a_sign_mirrors(
    factor: float, stretch: float, seed: int
) -> None:
    value = 1e-3 * AT + alike(np.random.default_rng(seed), 40, 0.4)
    plain, scaled, mirrored = (
        mann_kendall(AT, value),
        mann_kendall(stretch * AT, factor * value),
        mann_kendall(AT, -value),
    )
    assert (scaled.s, scaled.tau) == (plain.s, plain.tau)
    assert scaled.slope * stretch / factor == pytest.approx(plain.slope)
    assert (scaled.high - scaled.low) * stretch / factor == pytest.approx(plain.high - plain.low)
    assert (mirrored.s, mirrored.z, mirrored.p) == pytest.approx((-plain.s, -plain.z, plain.p))
    assert (mirrored.low, mirrored.high) == pytest.approx((-plain.high, -plain.low))


def test_values_that_are_all_one_have_no_trend() -> None:
    found = mann_kendall(AT, np.full(40, 2.5))
    assert (found.s, found.z, found.p, found.slope, found.low, found.high) == (0, 0.0, 1.0, 0.0, 0.0, 0.0)
    assert not found.significant


def test_what_cannot_be_used_is_refused() -> None:
    with pytest.raises(InsufficientSamplesError, match="30 at least"):
        mann_kendall(AT[:29], AT[:29])
    with pytest.raises(UnusableSeriesError, match="value 3 is nan"):
        mann_kendall(AT, np.where(AT == 150, np.nan, AT))
    with pytest.raises(UnusableSeriesError, match="sort the series"):
        mann_kendall(AT[::-1], AT)
    many = even(POINTS_MAX + 1)
    with pytest.raises(UnusableSeriesError, match="longer blocks"):
        mann_kendall(many, many)


def test_it_goes_through_msgpack() -> None:
    found = mann_kendall(AT, alike(np.random.default_rng(1), 40, 0.2))
    assert msgspec.msgpack.decode(msgspec.msgpack.encode(found), type=MannKendall) == found
