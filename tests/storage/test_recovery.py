"""Recovery: what a start finds after a crash is put in order, and nothing is lost by it."""

from collections.abc import Callable
from pathlib import Path

import pytest
from tests.storage.failing import opened_journal, written_chunk
from tests.storage.recording import RecordingFiles
from tests.storage.scenario import FIXTURE, RUN, FixedClock, cut, plan_for

from nightturn.model.records import Tick
from nightturn.model.rows import ChunkPlan
from nightturn.storage.files import RealFiles
from nightturn.storage.journal import Journal
from nightturn.storage.recovery import recover
from nightturn.storage.segment import read_segment, unpack


def crash_before_sealing(files: RecordingFiles, _journal: Journal, _path: str, _plan: ChunkPlan) -> None:
    files.append(f"raw/fixture={FIXTURE}/date=2026-11-25/run={RUN}/.c000001-x.tmp", b"half")


def crash_before_the_move(files: RecordingFiles, journal: Journal, path: str, plan: ChunkPlan) -> None:
    content = files.read(path)
    journal.seal(path, plan, [])
    files.replace(path.replace(f"/{FIXTURE}/", f"/{FIXTURE}/sealed/"), path)
    assert unpack(files.read(path)) == (content, 0)


@pytest.mark.parametrize(
    ("crash", "leftovers", "removed", "moved"),
    [(crash_before_sealing, 2, 1, 0), (crash_before_the_move, 1, 0, 1)],
)
def test_recovery_finds_what_is_left_to_seal(
    tmp_path: Path,
    crash: Callable[[RecordingFiles, Journal, str, ChunkPlan], None],
    leftovers: int,
    removed: int,
    moved: int,
) -> None:
    files, journal = opened_journal(tmp_path)
    path, plan = written_chunk(journal)
    journal.write([Tick(9, 9)])
    crash(files, journal, path, plan)
    found = recover(files, FIXTURE)

    assert (len(found.leftovers), len(found.removed), len(found.moved)) == (leftovers, removed, moved)
    assert found.next_record_no == 23
    assert recover(files, FIXTURE).removed == ()


def test_a_leftover_is_gone_on_with_after_its_torn_tail(tmp_path: Path) -> None:
    files, journal = opened_journal(tmp_path)
    journal.write([Tick(1, 1)])
    files.append(journal.path, b"\x93half a record")
    leftover = recover(files, FIXTURE).leftovers[0]
    again = Journal(files, FIXTURE, FixedClock(), new_id=lambda: 77)
    segment = again.reopen(leftover.path)

    assert (segment.dropped_bytes, segment.last_record_no, segment.ends_with_cut) == (14, 1, False)
    assert again.write([cut()]) == 2
    assert read_segment(files.read(leftover.path)).ends_with_cut
    again.rotate(b"", RUN, 2)
    again.seal(leftover.path, plan_for(1, 2, 0), [])
    assert [left.path for left in recover(files, FIXTURE).leftovers] == [again.path]


def test_a_segment_without_a_whole_header_is_set_aside(tmp_path: Path) -> None:
    files = RecordingFiles(RealFiles(tmp_path))
    files.append(f"journal/{FIXTURE}/000000000001-00000000000000aa.ntj", b"\x93ntape")
    found = recover(files, FIXTURE)

    assert (found.leftovers, found.next_record_no) == ((), 1)
    assert files.list(f"journal/{FIXTURE}") == ["000000000001-00000000000000aa.ntj.torn"]


def test_record_numbers_go_on_after_the_tapes_are_gone(tmp_path: Path) -> None:
    files, journal = opened_journal(tmp_path)
    path, plan = written_chunk(journal)
    journal.seal(path, plan, [])
    files.remove(path.replace(f"/{FIXTURE}/", f"/{FIXTURE}/sealed/"))
    files.remove(journal.path)

    assert recover(files, FIXTURE).next_record_no == plan.last + 1
