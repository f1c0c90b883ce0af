"""The machine's own clocks."""

import time

import pytest

from nightturn.bench.worlds import RealClock


def test_the_real_clock_counts_the_time_that_the_host_sleeps(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []

    def told(clock: int) -> int:
        asked.append(clock)
        return 7

    monkeypatch.setattr(time, "clock_gettime_ns", told)
    assert RealClock().monotonic_ns() == 7
    assert asked == [time.CLOCK_BOOTTIME]
    monkeypatch.delattr(time, "CLOCK_BOOTTIME")
    assert RealClock().monotonic_ns() == 7
    assert asked[1:] == [time.CLOCK_MONOTONIC]


def test_the_real_clock_never_goes_back() -> None:
    clock = RealClock()
    stamps = [clock.monotonic_ns() for _ in range(1000)]
    assert stamps == sorted(stamps)
