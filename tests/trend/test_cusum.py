"""The chart: sums as published, what begins it anew, what it says of itself, and the same state by any split."""

import math

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.trend.quiet_nights import noise

from nightturn.trend.cusum import (
    LEVEL_FROM,
    ODD_IN_A_ROW,
    WATCHED_FROM,
    Alarm,
    Cause,
    Chart,
    Design,
    Reading,
    Side,
    cusum,
)

DESIGN = Design(threshold=6.0)
# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3, CUSUM control charts: twenty means of four around a target
# of 325, k = 0.3175 and h = 4.1959 in the units of the values (from memory).
NIST = """324.925 324.675 324.725 324.350 325.350 325.225 324.125 324.525 325.225 324.600
324.625 325.150 328.325 327.250 327.825 328.500 326.675 327.775 326.875 328.350"""
NIST_UP = (*((0.0,) * 4), 0.03, *((0.0,) * 7), 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04)
NIST_DOWN = (0.0, 0.01, 0.0, 0.33, 0.0, 0.0, 0.56, 0.72, 0.17, 0.26, 0.31, *((0.0,) * 9))

Step = st.one_of(
    st.floats(-3, 3).map(lambda value: round(value, 2)),
    st.sampled_from([None, Cause.REMOUNT, Cause.ZERO, Cause.RIG, 1000.0]),
)


def do(chart: Chart, step: float | Cause | None) -> Reading | None:
    """A value, a cycle without one, or something that is known to change the level."""
    if isinstance(step, Cause):
        chart.restart(step)
    elif step is None:
        chart.missed()
    else:
        return chart.add(step)
    return None


def quiet(count: int, rho: float = 0.3, seed: int = 1) -> list[float]:
    return [float(value) for value in noise(np.random.default_rng(seed), rho, count, 1)[:, 0]]


def alarm_of(chart: Chart, values: list[float]) -> Alarm | None:
    return next((found.alarm for value in values if (found := chart.add(value)).alarm), None)


def learned(design: Design = DESIGN, count: int = 150) -> Chart:
    chart = Chart(design)
    assert alarm_of(chart, quiet(count)) is None
    return chart


def test_the_sums_are_those_of_the_handbook() -> None:
    up = down = 0.0
    for value, above, below in zip(map(float, NIST.split()), NIST_UP, NIST_DOWN, strict=True):
        up, down = cusum(up, value - 325.0, 0.3175), cusum(down, 325.0 - value, 0.3175)
        assert up == pytest.approx(above, abs=0.011)
        assert down == pytest.approx(below, abs=0.011)


def test_the_handbook_s_chart_alarms_at_its_fourteenth_group() -> None:
    sums = [0.0]
    for value in map(float, NIST.split()):
        sums.append(cusum(sums[-1], value - 325.0, 0.3175))

    assert next(n for n, total in enumerate(sums) if total > 4.1959) == 14


@given(steps=st.lists(Step, max_size=80), cuts=st.sets(st.integers(0, 80), max_size=4))
def test_any_split_with_the_state_written_and_read_between_gives_the_same_readings(
    steps: list[float | Cause | None], cuts: set[int]
) -> None:
    design = Design(threshold=2.0, watched_from=6)
    whole, parted = Chart(design), Chart(design)
    for number, step in enumerate(steps):
        if number in cuts:
            parted = msgspec.msgpack.decode(msgspec.msgpack.encode(parted), type=Chart)
        assert do(whole, step) == do(parted, step)
    assert whole == parted


def test_the_order_in_which_charts_get_their_values_does_not_matter() -> None:
    values = {name: quiet(60, seed=seed) for seed, name in enumerate(("friction", "ripple", "cogging"))}
    by_series = {name: Chart(DESIGN) for name in values}
    by_cycle = {name: Chart(DESIGN) for name in reversed(values)}
    for name, chart in by_series.items():
        for value in values[name]:
            chart.add(value)
    for number in range(60):
        for name, chart in by_cycle.items():
            chart.add(values[name][number])

    assert by_cycle == by_series


@pytest.mark.parametrize(("sign", "side"), [(1.0, Side.UP), (-1.0, Side.DOWN)])
def test_a_step_alarms_on_its_side_and_says_about_where_it_began(sign: float, side: Side) -> None:
    chart = learned()
    alarm = alarm_of(chart, [sign * 2.5 + value for value in quiet(60, seed=2)])

    assert alarm is not None
    assert alarm.side is side
    assert 150 < alarm.at <= 165
    assert 145 <= alarm.since <= 155
    assert alarm.sum > alarm.threshold == DESIGN.threshold


def test_after_an_alarm_the_chart_learns_anew_and_does_not_alarm_for_the_same_change_again() -> None:
    chart = learned()
    values = [3.0 + value for value in quiet(200, seed=2)]
    readings = [chart.add(value) for value in values]

    assert sum(reading.alarm is not None for reading in readings) == 1
    assert chart.cause is Cause.ALARM
    at = next(n for n, reading in enumerate(readings) if reading.alarm)
    assert readings[at + 1].why_not == f"not watched yet: 0 of {WATCHED_FROM} values since an alarm"
    assert readings[at + WATCHED_FROM].why_not != ""
    assert readings[at + WATCHED_FROM + 1].why_not == ""


