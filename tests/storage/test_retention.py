"""Retention of sealed tapes: by age, by bytes, never a kept run, never the newest."""

from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st
from tests.storage.scenario import FIXTURE, RUN, STARTED_NS
from tests.storage.store import full_night

from nightturn.storage.catalogue import SegmentEntry
from nightturn.storage.manifest import set_kept
from nightturn.storage.recovery import next_record_no
from nightturn.storage.retention import MAX_AGE_NS, expire, expired

DAY_NS = 86_400 * 1_000_000_000


def segment(number: int, days_old: float, size: int = 10, run: str = RUN) -> SegmentEntry:
    start = STARTED_NS - int(days_old * DAY_NS)
    return SegmentEntry(f"journal/{FIXTURE}/sealed/{number}", FIXTURE, run, number, size, start)


def test_seven_days_and_forty_gigabytes_are_the_defaults() -> None:
    segments = [segment(1, 7.1), segment(2, 6.9, 39_999_999_990), segment(3, 5.0, 20), segment(4, 0.0)]

    assert [each.record_first for each in expired(segments, frozenset(), STARTED_NS)] == [1, 2]


def test_a_kept_run_and_the_newest_segment_stay_whatever_they_take() -> None:
    segments = [segment(1, 90, run="kept"), segment(2, 80), segment(3, 70)]
    going = expired(segments, frozenset({(FIXTURE, "kept")}), STARTED_NS, max_bytes=0)

    assert [each.record_first for each in going] == [2]


@given(
    st.lists(st.tuples(st.floats(0, 20), st.integers(0, 100)), min_size=1, max_size=20), st.integers(0, 500)
)
def test_what_stays_is_young_and_fits_or_could_not_go(ages: list[tuple[float, int]], max_bytes: int) -> None:
    ordered = sorted(ages, reverse=True)
    segments = [segment(number, age, size) for number, (age, size) in enumerate(ordered, 1)]
    going = expired(segments, frozenset(), STARTED_NS, max_bytes=max_bytes)
    staying = [each for each in segments if each not in going]

    assert going == segments[: len(going)]
    assert staying
    if len(staying) > 1:
        assert STARTED_NS - staying[0].started_utc_ns <= MAX_AGE_NS
        assert sum(each.bytes for each in staying) <= max_bytes


def test_a_dry_run_deletes_nothing_and_a_real_one_what_it_named(tmp_path: Path) -> None:
    night = full_night(tmp_path)
    later = STARTED_NS + 8 * DAY_NS
    named = expire(night.files, night.catalogue, later)
    assert len(night.catalogue.segments()) == 3

    assert expire(night.files, night.catalogue, later, dry_run=False) == named
    assert len(named) == 2
    assert len(night.catalogue.segments()) == len(night.files.list(f"journal/{FIXTURE}/sealed")) == 1
    assert next_record_no(night.files, FIXTURE) == night.journal.next_record_no


def test_a_run_marked_as_kept_keeps_its_tape(tmp_path: Path) -> None:
    night = full_night(tmp_path)
    set_kept(night.files, FIXTURE, RUN, kept=True)

    assert expire(night.files, night.catalogue, STARTED_NS + 99 * DAY_NS, dry_run=False) == []
    assert len(night.files.list(f"journal/{FIXTURE}/sealed")) == 3
