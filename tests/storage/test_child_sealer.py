"""The process that seals may die at any stage: another one does its work again, or recovery does; nothing is lost."""

import os
import signal
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.storage import dying_child
from tests.storage.dying_child import STAGES, stage_file
from tests.storage.recording import RecordingFiles
from tests.storage.scenario import (
    FIXTURE,
    RUN,
    FixedClock,
    bench_signal,
    block_frames,
    cut,
    plan_for,
    rows_of_every_dataset,
)
from tests.waiting import wait
from typing_extensions import override

from nightturn.errors import StorageError
from nightturn.model.records import Emit
from nightturn.model.rows import ChunkPlan
from nightturn.storage.child_sealer import JOB_S, ROWS_A_MESSAGE, ChildSealer
from nightturn.storage.files import RealFiles
from nightturn.storage.journal import Journal
from nightturn.storage.recovery import recover
from nightturn.storage.sealer import OwnSealer, Sealer, ToWrite
from nightturn.storage.sealing_child import NICE
from nightturn.storage.segment import read_segment
from nightturn.world import Files

COMMAND = (sys.executable, dying_child.__file__)
SAMPLES = 300


class Tape:
    """A journal whose segments all hold the same kind of signal."""

    def __init__(self, root: Path, sealer: Sealer | None = None, files: Files | None = None) -> None:
        self.root = root
        self.files = files or RealFiles(root)
        self.journal = Journal(
            self.files, FIXTURE, FixedClock(), new_id=iter(range(1, 99)).__next__, sealer=sealer
        )
        self.number = 0
        self.journal.open(1, RUN, 1, b"state")

    def finished(self) -> tuple[str, ChunkPlan]:
        """A segment more that ends with its cut, and its plan."""
        first, self.number = self.journal.next_record_no, self.number + 1
        frames = block_frames(*bench_signal(SAMPLES, seed=self.number), first_index=self.number * SAMPLES)
        last = self.journal.write([*frames, cut()])
        return self.journal.rotate(b"state", RUN, 1), plan_for(first, last, SAMPLES, chunk_no=self.number)

    def seal(self, rows: list[Emit] | None = None) -> None:
        path, plan = self.finished()
        self.journal.seal(path, plan, rows_of_every_dataset() if rows is None else rows)

    def left(self) -> dict[str, bytes]:
        """Every file but the segment being written, the stage and the marks."""
        found = {
            path.relative_to(self.root).as_posix(): path for path in self.root.rglob("*") if path.is_file()
        }
        return {
            name: path.read_bytes()
            for name, path in found.items()
            if name != self.journal.path and "/" in name
        }


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """What seals of as many segments as there are stages leave, made in this process."""
    tape = Tape(tmp_path_factory.mktemp("undisturbed"))
    for _ in STAGES:
        tape.seal()
    return tape.left()


@pytest.fixture
def sealer(tmp_path: Path) -> Iterator[ChildSealer]:
    with ChildSealer(tmp_path, command=COMMAND) as made:
        yield made


def test_a_process_that_dies_at_any_stage_leaves_the_same_files_in_the_end(
    tmp_path: Path, sealer: ChildSealer, undisturbed: dict[str, bytes]
) -> None:
    tape, begun = Tape(tmp_path, sealer), []
    for stage in STAGES:
        stage_file(tmp_path).write_text(stage, encoding="utf-8")
        tape.seal()
        assert not stage_file(tmp_path).exists(), f"nothing died at: {stage}"
        assert sealer._child is not None
        begun.append(sealer._child.process.pid)

    assert tape.left() == undisturbed
    assert len(set(begun)) == len(STAGES)  # each death was answered by a process of its own