@pytest.mark.parametrize("cause", [Cause.REMOUNT, Cause.ZERO, Cause.RIG])
def test_what_is_known_to_change_the_level_raises_no_alarm(cause: Cause) -> None:
    chart = learned()
    chart.restart(cause)
    readings = [chart.add(40.0 + value) for value in quiet(100, seed=2)]

    assert not any(reading.alarm for reading in readings)
    needed = WATCHED_FROM if cause is Cause.RIG else LEVEL_FROM
    assert readings[0].why_not == f"not watched yet: 0 of {needed} values since {cause}"
    assert next(n for n, reading in enumerate(readings) if reading.why_not == "") == needed
    assert chart.began == 151


def test_the_same_jump_alarms_where_nobody_says_why() -> None:
    assert alarm_of(learned(), [40.0 + value for value in quiet(100, seed=2)]) is not None


def test_one_odd_cycle_is_no_change_and_does_not_blind_the_chart() -> None:
    chart = learned()
    before = chart.series.fit
    reading = chart.add(1000.0)
    assert reading.alarm is None
    assert reading.score is not None
    assert reading.score > 4.0
    assert reading.up <= 3.5 + DESIGN.threshold
    assert chart.series.fit == before

    assert alarm_of(chart, [2.5 + value for value in quiet(60, seed=2)]) is not None


def test_a_jump_while_the_chart_still_learns_begins_it_anew() -> None:
    chart = Chart(DESIGN)
    for value in quiet(20):
        chart.add(value)
    readings = [chart.add(50.0 + value) for value in quiet(60, seed=2)]

    assert chart.cause is Cause.JUMPED
    assert chart.began == 20 + ODD_IN_A_ROW + 1
    assert not any(reading.alarm for reading in readings)
    assert readings[-1].why_not == ""


def test_before_it_is_watched_no_sum_runs_and_the_reason_is_in_words() -> None:
    chart = Chart(DESIGN)
    readings = [chart.add(value) for value in quiet(WATCHED_FROM)]

    assert all(reading.up == reading.down == 0.0 for reading in readings)
    assert [reading.why_not for reading in readings][
        12
    ] == "not watched yet: 12 of 30 values since the first value"
    assert chart.why_not == ""


def test_values_that_are_all_equal_are_not_watched_and_that_is_said() -> None:
    chart = Chart(DESIGN)
    for _ in range(40):
        chart.add(0.125)

    assert chart.why_not == "not watched: all 40 values are equal"
    assert chart.add(0.126).alarm is None


def test_noise_that_wanders_puts_the_rate_in_doubt_in_words() -> None:
    wandering, usual = Chart(Design(threshold=1e9)), Chart(Design(threshold=1e9))
    for value in quiet(400, rho=0.97):
        wandering.add(value)
    for value in quiet(400, rho=0.5):
        usual.add(value)

    assert wandering.remark.startswith("each value is much like the one before it (0.8")
    assert usual.remark == ""
    assert Chart(DESIGN).remark == ""


def test_a_cycle_without_a_value_changes_what_is_expected_of_the_next_one_and_nothing_else() -> None:
    chart, other = learned(), learned()
    chart.missed()

    assert chart.series.missed == 1
    assert chart.series.sums == other.series.sums
    assert chart.add(0.2).score != other.add(0.2).score
    assert chart.series.missed == 0


def test_a_value_that_is_no_number_is_refused_and_changes_nothing() -> None:
    chart = learned()
    before = msgspec.msgpack.encode(chart)
    for value in (math.nan, math.inf):
        with pytest.raises(ValueError, match=r"give a number, or call missed\(\)"):
            chart.add(value)

    assert msgspec.msgpack.encode(chart) == before


def test_the_weighted_mean_follows_the_values_and_decides_nothing() -> None:
    chart = Chart(Design(threshold=1e9))
    first, second = chart.add(1.0), chart.add(2.0)

    assert first.ewma == 1.0
    assert second.ewma == pytest.approx(1.2)
    last = [chart.add(7.0) for _ in range(100)][-1]
    assert last.ewma == pytest.approx(7.0)
    assert last.alarm is None


# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4, EWMA control charts: target 50, weight 0.3, twenty values and their means,
# printed with two digits (read in the reference file of capstat-core 0.4.3, which cites it).
WEIGHTED = (
    """52.0 47.0 53.0 49.3 50.1 47.0 51.0 50.1 51.2 50.5 49.6 47.6 49.9 51.3 47.8 51.2 52.6 52.4 53.6 52.1"""
)
MEANS = """50.60 49.52 50.56 50.18 50.16 49.21 49.75 49.85 50.26 50.33 50.11 49.36 49.52 50.05 49.38 49.92 50.73 51.23 51.94 51.99"""


def test_the_weighted_means_are_those_of_the_handbook(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("nightturn.trend.cusum.WEIGHT", 0.3)
    chart = Chart(Design(threshold=1e9))
    chart.add(50.0)
    found = [chart.add(float(value)).ewma for value in WEIGHTED.split()]
    assert found == pytest.approx([float(value) for value in MEANS.split()], abs=0.005)


def test_the_state_does_not_grow_with_the_values() -> None:
    chart = learned()
    size = len(msgspec.msgpack.encode(chart))
    for value in quiet(2000, seed=5):
        chart.add(value)

    assert len(msgspec.msgpack.encode(chart)) < size + 20
