"""Days on end: what the daemon holds stays what it was, whatever comes and goes."""

from pathlib import Path

import pytest
from tests.simulation.days import SHORT, TWO_DAYS, Days, Stay, days_of
from tests.simulation.scene import checked

OBJECTS_GROWTH_MAX = (
    1_000  # of some hundred thousand; one row of a cycle that stayed would be more within two days
)
RSS_GROWTH_MAX = 16_000_000  # bytes; the allocator's own, a few MB to and fro
SETTLED = 6  # readings; by then caches are full and every kind of outage of the short form has been once


def held_flat(days: Days, stay: Stay) -> None:
    """No buffer beyond its limit, no descriptor and no object more at the end than when all had settled."""
    settled, last = days.readings[SETTLED - 1], days.readings[-1]
    assert len(days.readings) == stay.readings
    assert days.beyond == []
    assert len({reading.descriptors for reading in days.readings}) == 1, days.readings
    assert last.objects - settled.objects <= OBJECTS_GROWTH_MAX, days.readings
    assert last.cycles > settled.cycles
    assert days.broker.connects == 1 + len(stay.broker_s)
    assert days.publisher.counters.dropped == 0


def recorded_whole(days: Days, root: Path, stay: Stay) -> None:
    """Everything verified, chunk by chunk; the ring brought back what came while a line was away."""
    reports = checked(root)
    assert len(reports) == stay.fixtures
    for station, report in zip(days.stations, reports, strict=True):
        assert station.core.state.chunk.no >= stay.readings * stay.every_s // stay.chunk_s - 1
        assert report.missing == 0
        assert report.stored == station.core.state.counts.samples


def test_most_of_an_hour_with_cuts_and_outages_leaves_nothing_behind(tmp_path: Path) -> None:
    days = days_of(tmp_path / "nights", SHORT)

    held_flat(days, SHORT)
    recorded_whole(days, tmp_path / "nights", SHORT)


@pytest.mark.long
def test_two_days_of_four_fixtures_hold_memory_and_descriptors_flat(tmp_path: Path) -> None:
    days = days_of(tmp_path / "nights", TWO_DAYS)

    held_flat(days, TWO_DAYS)
    assert days.readings[-1].rss_bytes - days.readings[SETTLED - 1].rss_bytes <= RSS_GROWTH_MAX, days.readings
    recorded_whole(days, tmp_path / "nights", TWO_DAYS)
