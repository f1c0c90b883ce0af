"""False alarms against the rate that the configuration states, and how soon a change is seen; the long form is a benchmark.

`python tests/benchmarks/trend_truth.py` has every noise, baseline and step beside the naive methods.
"""

import math

import numpy as np
import pytest
from scipy.stats import binom
from tests.trend.quiet_nights import alarms, changed, fixed_threshold, frozen, noise, scored, seen

from nightturn.model.tiles import Float64s
from nightturn.trend.cusum import WATCHED_FROM, Cause, Chart, Design
from nightturn.trend.run_length import Budget, threshold_for

VALUES = 64
SERIES = 16
"""Figures of a night: four fixtures with four each, watched on both sides."""
LIFE = 8
"""Nights for which a unit stays mounted."""
NIGHTS = 2000


@pytest.fixture(scope="module")
def values() -> Float64s:
    """Quiet nights (values of a life, series) whose noise resembles itself by any rho from 0 to 0.6."""
    rng = np.random.default_rng(2026)
    series = NIGHTS // LIFE * SERIES
    return noise(rng, rng.uniform(0.0, 0.6, series), LIFE * VALUES, series)


@pytest.fixture(scope="module")
def given_scores(values: Float64s) -> Float64s:
    return scored(values)


def budget(rate: float) -> Budget:
    return Budget(4, 4, VALUES, rate, watched_from=WATCHED_FROM)


def expected(rate: float) -> float:
    """Over all nights, each life with its first night."""
    planned = budget(rate)
    return NIGHTS / LIFE * sum(planned.expected(night * VALUES) for night in range(LIFE))


def test_one_false_alarm_a_night_is_one_within_a_tenth(given_scores: Float64s) -> None:
    counts = alarms(given_scores, budget(1.0).threshold, WATCHED_FROM)
    later = counts[VALUES:].sum() / (NIGHTS * (LIFE - 1) / LIFE)

    assert counts.sum() == pytest.approx(expected(1.0), rel=0.1)
    assert later == pytest.approx(1.0, rel=0.1)


def test_one_false_alarm_in_twenty_nights_is_that_within_the_binomial_band(given_scores: Float64s) -> None:
    counts = alarms(given_scores, budget(0.05).threshold, WATCHED_FROM)
    chance = expected(0.05) / (NIGHTS * SERIES)
    low, high = binom.interval(0.999, NIGHTS * SERIES, chance)

    assert low <= counts.sum() <= high


def test_with_a_baseline_that_is_taken_for_the_truth_the_same_threshold_alarms_many_times_as_often(
    values: Float64s,
) -> None:
    """Why the scores are made as they are: mean and scatter of the first thirty values, and no resemblance."""
    usual = alarms(frozen(values, WATCHED_FROM), budget(1.0).threshold, WATCHED_FROM).sum()
    single = fixed_threshold(values, WATCHED_FROM, budget(1.0).run_length)

    assert usual > 10 * expected(1.0)
    assert single > 2 * expected(1.0)


def test_charts_one_by_one_alarm_as_the_many_at_once() -> None:
    """The rates above are those of the chart: its scores and sums are the same to the last digits."""
    design = Design(threshold_for(200.0))
    many = noise(np.random.default_rng(8), 0.4, 300, 6)
    together = scored(many)
    for number in range(6):
        chart = Chart(design)
        for n, value in enumerate(many[:, number].tolist()):
            reading = chart.add(value)
            if reading.score is not None:
                assert reading.score == pytest.approx(together[n, number], abs=1e-9)
            if reading.alarm:
                first = seen(together[:, [number]], design.threshold, WATCHED_FROM, 0).delays
                below = seen(-together[:, [number]], design.threshold, WATCHED_FROM, 0).delays
                assert reading.alarm.at == min([*first.tolist(), *below.tolist()])
                break


@pytest.mark.parametrize(
    ("rho", "baseline", "step", "median_max", "missed_max"),
    [(0.0, 150, 2.0, 9, 0.0), (0.0, 150, 1.0, 30, 0.1), (0.3, 150, 3.0, 9, 0.01), (0.0, 60, 3.0, 8, 0.01)],
)
def test_a_step_is_seen_within_so_many_values_at_one_false_alarm_in_twenty_nights(
    rho: float, baseline: int, step: float, median_max: int, missed_max: float
) -> None:
    made = changed(
        np.random.default_rng(3), rho, (baseline + 150, 300), lambda n: np.where(n >= baseline, step, 0.0)
    )

    found = seen(scored(made), budget(0.05).threshold, WATCHED_FROM, baseline)

    assert found.median <= median_max
    assert found.missed <= missed_max


def test_wear_that_goes_on_is_seen_although_the_level_is_learned_on_the_way() -> None:
    """One standard deviation in 40 values: a mean of all that came before falls behind it ever more."""
    made = changed(np.random.default_rng(4), 0.2, (350, 200), lambda n: np.maximum(n - 100, 0.0) / 40)

    found = seen(scored(made), budget(0.05).threshold, WATCHED_FROM, 100)

    assert found.missed <= 0.02
    assert found.median <= 80


def test_remounts_and_cycles_without_a_value_leave_the_rate_as_stated() -> None:
    rng = np.random.default_rng(6)
    design = Design(threshold_for(150.0), watched_from=20)
    counted, values_watched = 0, 0
    for _ in range(25):
        chart = Chart(design)
        for _ in range(6):
            chart.restart(Cause.REMOUNT)
            level = rng.normal(0.0, 30.0)
            for value in (level + noise(rng, 0.5, 70, 1)[:, 0]).tolist():
                if rng.random() < 0.15:
                    chart.missed()
                    continue
                reading = chart.add(value)
                values_watched += reading.why_not == ""
                counted += reading.alarm is not None
    most = 2 * values_watched / 150.0

    assert values_watched > 4000
    assert 0.6 * most < counted < most + 3 * math.sqrt(most)
