"""Full replay: identical to the live run, through hand-overs, restarts and holes, and able to see a difference."""

from pathlib import Path
from typing import cast

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from replay_logs.make import Recorded

from nightturn.errors import ConfigError, CorruptFileError, RunNotFoundError, StorageError
from nightturn.fixture import steering
from nightturn.fixture.core import REACTIONS
from nightturn.fixture.work import Work
from nightturn.model.records import Tick
from nightturn.replay.full import replay
from nightturn.replay.tapes import Tape, tape_of, tape_of_file, tape_of_run
from nightturn.storage.segment import read_segment

SAME_FOR_ALL = settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def records_of(tape: Path) -> int:
    return read_segment(tape.read_bytes()).last_record_no


def test_a_live_run_replays_with_every_effect(measured: Recorded) -> None:
    seen = replay(tape_of_run(measured.root, measured.fixture, "latest"))
    assert seen.first_difference == ""
    assert seen.damage == []
    assert len(seen.rows.cycles) == 3
    assert [gap.cause for gap in seen.rows.gaps] == ["link"]


@SAME_FOR_ALL
@given(splits=st.lists(st.integers(2, 400), max_size=4))
def test_the_state_may_be_handed_over_as_bytes_before_any_record(brief: Path, splits: list[int]) -> None:
    tape = tape_of_file(brief)
    whole, parts = replay(tape), replay(tape, splits=splits)
    assert parts == whole
    assert parts.first_difference == ""


@SAME_FOR_ALL
@given(changed=st.integers(20, 390))
def test_a_changed_effect_is_placed_within_a_control_period(brief: Path, changed: int) -> None:
    """The core says one thing more; the next tick after that says so."""
    calls = 0
    original = steering.tick

    def once_more(work: Work, record: Tick) -> None:
        nonlocal calls
        original(work, record)
        if work.state.record_no >= changed and not calls:
            calls = work.state.record_no
            work.event("changed", "info", "what the live core did not say")

    with pytest.MonkeyPatch.context() as patch:
        row = tuple(once_more if reaction is original else reaction for reaction in REACTIONS[Tick])
        patch.setitem(cast("dict[type | int, object]", REACTIONS), Tick, row)
        seen = replay(tape_of_file(brief))
    assert seen.first_difference.startswith("effects differ before record ")
    placed = int(seen.first_difference.split()[4])
    assert 0 < placed - calls <= 10  # 6 records in a control period: tick, stamp, and what the device sends


def test_a_run_that_went_on_after_a_restart_of_the_host_is_one_tape(segments: Recorded) -> None:
    tape = tape_of_run(segments.root, segments.fixture, segments.run)
    seen = replay(tape)
    assert len(tape.files) == len(segments.segments) > 4
    assert (seen.first_difference, seen.damage) == ("", [])
    kinds = [event.kind for event in seen.rows.events]
    assert kinds.index("run_opened") < kinds.index("run_resumed")
    assert [gap.cause for gap in seen.rows.gaps] == ["restart"]


def test_after_a_lost_segment_the_next_goes_on_from_its_own_snapshot(segments: Recorded) -> None:
    first, lost, third, *rest = tape_of_run(segments.root, segments.fixture, segments.run).files
    seen = replay(Tape("holed", (first, third, *rest)))
    wanted = read_segment(lost.read_bytes()).first_record_no
    begins = read_segment(third.read_bytes()).first_record_no
    assert seen.damage == [f"{third.name}: it begins with record {begins}, not with {wanted}"]
    assert seen.first_difference == ""


def test_a_folder_of_segments_is_a_tape(segments: Recorded) -> None:
    folder = segments.root / "journal" / segments.fixture / "sealed"
    assert tape_of(folder, "", "").files == tape_of_run(segments.root, segments.fixture, "latest").files


def test_what_is_no_tape_says_what_would_be_one(segments: Recorded, tmp_path: Path) -> None:
    with pytest.raises(StorageError, match="no such tape; give a"):
        tape_of(tmp_path / "none.ntj", "", "latest")
    with pytest.raises(
        ConfigError, match=r"contains no tape; allowed: a \*\.ntj file, a folder of them, or --fixture"
    ):
        tape_of(tmp_path, "", "latest")
    with pytest.raises(RunNotFoundError, match=f"tapes are there of: {segments.run}"):
        tape_of(segments.root, segments.fixture, "20250101T000000Z-0000")
    with pytest.raises(RunNotFoundError, match="not the names of a fixture and a run"):
        tape_of(segments.root, "../x", "latest")
    with pytest.raises(RunNotFoundError, match="not the names of a fixture and a run"):
        tape_of(segments.root, segments.fixture, "../x")
    text = tmp_path / "text.ntj"
    text.write_text("no tape at all", encoding="utf-8")
    with pytest.raises(CorruptFileError, match="does not begin like one"):
        replay(tape_of_file(text))
