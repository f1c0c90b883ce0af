"""Slopes: coverage on noises of several kinds, symmetries, what is refused, and what other columns do to it."""

from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.trend.noises import WAYS, alike, even, noise

from nightturn.estimation.quantiles import coverage_factor
from nightturn.trend.block_means import UnusableSeriesError
from nightturn.trend.freed import beside_white
from nightturn.trend.slope import (
    POINTS_MAX,
    POINTS_MIN,
    Axis,
    Mixture,
    NoSlope,
    Slope,
    Unknown,
    mixture,
    slope,
    usual_steps,
)

TRUE_LEVEL, TRUE_SLOPE = 3.0, 2e-3
SEEDS = 50
AT = even(40, 10.0)


def found(at: Any, value: Any, u: Any = None, **more: Any) -> Slope:
    """The slope, where there is one."""
    result = slope(at, value, u, axis=Axis.STROKES, **more)
    assert isinstance(result, Slope)
    return result


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("rho", [0.0, 0.7])
def test_the_intervals_of_slope_and_level_hold_the_truth(way: str, rho: float) -> None:
    """In short; `tests/benchmarks/slope_truth.py` has 30 to 200 points and bounds of .90 and .99."""
    rng = np.random.default_rng([WAYS.index(way), int(10 * rho)])
    slopes = levels = refused = 0
    for _ in range(SEEDS):
        errors, u = noise(rng, 40, rho, way)
        line = slope(AT, TRUE_LEVEL + TRUE_SLOPE * AT + errors, u, axis=Axis.STROKES)
        if isinstance(line, NoSlope):  # what is not said is not wrong; the benchmark counts how often
            refused += 1
            continue
        slopes += abs(line.slope - TRUE_SLOPE) <= line.half_width
        levels += (
            abs(line.level - TRUE_LEVEL - TRUE_SLOPE * AT[-1]) <= coverage_factor(line.nu) * line.level_u
        )
    # .90 less two standard deviations of what 50 series show.
    assert min(slopes, levels) >= 0.81 * (SEEDS - refused)
    assert refused <= 0.1 * SEEDS


def test_an_interval_as_if_neighbours_were_independent_would_not_hold() -> None:
    """Else the test above proved nothing: the same series, least squares and scatter alone."""
    rng = np.random.default_rng(1)
    held = 0
    columns = np.column_stack((np.ones(40), AT))
    for _ in range(SEEDS):
        value = TRUE_SLOPE * AT + alike(rng, 40, 0.7)
        x, squares = np.linalg.lstsq(columns, value)[:2]
        u = np.sqrt(squares[0] / 38 * np.linalg.inv(columns.T @ columns)[1, 1])
        held += abs(x[1] - TRUE_SLOPE) <= coverage_factor(38) * u
    assert held < 0.75 * SEEDS


def series(seed: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    errors, u = noise(rng, 35, 0.4, "u_beside")
    return 1.0 + even(35, 0.01) + errors, u


@settings(max_examples=15, deadline=None)
@given(factor=st.floats(1e-4, 1e4), stretch=st.floats(1e-3, 1e3), seed=st.integers(0, 100))
def test_another_unit_of_value_or_time_scales_slope_and_interval(
    factor: float, stretch: float, seed: int
) -> None:
    value, u = series(seed)
    at = even(35)
    plain, scaled = found(at, value, u), found(stretch * at, factor * value, 7 * u)
    assert scaled.slope * stretch / factor == pytest.approx(plain.slope, rel=1e-6, abs=1e-9)
    assert scaled.slope_u * stretch / factor == pytest.approx(plain.slope_u, rel=1e-6)
    assert scaled.level / factor == pytest.approx(plain.level, rel=1e-6)
    assert scaled.level_u / factor == pytest.approx(plain.level_u, rel=1e-6)
    assert scaled.covariance * stretch / factor**2 == pytest.approx(plain.covariance, rel=1e-5)
    assert (scaled.rho, scaled.nu) == pytest.approx((plain.rho, plain.nu), abs=1e-9)


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 100))
def test_the_other_sign_mirrors_and_another_zero_moves_the_level_only(seed: int) -> None:
    value, u = series(seed)
    at = even(35)
    plain, mirrored, moved = found(at, value, u), found(at, -value, u), found(at + 1000, value + 50, u)
    assert (-mirrored.slope, -mirrored.level) == pytest.approx((plain.slope, plain.level))
    assert (mirrored.slope_u, mirrored.level_u) == pytest.approx((plain.slope_u, plain.level_u))
    assert (moved.slope, moved.slope_u) == pytest.approx((plain.slope, plain.slope_u), rel=1e-6)
    assert moved.level == pytest.approx(plain.level + 50)


