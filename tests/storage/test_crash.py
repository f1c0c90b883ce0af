"""A power cut at any operation: no record that was called durable is lost, and the run can always go on."""

from collections.abc import Callable, Iterator

import pytest
from crc32c import crc32c
from tests.storage.crash_states import Disk, MemoryFiles, Walked
from tests.storage.recording import Operation, RecordingFiles
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

from nightturn.model.records import Tick
from nightturn.model.rows import ChunkPlan
from nightturn.storage import paths, tree
from nightturn.storage.chunk import encode
from nightturn.storage.journal import Journal
from nightturn.storage.recovery import recover
from nightturn.storage.segment import read_segment

SAMPLES = 300
ROUNDS = 2
PIECES = 8
"""Into which what a file was given since its last sync is cut."""


def recorded_night() -> tuple[list[Operation], list[tuple[int, int]], dict[int, ChunkPlan]]:
    """Operations of two sealed segments and a third begun; (operations so far, durable record); plans by first."""
    files = RecordingFiles(MemoryFiles())
    journal = Journal(files, FIXTURE, FixedClock(), new_id=iter(range(1, 9)).__next__)
    promises: list[tuple[int, int]] = []
    plans: dict[int, ChunkPlan] = {}

    def sync() -> None:
        record_no = journal.sync().record_no
        promises.append((len(files.operations), record_no))

    journal.open(1, RUN, 1, b"state")
    for number in range(1, ROUNDS + 1):
        first = read_segment(files.read(journal.path)).first_record_no
        frames = block_frames(*bench_signal(SAMPLES, seed=number), first_index=number * SAMPLES)
        journal.write(frames[:1])
        sync()
        last = journal.write([*frames[1:], cut()])
        finished = journal.rotate(b"state", RUN, 1)
        plans[first] = plan_for(first, last, SAMPLES, chunk_no=number)
        if number == 1:
            journal.write([Tick(1, 1)])
            sync()
        journal.seal(finished, plans[first], rows_of_every_dataset() if number == 1 else [])
    journal.write([Tick(2, 2)])
    sync()
    journal.write([Tick(3, 3)])
    return files.operations, promises, plans


def promised(promises: list[tuple[int, int]], done: int) -> int:
    return max((record_no for at, record_no in promises if at <= done), default=0)


def records_found(files: MemoryFiles) -> set[int]:
    """Every record that a whole chunk covers or an unsealed segment holds."""
    found: set[int] = set()
    folder = tree.run_folder(files, paths.RAW, FIXTURE, RUN)
    for path, name in tree.chunks(files, folder.path) if folder is not None else ():
        if crc32c(files.read(path)) == name.crc:
            found.update(range(name.first, name.last + 1))
    for leftover in recover(files, FIXTURE).leftovers:
        found.update(range(leftover.segment.first_record_no, leftover.segment.last_record_no + 1))
    return found


def losses(operations: list[Operation], promises: list[tuple[int, int]], pieces: int = 2) -> Iterator[str]:
    """Of all states that a power cut may leave those that lose a promised record or the run's state."""
    disk = Disk()
    for done in range(len(operations) + 1):
        if done:
            disk.apply(operations[done - 1])
        durable = promised(promises, done)
        for how, files in disk.after_a_power_cut(pieces):
            found = records_found(files)
            recovery = recover(files, FIXTURE)
            whole = set(range(1, durable + 1)) <= found
            goes_on = not durable or any(list(left.segment.snapshots()) for left in recovery.leftovers)
            if not whole or not goes_on or recovery.next_record_no <= durable:
                yield f"after {done} operations ({operations[done - 1].name}): {how}"


def test_no_power_cut_loses_a_record_that_was_called_durable() -> None:
    operations, promises, _ = recorded_night()
    before = Walked.states

    assert list(losses(operations, promises, PIECES)) == []
    assert Walked.states - before > 1000
    assert [record_no for _, record_no in promises] == [1, 5, 6, 10]


def test_what_is_left_seals_to_the_same_chunks() -> None:
    operations, _, plans = recorded_night()
    expected = {}
    whole = Disk()
    for operation in operations:
        whole.apply(operation)
        for path, body in whole.names.items():
            if path.endswith(".ntj"):
                segment = read_segment(body.content)
                plan = plans.get(segment.first_record_no)
                if plan is not None and segment.last_record_no == plan.last:
                    expected[plan.first] = encode(segment, plan)
    disk, compared = Disk(), 0
    for operation in operations:
        disk.apply(operation)
        for _, files in disk.after_a_power_cut():
            for leftover in recover(files, FIXTURE).leftovers:
                plan = plans.get(leftover.segment.first_record_no)
                if plan is not None and leftover.segment.last_record_no == plan.last:
                    assert encode(leftover.segment, plan).equals(expected[plan.first])
                    compared += 1

    assert compared > 50


def sync_of_a_temporary(operation: Operation) -> bool:
    return operation.name == "sync" and operation.path.endswith(".tmp")


def sync_of_the_tape(operation: Operation) -> bool:
    return operation.name == "sync" and operation.path.endswith(".ntj")


def sync_of_the_journal_folder(operation: Operation) -> bool:
    return operation.name == "sync_dir" and operation.path == f"journal/{FIXTURE}"


def sync_of_the_chunk_folder(operation: Operation) -> bool:
    return operation.name == "sync_dir" and operation.path.startswith("raw/")


@pytest.mark.parametrize(
    "left_out", [sync_of_a_temporary, sync_of_the_tape, sync_of_the_journal_folder, sync_of_the_chunk_folder]
)
def test_leaving_out_any_sync_is_noticed(left_out: Callable[[Operation], bool]) -> None:
    # The check of the check: each sync is needed, so without it some state must lose something.
    operations, promises, _ = recorded_night()
    kept = [operation for operation in operations if not left_out(operation)]
    moved = [
        (sum(not left_out(operation) for operation in operations[:at]), record) for at, record in promises
    ]

    assert any(losses(kept, moved))
