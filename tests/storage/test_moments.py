"""The bench's clocks as a tape carries them say what the time zone says."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.model.clocks import ClockOffset, bench_text
from nightturn.storage.zones import local_text, offsets_of

NOW = 1_795_640_400_000_000_000  # 2026-11-25 21:00:00 UTC
DAY_NS = 86_400_000_000_000
BERLIN = offsets_of("Europe/Berlin", NOW)


@given(st.integers(-390 * 86_400, 390 * 86_400))
def test_a_moment_within_a_year_is_the_same_by_tape_and_by_time_zone(after_s: int) -> None:
    ts = NOW + after_s * 1_000_000_000
    assert bench_text(ts, BERLIN) == local_text(ts, "Europe/Berlin")


def test_the_clocks_are_changed_to_the_second() -> None:
    # 2027-03-28 01:00:00 UTC: EU directive 2000/84/EC
    changed = 1_806_195_600_000_000_000
    assert ClockOffset(changed, 7200) in BERLIN
    assert bench_text(changed - 1, BERLIN) == "2027-03-28 01:59:59 +01:00"
    assert bench_text(changed, BERLIN) == "2027-03-28 03:00:00 +02:00"


@pytest.mark.parametrize("zone", ["UTC", "no such place"])
def test_a_zone_without_changes_is_one_offset(zone: str) -> None:
    assert offsets_of(zone, NOW) == (ClockOffset(NOW - 400 * DAY_NS, 0),)
    assert bench_text(NOW, ()) == "2026-11-25 21:00:00 +00:00"
