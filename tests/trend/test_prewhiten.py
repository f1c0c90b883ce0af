"""Scores are standard normal and independent whatever the noise, and equal to what dense matrices give."""

import math

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import kstest, t
from tests.trend.quiet_nights import noise, scored

from nightturn.model.tiles import Float64s
from nightturn.trend.prewhiten import RHO_MAX, RHO_MIN, SCORE_MAX, Prewhitener

VALUES = st.lists(st.floats(-5, 5).map(lambda value: round(value, 3)), min_size=4, max_size=30, unique=True)


def fed(values: list[float]) -> Prewhitener:
    series = Prewhitener()
    for value in values:
        series.add(value)
    return series


def scores_one_by_one(values: list[float]) -> list[float | None]:
    series, made = Prewhitener(), []
    for value in values:
        made.append(series.score(value))
        series.add(value)
    return made


def score_by_dense_matrices(values: Float64s, positions: Float64s) -> float:
    """The score of the last value by its definition: whole covariance matrices, and rho by a fine rule.

    `positions` (n,) are the numbers of the cycles.
    """
    rhos = np.linspace(RHO_MIN, RHO_MAX, 2802)[1::2]
    logs, chances = [], []
    for rho in rhos:
        apart = np.abs(positions[:, None] - positions[None, :])
        covariance = np.where(np.isinf(apart), 0.0, np.sign(rho) ** apart * np.abs(rho) ** apart) / (
            1 - rho**2
        )
        past = covariance[:-1, :-1]
        inverse = np.linalg.inv(past)
        ones = np.ones(len(past))
        weight = ones @ inverse @ ones
        level = ones @ inverse @ values[:-1] / weight
        left = values[:-1] - level
        nu = len(past) - 1
        squares = left @ inverse @ left
        cross = inverse @ covariance[:-1, -1]
        off = values[-1] - level - cross @ left
        variance = covariance[-1, -1] - covariance[-1, :-1] @ cross + (1 - ones @ cross) ** 2 / weight
        logs.append(-0.5 * (np.linalg.slogdet(past)[1] + math.log(weight) + nu * math.log(squares)))
        chances.append(t.cdf(off / math.sqrt(variance * squares / nu), nu))
    share = np.exp(np.array(logs) - max(logs))
    from scipy.special import ndtri

    return float(ndtri((share * chances).sum() / share.sum()))


@pytest.mark.parametrize("rho", [0.0, 0.3, 0.6])
@pytest.mark.parametrize("count", [4, 8, 25])
def test_a_score_is_what_whole_covariance_matrices_give(rho: float, count: int) -> None:
    values = noise(np.random.default_rng(count), rho, count, 1)[:, 0]

    found = fed(values[:-1].tolist()).score(float(values[-1]))

    assert found == pytest.approx(
        score_by_dense_matrices(values, np.arange(count, dtype=np.float64)), abs=0.02
    )


@pytest.mark.parametrize("rho", [-0.3, 0.0, 0.6])
@pytest.mark.parametrize("missed", [1, 2, 40])
def test_after_cycles_without_a_value_less_is_expected_of_the_last_one(rho: float, missed: int) -> None:
    values = noise(np.random.default_rng(5), rho, 40, 1)[:, 0]
    series = fed(values[:-1].tolist())
    for _ in range(missed):
        series.gap()
    numbers = np.arange(40, dtype=np.float64)
    numbers[-1] += missed

    assert series.score(float(values[-1])) == pytest.approx(
        score_by_dense_matrices(values, numbers), abs=0.02
    )


def test_over_all_noises_scores_are_standard_normal_and_independent_from_the_third_value_on() -> None:
    rng = np.random.default_rng(7)
    scores = scored(noise(rng, rng.uniform(RHO_MIN, RHO_MAX, 2000), 60, 2000))[2:]
    standard_error = 1.0 / math.sqrt(scores.size)

    assert abs(scores.mean()) < 4 * standard_error
    assert abs(scores.std() - 1.0) < 4 * standard_error
    for lag in (1, 2, 5):
        assert abs((scores[lag:] * scores[:-lag]).mean()) < 4 * standard_error
    assert kstest(scores[::7].ravel(), "norm").pvalue > 0.001


@pytest.mark.parametrize("rho", [0.0, 0.25, 0.6])
def test_under_one_noise_little_resemblance_is_left_in_them_from_a_short_baseline_on(rho: float) -> None:
    scores = scored(noise(np.random.default_rng(7), rho, 90, 800))[30:]

    assert abs(scores.std() - 1.0) < 0.02
    for lag in (1, 2, 5):
        assert abs((scores[lag:] * scores[:-lag]).mean()) < 0.05


