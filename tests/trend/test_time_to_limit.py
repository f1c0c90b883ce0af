"""Bounds on when a limit is reached: by scanning the line's own bound, by coverage, in words."""

import math

import msgspec
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from tests.trend.noises import alike, even

from nightturn.estimation.quantiles import t_quantile
from nightturn.model.verdicts import MAX, MIN
from nightturn.trend.block_means import UnusableSeriesError
from nightturn.trend.slope import Axis, NoSlope, Slope, Unknown, slope
from nightturn.trend.temperature import NoModelWhy, NoTemperatureModel, Paused
from nightturn.trend.time_to_limit import (
    HORIZON_SPANS,
    Outcome,
    TimeToLimit,
    by_the_clock,
    fieller,
    time_to_limit,
    words,
)

SPAN = 5000.0


def line(
    level: float,
    rise: float,
    level_u: float = 0.01,
    rise_u: float = 1e-6,
    alike_by: float = 0.8,
    axis: Axis = Axis.STROKES,
) -> Slope:
    """A line that ends at `level` after `SPAN`."""
    return Slope(
        axis=axis,
        first=0.0,
        last=SPAN,
        level=level,
        level_u=level_u,
        slope=rise,
        slope_u=rise_u,
        covariance=alike_by * level_u * rise_u,
        nu=40.0,
        points=60,
        independent=40.0,
        rho=0.2,
        condition=1.0,
    )


def bound(trend: Slope, ahead: np.ndarray, side: float) -> np.ndarray:
    """The line's own one-sided 95 % bound so far ahead."""
    variance = trend.level_u**2 + 2 * ahead * trend.covariance + (ahead * trend.slope_u) ** 2
    return trend.level + trend.slope * ahead + side * t_quantile(0.95, trend.nu) * np.sqrt(variance)


@settings(max_examples=150, deadline=None)
@given(
    rise=st.floats(-1e-4, 1e-4),
    level_u=st.floats(1e-3, 0.2),
    rise_u=st.floats(1e-7, 1e-4),
    alike_by=st.floats(-0.9, 0.9),
    room=st.floats(0.05, 1.0),
)
def test_the_bound_is_where_the_line_with_its_interval_meets_the_limit(
    rise: float, level_u: float, rise_u: float, alike_by: float, room: float
) -> None:
    """By scanning, which knows nothing of parabolas; and a lower limit is an upper one of the mirrored figure."""
    trend = line(1.0, rise, level_u, rise_u, alike_by)
    assume(abs(room - t_quantile(0.95, 40.0) * level_u) > 1e-3)
    found = time_to_limit(trend, 1.0 + room)
    ahead = np.linspace(0, HORIZON_SPANS * SPAN, 20_001)
    met = np.flatnonzero(bound(trend, ahead, 1.0) >= 1.0 + room)
    scanned = ahead[met[0]] if met.size else HORIZON_SPANS * SPAN
    assert found.not_before == pytest.approx(scanned, abs=1.5)
    assert found.capped == (not met.size)
    if found.not_after is not None:
        late = np.flatnonzero(bound(trend, ahead, -1.0) >= 1.0 + room)
        assert found.not_after == pytest.approx(ahead[late[0]], abs=1.5)
    if found.likely is not None:
        assert found.not_before <= found.likely <= (found.not_after or math.inf)
    mirrored = time_to_limit(line(-1.0, -rise, level_u, rise_u, alike_by), -1.0 - room, MIN)
    assert mirrored.outcome is found.outcome
    assert mirrored.not_before == pytest.approx(found.not_before)
    assert (mirrored.likely, mirrored.not_after) == pytest.approx((found.likely, found.not_after))