def test_backwards_in_time_the_slope_changes_its_sign_and_keeps_its_interval() -> None:
    value, u = series(3)
    at = even(35)
    plain, back = found(at, value, u), found(at, value[::-1], u[::-1])
    assert back.slope == pytest.approx(-plain.slope)
    assert back.slope_u == pytest.approx(plain.slope_u)


def test_more_of_the_same_series_narrows_the_interval_and_keeps_the_truth() -> None:
    rng = np.random.default_rng(8)
    value = TRUE_LEVEL + TRUE_SLOPE * even(200, 10) + 0.1 * alike(rng, 200, 0.4)
    lines = [found(even(count, 10.0), value[:count]) for count in (30, 60, 120, 200)]
    widths = [line.half_width for line in lines]
    assert widths == sorted(widths, reverse=True)
    assert widths[-1] < widths[0] / 8
    assert all(abs(line.slope - TRUE_SLOPE) < 1.5 * line.half_width for line in lines)


def test_one_more_value_that_lies_on_the_line_moves_nothing_far() -> None:
    value = TRUE_SLOPE * AT + 0.1 * alike(np.random.default_rng(4), 40, 0.2)
    line = found(AT, value)
    more = found(np.append(AT, 400.0), np.append(value, line.level + 10 * line.slope))
    assert abs(more.slope - line.slope) < 0.2 * line.slope_u
    assert more.slope_u < 1.02 * line.slope_u


def test_values_on_a_line_have_its_slope_and_no_uncertainty() -> None:
    line = found(AT, 5.0 - 0.25 * AT)
    assert line.slope == pytest.approx(-0.25)
    assert line.level == pytest.approx(5 - 0.25 * 390)
    assert line.slope_u < 1e-9
    still = found(AT, np.full(40, 7.0))
    assert (still.slope, still.level) == pytest.approx((0.0, 7.0), abs=1e-12)


def test_a_value_that_is_known_badly_moves_the_slope_less() -> None:
    value = 0.05 * alike(np.random.default_rng(6), 40, 0.0)
    value[-1] += 3.0
    trusted = found(AT, value)
    doubted = found(AT, value, np.concatenate((np.full(39, 0.05), [3.0])))
    assert abs(doubted.slope) < 0.3 * abs(trusted.slope)


def test_memory_does_not_reach_across_a_break_which_must_be_named() -> None:
    value = alike(np.random.default_rng(9), 60, 0.5)
    nights = np.concatenate((even(30), 500 + even(30)))
    with pytest.raises(UnusableSeriesError, match="a gap before position 30"):
        slope(nights, value, axis=Axis.HOURS)
    assert usual_steps(nights, np.array([30]))[[0, 1, 30, 31]].tolist() == [np.inf, 1, np.inf, 1]
    line = found(nights, value, breaks=np.array([30]))
    assert line.span == 529
    for wrong in ([0], [60]):
        with pytest.raises(UnusableSeriesError, match="breaks are places from 1 to 59"):
            slope(nights, value, axis=Axis.HOURS, breaks=np.array(wrong))


def test_too_few_values_and_a_noise_as_slow_as_the_span_have_no_slope() -> None:
    assert slope(AT[:29], AT[:29], axis=Axis.HOURS) == NoSlope(
        Axis.HOURS, Unknown.TOO_FEW, 29, 29.0, POINTS_MIN
    )
    walk = np.cumsum(np.random.default_rng(3).standard_normal(40))
    slow = slope(AT, walk, axis=Axis.STROKES)
    assert isinstance(slow, NoSlope)
    assert slow.why is Unknown.TOO_SHORT
    assert slow.seen < slow.wanted
    assert isinstance(slope(np.zeros(0), np.zeros(0), axis=Axis.HOURS), NoSlope)


