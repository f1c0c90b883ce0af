"""Damage in the open tape costs the records that it hit; the run goes on, no number is used twice, and people are told."""

from collections.abc import Callable
from pathlib import Path

import pytest
from tests.bench.test_recovery import begun, killed, play
from tests.simulation.scene import Scene, settings_of

from nightturn.fixture.owners.motion import TravelPhase
from nightturn.model.records import Emit
from nightturn.model.rows import EventRow, GapRow, RecoveredRow
from nightturn.storage import tape
from nightturn.storage.runs import open_run
from nightturn.storage.segment import read_segment
from nightturn.storage.verify import verify

RESUME = settings_of(after_restart="resume")


def open_tape(root: Path) -> Path:
    (path,) = (root / "journal" / "pan-a1").glob("*.ntj")
    return path


def flip(path: Path, offset: int, length: int = 1) -> None:
    content = bytearray(path.read_bytes())
    for at in range(offset, offset + length):
        content[at] ^= 0x10
    path.write_bytes(content)


def of_record(path: Path, part: float) -> tuple[int, int]:
    """Number and offset of a record that lies so far into the tape."""
    entries = [entry for entry in read_segment(path.read_bytes())._entries if entry.kind == tape.FRAME]
    entry = entries[round(part * (len(entries) - 1))]
    return entry.record_no, entry.start


@pytest.mark.parametrize("length", [1, 4096])
def test_damage_in_the_middle_loses_what_it_hit_and_nothing_behind(tmp_path: Path, length: int) -> None:
    first = play(tmp_path, killed, 15.0, settings=RESUME)
    one = first.station.core.state
    path = open_tape(tmp_path)
    number, offset = of_record(path, 0.5)
    flip(path, offset, length)
    before = verify(tmp_path, run="all").runs[0].problems
    assert [problem.kind for problem in before] == ["damaged"]
    kept: list[Emit] = []

    class Kept:
        def offer(self, _fixture: str, emit: Emit) -> None:
            kept.append(emit)

    second = play(tmp_path, None, 10.0, settings=RESUME, sinks=[Kept()])
    two = second.station.core.state
    assert two.run.opened is not None
    assert one.run.opened is not None
    assert two.run.opened.run == one.run.opened.run
    told = [each.row.row for each in kept if isinstance(each.row, RecoveredRow)]
    assert "tape_failed" in {row.kind for row in told if isinstance(row, EventRow)}
    assert (
        two.run.opened.first_record_no > one.record_no
    )  # none of the numbers behind the damage is used again
    assert not second.moving
    assert two.motion.travel is TravelPhase.UNKNOWN
    assert second.count("state_lost") == 1
    run = open_run(tmp_path)
    (event,) = (row for _, row in run.events().iterrows() if row["kind"] == "tape_failed")
    assert f"records {number}" in event["detail"]
    frame = run.samples(columns=["index"])
    assert len(frame) > one.counts.samples - length // 100 * 50 - 100
    (report,) = verify(tmp_path, run="all").runs
    assert {problem.kind for problem in report.problems} == {"damaged"}
    assert report.produced == report.stored + report.missing
    gaps = run.gaps()
    by_tape = gaps[gaps["cause"] == "tape"]
    if length > 1:
        assert len(by_tape) > 0
    assert [row.index_from for row in told if isinstance(row, GapRow)] == list(by_tape["index_from"])
    (aside,) = (tmp_path / "journal" / "pan-a1").glob("*.damaged")
    assert f"-{number}-" in aside.name


@pytest.mark.parametrize("where", ["snapshot", "header"])
def test_a_damaged_beginning_of_the_open_tape_loses_no_record(tmp_path: Path, where: str) -> None:
    def after_a_cut(scene: Scene) -> None:
        killed(scene)

    settings = settings_of(after_restart="resume", chunk_s=10.0)
    first = play(tmp_path, after_a_cut, 15.0, settings=settings)
    one = first.station.core.state
    path = open_tape(tmp_path)
    segment = read_segment(path.read_bytes())
    assert segment.first_record_no > 1
    flip(path, segment._entries[0].start + 40 if where == "snapshot" else 30)
    found = begun(tmp_path)
    assert one.run.opened is not None
    assert (found.run, found.travel_zero) == (one.run.opened.run, one.motion.planner.travel_zero)
    assert not found.travel_unknown
    assert found.first_record_no == one.record_no + 3  # the damage, then the cut
    told = open_run(tmp_path).events()
    assert list(told[told["kind"] == "tape_bytes_failed"]["detail"]) == [
        "bytes of the tape that are no record were damaged and repaired: no record is lost"
    ]
    assert found == begun(tmp_path)
    (report,) = verify(tmp_path, run="all").runs
    assert report.stored == report.produced == one.counts.samples
    assert {problem.kind for problem in report.problems} <= {"damaged"}


def lost_snapshot_of_the_first(path: Path) -> None:
    flip(path, read_segment(path.read_bytes())._entries[0].start + 5)


def last_record(path: Path) -> None:
    flip(path, path.stat().st_size - 10)


@pytest.mark.parametrize("harm", [lost_snapshot_of_the_first, last_record])
def test_whatever_is_hit_the_numbers_go_on_behind_all_that_were_used(
    tmp_path: Path, harm: Callable[[Path], None]
) -> None:
    first = play(tmp_path, killed, 8.0, settings=RESUME)
    one = first.station.core.state
    harm(open_tape(tmp_path))
    found = begun(tmp_path)
    assert one.run.opened is not None
    assert found.run == one.run.opened.run
    assert found.first_record_no > one.record_no
    assert found == begun(tmp_path)


def test_a_tape_nothing_can_be_made_of_keeps_its_numbers_and_locks_the_run(tmp_path: Path) -> None:
    settings = settings_of(after_restart="resume", chunk_s=10.0)
    first = play(tmp_path, killed, 15.0, settings=settings)
    one = first.station.core.state
    path = open_tape(tmp_path)
    flip(path, read_segment(path.read_bytes())._entries[0].start + 40)
    for sealed in (tmp_path / "journal" / "pan-a1" / "sealed").iterdir():
        sealed.unlink()
    found = begun(tmp_path)
    assert one.run.opened is not None
    assert (found.run, found.travel_unknown) == (one.run.opened.run, True)
    assert found.first_record_no > one.record_no
    assert found.lost