@pytest.mark.parametrize("ahead", [0.5, 2.5])
def test_the_limit_is_seldom_reached_before_the_bound(ahead: float) -> None:
    """In short; the benchmark has 0.3 to 10 spans. A bound that is never passed would say nothing, so it must come near as well."""
    rng = np.random.default_rng(int(10 * ahead))
    at, held, bounds = even(60, 50.0), [], []
    for _ in range(60):
        found = slope(at, 1e-3 * at + 0.15 * alike(rng, 60, 0.4), axis=Axis.STROKES)
        if isinstance(found, NoSlope):
            continue
        left = time_to_limit(found, 1e-3 * at[-1] * (1 + ahead))
        held.append(left.not_before <= ahead * at[-1])
        bounds.append(left.not_before / (ahead * at[-1]))
    assert len(held) > 50
    assert np.mean(held) >= 0.88
    assert np.median(bounds) > 0.6


@pytest.mark.parametrize(
    ("trend", "limit", "side", "outcome"),
    [
        (line(1.0, 1e-4), 1.2, MAX, Outcome.TOWARDS),
        (line(1.0, -1e-4), 0.8, MIN, Outcome.TOWARDS),
        (line(1.0, -1e-4), 1.2, MAX, Outcome.AWAY),
        (line(1.0, 1e-6), 1.2, MAX, Outcome.NO_TREND),
        (line(1.3, 1e-4), 1.2, MAX, Outcome.REACHED),
        (line(1.3, -1e-4), 1.3, MAX, Outcome.REACHED),
        (line(0.7, 1e-4), 0.8, MIN, Outcome.REACHED),
    ],
)
def test_what_a_trend_says_of_a_limit(trend: Slope, limit: float, side: str, outcome: Outcome) -> None:
    found = time_to_limit(trend, limit, side)
    assert found.outcome is outcome
    assert (found.not_before == 0) == (outcome is Outcome.REACHED)


def test_nothing_is_said_beyond_three_spans_whatever_the_line_allows() -> None:
    for limit in (2.0, 10.0, 1e6):
        found = time_to_limit(line(1.0, 2e-5, rise_u=1e-7), limit)
        assert found.horizon == 3 * SPAN
        assert found.not_before <= 3 * SPAN
        assert found.capped
        assert found.likely is None
        assert found.not_after is None
        assert "nothing is said beyond" in words(found, "N·m")


def test_a_level_that_may_be_at_its_limit_is_not_before_now() -> None:
    found = time_to_limit(line(1.0, 1e-4, level_u=0.05), 1.05)
    assert (found.outcome, found.not_before) == (Outcome.TOWARDS, 0.0)
    assert words(found, "N·m").endswith("the limit 1.05 N·m may be reached already")
    assert fieller(0.05, 1e-4, line(1.0, 1e-4, level_u=0.05))[0] == 0


def test_a_line_without_uncertainty_crosses_where_it_crosses() -> None:
    found = time_to_limit(line(1.0, 1e-4, level_u=0.0, rise_u=0.0), 1.25)
    assert (found.not_before, found.likely, found.not_after) == pytest.approx((2500, 2500, 2500))
    flat = time_to_limit(line(1.0, 0.0, level_u=0.0, rise_u=0.0), 1.25)
    assert (flat.outcome, flat.capped) == (Outcome.NO_TREND, True)


def test_a_limit_that_is_no_number_is_refused() -> None:
    with pytest.raises(UnusableSeriesError, match="a limit of nan"):
        time_to_limit(line(1.0, 1e-4), math.nan)