def test_temperature_beside_takes_its_part_and_is_refused_where_it_runs_along_with_the_strokes() -> None:
    rng = np.random.default_rng(10)
    swing = np.sin(np.arange(60) / 5) + even(60, 0.01)
    at, errors = even(60, 10.0), 0.05 * rng.standard_normal(60)
    value = TRUE_SLOPE * at + 0.4 * swing + errors
    with_it, without = found(at, value, beside=swing), slope(at, value, axis=Axis.STROKES)
    assert abs(with_it.slope - TRUE_SLOPE) < with_it.half_width
    assert isinstance(without, NoSlope) or without.half_width > 2 * with_it.half_width
    warming = at / 100 + 0.001 * rng.standard_normal(60)
    refused = slope(at, value, axis=Axis.STROKES, beside=warming)
    assert isinstance(refused, NoSlope)
    assert refused.why is Unknown.INSEPARABLE
    assert refused.seen > refused.wanted == 30
    with pytest.raises(UnusableSeriesError, match="beside of shape"):
        slope(at, value, axis=Axis.STROKES, beside=swing[:-1])


def test_an_error_that_all_values_share_widens_the_interval_by_what_it_does_to_the_line() -> None:
    """Two lines of known size: a shared error along a line adds to the slope, one that is level to the level alone."""
    value = TRUE_SLOPE * AT + 0.01 * alike(np.random.default_rng(11), 40, 0.2)
    plain = found(AT, value)
    tilted = found(AT, value, common=1e-3 * AT, common_nu=12.0)
    assert tilted.slope_u == pytest.approx(np.hypot(plain.slope_u, 1e-3))
    assert tilted.level_u == pytest.approx(np.hypot(plain.level_u, 0.39))
    assert 12 <= tilted.nu <= plain.nu
    lifted = found(AT, value, common=np.full(40, 0.5))
    assert lifted.slope_u == pytest.approx(plain.slope_u)
    assert lifted.level_u == pytest.approx(np.hypot(plain.level_u, 0.5))
    assert lifted.slope == pytest.approx(plain.slope)


def test_too_many_values_are_refused_with_what_to_do() -> None:
    many = even(POINTS_MAX + 1)
    with pytest.raises(UnusableSeriesError, match="make means of longer blocks"):
        slope(many, many, axis=Axis.STROKES)


def test_slopes_go_through_msgpack_and_a_reader_knows_which_it_has() -> None:
    results = [
        slope(AT, alike(np.random.default_rng(1), 40, 0.1), axis=Axis.HOURS),
        slope(AT[:5], AT[:5], axis=Axis.HOURS),
    ]
    assert msgspec.msgpack.decode(msgspec.msgpack.encode(results), type=list[Slope | NoSlope]) == results


def test_the_weights_of_the_noises_add_up_and_favour_the_one_that_was_made() -> None:
    rng = np.random.default_rng(12)
    columns = np.column_stack((np.ones(200), np.linspace(-0.5, 0.5, 200)))
    steps = usual_steps(even(200), None)
    for rho in (0.0, 0.6):
        weighed: Mixture = mixture(columns, alike(rng, 200, rho), np.ones(200), steps, np.zeros((200, 0)))
        assert weighed.weights.sum() == pytest.approx(1)
        assert weighed.rho == pytest.approx(rho, abs=0.2)


def test_noise_beside_white_noise_is_freed_as_by_the_factor_of_its_covariance() -> None:
    """Against Cholesky's factor of the whole covariance, with breaks, uneven steps and u that differ."""
    rng = np.random.default_rng(4)
    count = 80
    steps = np.where(np.arange(count) % 30 == 0, np.inf, 1.0 + 0.5 * (np.arange(count) > 50))
    relative = np.exp(0.3 * rng.standard_normal(count))
    columns = rng.standard_normal((count, 3))
    noises = np.array([(rho, share) for rho in (0.0, 0.4, 0.98) for share in (0.5, 0.8)])
    free, log_dets = beside_white(columns, relative, steps, noises)
    stretch, along = np.cumsum(np.isinf(steps)), np.cumsum(np.where(np.isinf(steps), 0.0, steps))
    apart = np.where(stretch[:, None] == stretch, np.abs(along[:, None] - along), np.inf)
    for (rho, share), one, log_det in zip(noises.tolist(), free, log_dets, strict=True):
        slow = rho**apart if rho else np.eye(count)
        factor = np.linalg.cholesky(share * slow + (1 - share) * np.diag(relative**2))
        assert one == pytest.approx(np.linalg.solve(factor, columns), abs=1e-10)
        assert log_det == pytest.approx(np.log(np.diag(factor)).sum(), abs=1e-10)