def test_a_process_that_hangs_is_ended_when_its_time_is_up_and_another_one_does_its_work(
    tmp_path: Path, undisturbed: dict[str, bytes]
) -> None:
    lengths: list[int] = []

    def patience(length: int) -> float:
        """None at all for the first job of the first process, which hangs."""
        lengths.append(length)
        if len(lengths) == 1:
            return 0.1
        stage_file(tmp_path).unlink(missing_ok=True)
        return 120.0

    with ChildSealer(tmp_path, command=COMMAND, patience=patience) as sealer:
        tape = Tape(tmp_path, sealer)
        stage_file(tmp_path).write_text(f"hang {dying_child.RAW_RENAMED}", encoding="utf-8")
        for _ in STAGES:
            tape.seal()
        assert sealer.hung == 1
    left = tape.left()
    assert left == undisturbed
    assert lengths[0] == lengths[1] > 1000  # the same segment
    assert len(lengths) == 2 * len(STAGES) + 1  # each is written and compressed


def test_a_process_that_hangs_each_time_leaves_the_segment_to_a_later_attempt(tmp_path: Path) -> None:
    with ChildSealer(tmp_path, command=COMMAND, patience=lambda _length: 0.1) as sealer:
        tape = Tape(tmp_path, sealer)
        stage_file(tmp_path).write_text(f"hang {dying_child.BEFORE}", encoding="utf-8")
        path, plan = tape.finished()
        with pytest.raises(StorageError, match=r"has not answered within 0.1 s, 2 times at the same work"):
            tape.journal.seal(path, plan, rows_of_every_dataset())
        assert sealer.hung == 2
    found = recover(RealFiles(tmp_path), FIXTURE).leftovers
    assert next(left.segment.last_record_no for left in found) == plan.last


def test_a_job_has_minutes_and_more_for_a_longer_segment(tmp_path: Path) -> None:
    sealer = ChildSealer(tmp_path)
    (tmp_path / "long.ntj").write_bytes(bytes(17_000_000))
    assert sealer._limit_s("absent.ntj") == JOB_S
    assert sealer._limit_s("long.ntj") == JOB_S + 170.0


def test_a_process_that_always_dies_leaves_the_segment_to_a_later_attempt_or_to_recovery(
    tmp_path: Path, sealer: ChildSealer
) -> None:
    tape = Tape(tmp_path, sealer)
    stage_file(tmp_path).write_text(f"always {dying_child.RAW_RENAMED}", encoding="utf-8")
    path, plan = tape.finished()
    with pytest.raises(
        StorageError, match=r"has ended \(signal 9\), 2 times at the same work; the tape is kept"
    ):
        tape.journal.seal(path, plan, rows_of_every_dataset())
    found = recover(RealFiles(tmp_path), FIXTURE).leftovers
    assert next(left.segment.last_record_no for left in found) == plan.last

    stage_file(tmp_path).unlink()
    tape.journal.seal(path, plan, rows_of_every_dataset())

    assert [*Path(tmp_path, "journal", FIXTURE, "sealed").iterdir()]
    undisturbed = Tape(tmp_path.with_name(f"{tmp_path.name}-undisturbed"))
    undisturbed.seal()
    assert tape.left() == undisturbed.left()


def test_one_child_goes_on_behind_what_it_refuses_and_signals_meant_for_the_daemon_and_takes_any_number_of_rows(
    tmp_path: Path, sealer: ChildSealer
) -> None:
    tape = Tape(tmp_path, sealer)
    path, plan = tape.finished()
    with pytest.raises(StorageError, match="the plan covers records"):
        tape.journal.seal(path, plan_for(plan.first, plan.last + 1, SAMPLES), [])
    assert sealer._child is not None
    child = sealer._child.process.pid
    for number in (signal.SIGINT, signal.SIGTERM):
        os.kill(child, number)
    events = [row for row in rows_of_every_dataset() if row.dataset == "events"]
    many = [events[0]] * (2 * ROWS_A_MESSAGE + 1)
    sealed = tape.journal.seal(path, plan, many)

    assert {chunk.dataset: chunk.rows for chunk in sealed.chunks}["events"] == len(many)
    assert sealer._child.process.pid == child
    assert os.getpriority(os.PRIO_PROCESS, child) == min(os.getpriority(os.PRIO_PROCESS, 0) + NICE, 19)
    assert os.getsid(child) != os.getsid(0)
    assert "pandas" not in Path(f"/proc/{child}/maps").read_text(encoding="utf-8")