@pytest.mark.parametrize(
    ("result", "text"),
    [
        (
            time_to_limit(line(0.1, 4e-6, 1e-4, 1e-7), 0.12),
            (
                "changes by 4.00 ± 0.20 mN·m per 1000 strokes, towards the limit; "
                "with 95 % the limit 120 mN·m is not reached before 4760 strokes more, by the line alone after 5000"
            ),
        ),
        (
            time_to_limit(line(0.1, 1e-7, 1e-4, 1e-6), 0.12),
            "no trend (0.1 ± 2.0 mN·m per 1000 strokes); with 95 % the limit 120 mN·m is not reached before 11100 strokes more",
        ),
        (
            time_to_limit(line(0.1, -4e-6, 1e-4, 1e-7, axis=Axis.HOURS), 0.12),
            (
                "changes by −4.00 ± 0.20 µN·m per hour, away from the limit; with 95 % the limit 120 mN·m is not reached within "
                "15000 h more, 3 times what was seen, and nothing is said beyond"
            ),
        ),
        (
            time_to_limit(line(0.13, 4e-6, 1e-3), 0.12),
            "the level 130.0 ± 2.0 mN·m is at or beyond the limit 120 mN·m",
        ),
        (line(0.1, 4e-6, 1e-4, 1e-7), "changes by 4.00 ± 0.20 mN·m per 1000 strokes, seen over 5000 strokes"),
        (line(0.1, 1e-8, 1e-4, 1e-7), "no trend (10 ± 200 µN·m per 1000 strokes), seen over 5000 strokes"),
        (Paused(-4.0), "not judged, 4 K colder than the baseline"),
        (Paused(1.26), "not judged, 1.3 K warmer than the baseline"),
        (NoSlope(Axis.HOURS, Unknown.TOO_FEW, 12, 12.0, 30.0), "no trend judged: 12 values, 30 are wanted"),
        (
            NoSlope(Axis.HOURS, Unknown.TOO_SHORT, 40, 1.52, 3.0),
            "no trend judged: 40 values are so alike from one to the next that they are worth 1.5, 3 are wanted; see a longer span",
        ),
        (
            NoSlope(Axis.HOURS, Unknown.INSEPARABLE, 40, 121.3, 30.0),
            "no trend judged: not separable from what runs alike (condition 121, 30 at most)",
        ),
        (
            NoTemperatureModel(NoModelWhy.INSEPARABLE, 55.0, 30.0),
            "wear is not separable from warm-up (condition 55, 30 at most): warm and cool the unit on purpose",
        ),
        (
            NoTemperatureModel(NoModelWhy.NO_RANGE, 0.21, 0.5),
            "temperature moved by 0.21 K in the baseline, 0.5 K are wanted: warm and cool it on purpose",
        ),
        (
            NoTemperatureModel(NoModelWhy.TOO_SLOW, 2.1, 3.0),
            "the baseline moves so slowly that it is worth 2.1 values, 3 are wanted",
        ),
    ],
)
def test_the_words_of_every_result(
    result: TimeToLimit | Slope | NoSlope | Paused | NoTemperatureModel, text: str
) -> None:
    assert words(result, "N·m") == text


def test_by_the_clock_nothing_is_said_of_a_limit_that_is_reached_and_nothing_beyond_what_was_seen_three_times() -> (
    None
):
    hours = Axis.HOURS
    near = time_to_limit(line(0.1, 4e-6, 1e-4, 1e-7, axis=hours), 0.12)
    assert (
        by_the_clock(near, "N·m")
        == "by the clock: changes by 4.00 ± 0.20 µN·m per hour; with 95 % the limit 120 mN·m is not reached before 4760 h more"
    )
    away = time_to_limit(line(0.1, -4e-6, 1e-4, 1e-7, axis=hours), 0.12)
    assert (
        by_the_clock(away, "N·m")
        == "by the clock: changes by −4.00 ± 0.20 µN·m per hour; with 95 % the limit 120 mN·m is not reached within 15000 h more"
    )
    assert by_the_clock(time_to_limit(line(0.13, 4e-6, 1e-3, axis=hours), 0.12), "N·m") == ""
    assert by_the_clock(time_to_limit(line(0.119, 4e-6, 1e-3, axis=hours), 0.12), "N·m") == ""
    assert by_the_clock(line(0.1, 1e-9, axis=hours), "N·m").startswith("by the clock: no trend (")


def test_results_go_through_msgpack() -> None:
    results = [time_to_limit(line(1.0, rise), 1.2) for rise in (1e-4, 0.0, -1e-4)]
    assert msgspec.msgpack.decode(msgspec.msgpack.encode(results), type=list[TimeToLimit]) == results
    assert msgspec.json.decode(msgspec.json.encode(results), type=list[TimeToLimit]) == results
