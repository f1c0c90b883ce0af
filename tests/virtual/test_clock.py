"""The device's own clock."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.virtual.clock import SPAN_NS, DriftingClock

HOUR_NS = 3600 * 10**9


def test_the_clock_gains_what_its_drift_says() -> None:
    clock = DriftingClock(1, 20.0, 0)
    assert (
        abs(clock.tick(HOUR_NS) - 3_600_000_000 * (1 + 20e-6)) < 3_600_000_000 * 1.5e-6
    )  # wander stays below


@pytest.mark.parametrize(
    ("ppm", "s_in_a_day"),
    [(1, 0.0864), (20, 1.728), (50, 4.32), (100, 8.64)],
    ids=lambda value: f"{value} (own arithmetic: ppm times 86 400 s)",
)
def test_parts_per_million_are_the_stated_seconds_in_a_day(ppm: int, s_in_a_day: float) -> None:
    """Against a clock with the same wander; a rate is rounded to 2^-40, which is 40 µs a day at most."""
    drifting, steady = (DriftingClock(1, drift, 0).tick(24 * HOUR_NS) for drift in (float(ppm), 0.0))
    assert (drifting - steady) / 1e6 == pytest.approx(s_in_a_day, abs=80e-6)


def test_two_seeds_wander_differently() -> None:
    assert DriftingClock(1, 0.0, 0).tick(HOUR_NS) != DriftingClock(2, 0.0, 0).tick(HOUR_NS)


@given(st.lists(st.integers(0, 40 * SPAN_NS), min_size=1, max_size=40), st.floats(-200, 200))
def test_a_tick_does_not_depend_on_how_often_the_clock_was_read(moments: list[int], drift: float) -> None:
    often, once = DriftingClock(3, drift, 5), None
    ticks = [often.tick(5 + moment) for moment in sorted(moments)]
    assert ticks == sorted(ticks)
    once = DriftingClock(3, drift, 5)
    assert once.tick(5 + max(moments)) == ticks[-1]


@given(st.integers(0, SPAN_NS - 1), st.floats(-200, 200))
def test_a_tick_is_reached_at_the_moment_announced_and_not_before(moment: int, drift: float) -> None:
    clock = DriftingClock(3, drift, 0)
    wanted = clock.tick(moment) + 1
    at = clock.moment_ns(wanted)
    assert clock.tick(at) >= wanted
    assert DriftingClock(3, drift, 0).tick(at - 1) < wanted