def test_a_sealer_that_was_left_seals_nothing_more_and_its_child_is_gone(tmp_path: Path) -> None:
    with ChildSealer(tmp_path, command=COMMAND) as sealer:
        tape = Tape(tmp_path, sealer)
        tape.seal()
        assert sealer._child is not None
        child = sealer._child.process
    assert child.returncode == 0
    path, plan = tape.finished()
    with pytest.raises(StorageError, match="was closed; the tape is kept"):
        tape.journal.seal(path, plan, [])


def test_a_child_that_cannot_be_started_is_an_error_of_the_seal_and_not_of_the_start(tmp_path: Path) -> None:
    with ChildSealer(tmp_path, command=[str(tmp_path / "nothing")]) as sealer:
        tape = Tape(tmp_path, sealer)
        path, plan = tape.finished()
        with pytest.raises(StorageError, match="cannot be started"):
            tape.journal.seal(path, plan, [])
    assert read_segment(RealFiles(tmp_path).read(path)).last_record_no == plan.last


def test_a_child_ends_in_the_middle_of_its_work_when_nobody_waits_for_it(tmp_path: Path) -> None:
    stage_file(tmp_path).write_text(f"hang {dying_child.HALF_A_FILE}", encoding="utf-8")
    sealer = ChildSealer(tmp_path, command=COMMAND)
    with sealer._one_at_a_time:
        child = sealer._started()
    tape = Tape(tmp_path)
    path, plan = tape.finished()
    child.line.send(ToWrite(path, (plan,), 0))
    wait((tmp_path / "hangs").exists, lambda: "the child does not come to its stage")
    child.line.close()

    assert child.process.wait(40.0) == 0


class _DiedError(Exception):
    """The process is gone."""


class DyingAt(RecordingFiles):
    """Files of a process that dies in front of one of its operations."""

    def __init__(self, inner: Files, operation: int) -> None:
        super().__init__(inner)
        self._operation = operation

    def _judge(self) -> None:
        if len(self.operations) == self._operation:
            raise _DiedError

    @override
    def append(self, path: str, content: bytes) -> None:
        if len(self.operations) == self._operation:
            self.inner.append(path, content[: len(content) // 2])
        self._judge()
        super().append(path, content)

    @override
    def sync(self, path: str) -> None:
        self._judge()
        super().sync(path)

    @override
    def replace(self, source: str, target: str) -> None:
        self._judge()
        super().replace(source, target)

    @override
    def sync_dir(self, path: str) -> None:
        self._judge()
        super().sync_dir(path)

    @override
    def remove(self, path: str) -> None:
        self._judge()
        super().remove(path)


class TriesAgain:
    """A sealer as the child's parent is one: what died is done again by the next, who does the rest too."""

    def __init__(self, first: Files, then: Files) -> None:
        self._sealer, self._next = OwnSealer(first), OwnSealer(then)
        self.died = False

    def write(self, *job: object) -> object:
        try:
            return self._sealer.write(*job)  # type: ignore[arg-type]  # as it was asked
        except _DiedError:
            return self._after_death().write(*job)  # type: ignore[arg-type]  # as it was asked

    def pack(self, path: str) -> int:
        try:
            return self._sealer.pack(path)
        except _DiedError:
            return self._after_death().pack(path)

    def _after_death(self) -> OwnSealer:
        self._sealer, self.died = self._next, True
        return self._sealer


def test_work_that_dies_in_front_of_any_operation_is_done_again_to_the_same_files(tmp_path: Path) -> None:
    whole = Tape(tmp_path / "whole")
    whole.seal()
    operation = 0
    while True:
        root = tmp_path / f"{operation}"
        files = RealFiles(root)
        sealer = TriesAgain(DyingAt(files, operation), files)
        tape = Tape(root, sealer, files)  # type: ignore[arg-type]  # hands on what it is given
        tape.seal()
        assert tape.left() == whole.left(), f"died in front of operation {operation}"
        if not sealer.died:
            break
        operation += 1

    assert operation > 30
