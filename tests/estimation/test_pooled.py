"""The mean over a night and its ±: it covers although neighbours are alike, and keeps no more than it must."""

import math

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.estimation.pooled import BATCHES_MAX, Pooled, _independent_share
from nightturn.estimation.quantiles import coverage_factor

NIGHTS = 400


def pooled(values: "np.ndarray | list[float]", u: float = 0.01, nu: float = 3.0) -> Pooled:
    night = Pooled()
    for value in values:
        night.add(float(value), u, nu)
    return night


def half_width(night: Pooled) -> float:
    u, nu = night.scatter()
    return coverage_factor(nu) * u


def correlated(rng: np.random.Generator, r: float, count: int) -> np.ndarray:
    """An AR(1) series of mean 0 that begins in its steady state."""
    noise = rng.standard_normal(count)
    series = np.empty(count)
    series[0] = noise[0] / math.sqrt(1 - r * r)
    for at in range(1, count):
        series[at] = r * series[at - 1] + noise[at]
    return series


@pytest.mark.parametrize(
    ("r", "count"), [(0.0, 5), (0.0, 40), (0.0, 150), (0.3, 150), (0.6, 150), (0.8, 150), (0.8, 600)]
)
def test_the_interval_of_a_night_covers_its_mean(r: float, count: int) -> None:
    """Against a series whose mean is known; bounds are those of design's stated intervals, .90 to .99."""
    rng = np.random.default_rng(7)
    nights = [pooled(correlated(rng, r, count)) for _ in range(NIGHTS)]
    covered = sum(abs(night.mean) <= half_width(night) for night in nights) / NIGHTS
    assert 0.90 <= covered <= 0.99


def test_a_mean_that_ignored_the_correlation_would_not_cover() -> None:
    """The yardstick of the test above can fail: standard deviation over the root of n covers half of these nights."""
    rng = np.random.default_rng(7)
    nights = [correlated(rng, 0.8, 150) for _ in range(NIGHTS)]
    naive = sum(abs(x.mean()) <= 1.976 * x.std(ddof=1) / math.sqrt(len(x)) for x in nights) / NIGHTS
    assert naive < 0.7


def variance_of_mean(r: float, count: int) -> float:
    """Of the mean of an AR(1) series with unit noise, exact: the sum of its covariance matrix over the square of its length.

    The covariance at lag d is r^d / (1 - r^2); it is written out, so that no approximation of n_eff is the yardstick of
    another (G. V. Bayley, J. M. Hammersley, J. R. Statist. Soc. Suppl. 8, 1946, 184-197, have the same sum; from memory).
    """
    lags = np.abs(np.subtract.outer(np.arange(count), np.arange(count)))
    return float((r**lags).sum()) / (1 - r * r) / count**2


@pytest.mark.parametrize(
    ("r", "count"), [(0.0, 64), (0.3, 64), (0.3, 150), (0.6, 150), (0.8, 150), (0.8, 600)]
)
def test_the_uncertainty_of_the_mean_is_that_of_an_autoregressive_series(r: float, count: int) -> None:
    """On average not smaller than the exact one, and in half of all nights at most a fifth larger (u, not its square)."""
    rng = np.random.default_rng(3)
    squares = [pooled(correlated(rng, r, count), u=1e-9).scatter()[0] ** 2 for _ in range(NIGHTS)]
    exact = variance_of_mean(r, count)
    assert np.mean(squares) > 0.98 * exact
    assert 0.9 * exact < np.median(squares) < 1.2**2 * exact


@pytest.mark.parametrize("count", [2, 3, 7])
def test_of_a_few_cycles_the_interval_is_that_of_students_t(count: int) -> None:
    """Against SciPy's one-sample t interval: too few cycles say nothing about their own correlation."""
    from scipy.stats import ttest_1samp

    values = 0.1 + 0.01 * np.random.default_rng(count).standard_normal(count)
    interval = ttest_1samp(values, 0.0).confidence_interval(0.95)
    night = pooled(values, u=1e-9)
    assert night.mean - half_width(night) == pytest.approx(interval.low, rel=1e-9)
    assert night.mean + half_width(night) == pytest.approx(interval.high, rel=1e-9)


def test_the_correlation_that_is_taken_off_has_no_bias_of_a_short_series() -> None:
    """(1 - r) / (1 + r) of 32 values with r = 0.3, beside the same from NumPy's correlation, which reads r low."""
    rng, low, own = np.random.default_rng(5), [], []
    for _ in range(2000):
        series = correlated(rng, 0.3, 32)
        about = series - series.mean()
        low.append(float((about[1:] * about[:-1]).sum() / (about * about).sum()))
        own.append(_independent_share(list(series), float(series.mean()), float((about * about).sum())))
    true = (1 - 0.3) / (1 + 0.3)
    assert np.mean(low) < 0.3 - 0.04
    assert np.median(own) == pytest.approx(true, rel=0.06)
    assert (1 - np.median(low)) / (1 + np.median(low)) > 1.06 * true


@given(st.permutations(range(40)))
def test_the_order_of_cycles_does_not_change_their_mean(order: list[int]) -> None:
    assert pooled([math.sin(each) for each in order]).mean == pytest.approx(
        pooled([math.sin(each) for each in range(40)]).mean, abs=1e-15
    )


def test_the_order_of_cycles_decides_how_alike_neighbours_are() -> None:
    """What the ± claims to know: the same values, rising or mixed, do not give the same ±."""
    values = np.linspace(0.0, 1.0, 64)
    mixed = np.random.default_rng(0).permutation(values)
    assert half_width(pooled(values)) > 2 * half_width(pooled(mixed))


@given(st.lists(st.floats(-10, 10), min_size=1, max_size=500))
def test_the_mean_is_that_of_all_values_and_the_state_stays_small(values: list[float]) -> None:
    night = pooled(values)
    assert night.mean == pytest.approx(sum(values) / len(values), abs=1e-9)
    assert night.count == len(values)
    assert len(night.sums) <= BATCHES_MAX
    assert msgspec.msgpack.decode(msgspec.msgpack.encode(night), type=Pooled) == night


def test_one_cycle_has_the_uncertainty_that_it_states() -> None:
    assert pooled([0.1], u=0.02, nu=4.0).scatter() == (0.02, 4.0)


def test_cycles_that_agree_by_chance_are_no_more_exact_than_each_says() -> None:
    u, nu = pooled([0.1, 0.1, 0.1, 0.1], u=0.02, nu=4.0).scatter()
    assert u == pytest.approx(0.01)
    assert nu == pytest.approx(16.0)


def test_a_trend_over_the_night_is_scatter() -> None:
    rising = half_width(pooled(np.linspace(0.10, 0.12, 200), u=1e-5))
    level = half_width(pooled(0.11 + 1e-4 * np.random.default_rng(1).standard_normal(200), u=1e-5))
    assert rising > 0.01 > 100 * level