def test_the_same_values_freed_of_an_estimated_baseline_are_not_standard_normal() -> None:
    """What the method is for: the mean of thirty values errs, and so does every value held against it."""
    values = noise(np.random.default_rng(7), 0.3, 90, 800)
    usual = (values[30:] - values[:30].mean(0)) / values[:30].std(0, ddof=1)

    assert np.abs(usual.mean(0)).mean() > 2.0 * np.abs(scored(values)[30:].mean(0)).mean()


@given(values=VALUES, shift=st.integers(-1000, 1000), scale=st.sampled_from([0.001, 0.5, 40.0]))
def test_neither_the_unit_nor_the_zero_of_a_figure_changes_a_score(
    values: list[float], shift: int, scale: float
) -> None:
    one = scores_one_by_one(values)
    other = scores_one_by_one([shift * scale + scale * value for value in values])

    for a, b in zip(one, other, strict=True):
        assert (a is None) == (b is None)
        if a is not None and b is not None:
            assert a == pytest.approx(b, abs=2e-4)


@given(values=VALUES)
def test_upside_down_gives_the_same_scores_with_the_other_sign(values: list[float]) -> None:
    for a, b in zip(scores_one_by_one(values), scores_one_by_one([-value for value in values]), strict=True):
        assert a == pytest.approx(None if b is None else -b, abs=1e-9)


@given(values=VALUES, cut=st.integers(0, 30))
def test_any_split_with_the_state_written_and_read_between_gives_the_same_state(
    values: list[float], cut: int
) -> None:
    series = fed(values[:cut])
    series = msgspec.msgpack.decode(msgspec.msgpack.encode(series), type=Prewhitener)
    for value in values[cut:]:
        series.add(value)

    assert series == fed(values)


def test_level_scatter_and_resemblance_are_found() -> None:
    for rho in (0.0, 0.4, 0.8):
        values = 5.0 + 2.0 * noise(np.random.default_rng(3), rho, 3000, 1)[:, 0]
        fit = fed(values.tolist()).fit
        assert fit is not None
        level, scatter, found = fit

        u_level = 2.0 * math.sqrt((1 + rho) / (1 - rho) / 3000)
        assert abs(level - 5.0) < 4 * u_level
        assert abs(found - rho) < 4 * math.sqrt((1 - rho**2) / 3000)
        assert scatter == pytest.approx(2.0, rel=0.12)


def test_a_new_level_keeps_scatter_and_resemblance_and_forgets_the_level() -> None:
    values = noise(np.random.default_rng(4), 0.5, 400, 1)[:, 0]
    series = fed(values[:200].tolist())
    before = series.fit
    series.new_level()
    assert series.count == 0
    assert series.score(50.0) is None
    for value in values[200:].tolist():
        series.add(100.0 + value)
    after = series.fit
    assert before is not None
    assert after is not None

    assert series.count_all == 400
    assert after[0] == pytest.approx(100.0, abs=0.6)
    assert after[1] == pytest.approx(1.0, rel=0.15)
    assert after[2] == pytest.approx(0.5, abs=0.15)


def test_a_level_after_others_has_scores_that_are_standard_normal_from_its_second_value_on() -> None:
    rng = np.random.default_rng(9)
    scores = []
    for _ in range(40):
        series = Prewhitener()
        for level in rng.normal(0.0, 20.0, 6):
            series.new_level()
            for value in (level + noise(rng, 0.4, 25, 1)[:, 0]).tolist():
                scores.append(series.score(value) if series.count_all > 30 else None)
                series.add(value)
    made = np.array([score for score in scores if score is not None])

    assert abs(made.mean()) < 4 / math.sqrt(len(made))
    assert abs(made.std() - 1.0) < 0.04


def test_nothing_is_said_before_three_values_or_where_all_are_equal() -> None:
    assert fed([]).score(1.0) is None
    assert fed([1.0]).score(2.0) is None
    assert fed([1.0, 2.0]).score(3.0) is not None
    assert fed([1.0] * 40).score(2.0) is None
    assert fed([1.0]).fit is None


def test_a_value_out_of_all_reason_has_the_largest_score_and_no_infinite_one() -> None:
    values = noise(np.random.default_rng(1), 0.0, 200, 1)[:, 0].tolist()

    assert fed(values).score(1e9) == SCORE_MAX
    assert fed(values).score(-1e9) == -SCORE_MAX
