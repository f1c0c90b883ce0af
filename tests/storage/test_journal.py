"""The journal: one write per batch, durable when it says so, good after any write error, sealed in order."""

import errno
import itertools
import os
import queue
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import msgspec
import pyarrow.parquet as pq
import pytest
from tests.storage.failing import opened_journal, written_chunk
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

from nightturn.errors import StorageError
from nightturn.model.facts import Synced
from nightturn.model.records import Tick
from nightturn.model.rows import ChunkPlan
from nightturn.storage import journal as journal_module
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.files import RealFiles
from nightturn.storage.journal import Journal
from nightturn.storage.recovery import recover
from nightturn.storage.segment import read_segment


def test_a_batch_is_one_append_and_numbers_go_on(tmp_path: Path) -> None:
    files, journal = opened_journal(tmp_path)

    assert journal.write([Tick(1, 1), Tick(2, 2)]) == 2
    assert journal.write([Tick(3, 3)]) == 3
    assert journal.write([]) == 3
    assert [operation.name for operation in files.operations] == ["append"] * 3
    assert read_segment(files.read(journal.path)).last_record_no == 3


def test_sync_says_how_far_the_tape_is_durable(tmp_path: Path) -> None:
    files, journal = opened_journal(tmp_path)
    journal.write([Tick(1, 1)])

    assert journal.sync() == Synced(1, FixedClock().utc)
    assert [(o.name, o.path) for o in files.operations[-2:]] == [
        ("sync", journal.path),
        ("sync_dir", f"journal/{FIXTURE}"),
    ]


def test_a_sync_has_room_kept_for_what_comes_next_and_asks_again_when_half_of_it_is_used(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(journal_module, "AHEAD_BYTES", 1000)
    asked = list[int]()
    files, journal = opened_journal(tmp_path)
    monkeypatch.setattr(files, "reserve", lambda _path, size: asked.append(size))
    for number in range(200):
        journal.write([Tick(number, number)])
        assert not journal.sync().low
    size = len(files.read(journal.path))
    assert len(asked) > 4
    assert all(500 <= later - before < 600 for before, later in itertools.pairwise(asked))
    assert size + 500 <= asked[-1] <= size + 1000


def test_a_disk_that_keeps_no_room_is_named_with_the_sync_that_succeeded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    files, journal = opened_journal(tmp_path)
    journal.write([Tick(1, 1)])
    with monkeypatch.context() as quota:
        quota.setattr(files, "reserve", over_quota)
        synced = journal.sync()
        assert (synced.record_no, synced.low) == (1, True)
        assert synced.short == "the disk keeps no room for the next 4 MB of tape: Disk quota exceeded"
    assert journal.sync() == Synced(1, FixedClock().utc)


def over_quota(path: str, _size: int) -> None:
    raise OSError(errno.EDQUOT, os.strerror(errno.EDQUOT), path)


def test_a_sync_after_a_rotation_first_makes_the_finished_segment_durable(tmp_path: Path) -> None:
    files, journal = opened_journal(tmp_path)
    journal.write([Tick(1, 1), cut()])
    finished = journal.rotate(b"next", RUN, 1)
    files.operations.clear()
    journal.write([Tick(2, 2)])

    assert journal.sync().record_no == 3
    assert [o.path for o in files.operations if o.name == "sync"] == [finished, journal.path]


@pytest.mark.parametrize("written", [0, 1, 30, 500])
def test_a_short_write_on_a_full_disk_costs_the_batch_and_nothing_before_it(
    tmp_path: Path, written: int
) -> None:
    files, journal = opened_journal(tmp_path)
    frames = block_frames(*bench_signal(500))
    journal.write(frames[:2])
    files.fails["append"] = written
    with pytest.raises(StorageError, match="No space left"):
        journal.write(frames[2:])
    files.fails.clear()

    assert journal.next_record_no == 3
    assert journal.write(frames[2:3]) == 3
    segment = read_segment(files.read(journal.path))
    assert [record for _, record in segment.records()] == frames[:3]
    assert segment.dropped_bytes == 0


def test_a_tape_that_could_not_be_cut_back_is_cut_back_before_the_next_write(tmp_path: Path) -> None:
    files, journal = opened_journal(tmp_path)
    files.fails = {"append": 17, "truncate": 0}
    with pytest.raises(StorageError, match="cut back"):
        journal.write([Tick(1, 1)])
    del files.fails["append"]
    with pytest.raises(StorageError, match="cut back"):
        journal.write([Tick(1, 1)])
    files.fails.clear()
    journal.write([Tick(1, 1)])

    segment = read_segment(files.read(journal.path))
    assert (segment.last_record_no, segment.dropped_bytes) == (1, 0)


def test_a_failed_sync_is_not_forgotten_by_a_later_one_that_succeeds(tmp_path: Path) -> None:
    # From memory of Linux: the pages of a failed write-back are marked clean, so a later fsync succeeds without them.
    # Durable again only once the segment's chunk is.
    files, journal = opened_journal(tmp_path)
    path_before = journal.path
    files.fails["sync"] = 0
    journal.write([Tick(1, 1)])
    with pytest.raises(StorageError, match="Input/output error"):
        journal.sync()
    files.fails.clear()
    with pytest.raises(StorageError, match="earlier sync failed"):
        journal.sync()

    journal.write([cut()])
    journal.rotate(b"next", RUN, 1)
    with pytest.raises(StorageError, match="earlier sync failed"):
        journal.sync()
    journal.seal(path_before, plan_for(1, 2, 0), [])
    assert journal.sync().record_no == 2


def test_sync_and_seal_run_beside_writes_and_rotations(tmp_path: Path) -> None:
    journal = Journal(RealFiles(tmp_path), FIXTURE, FixedClock(), catalogue=Catalogue(tmp_path))
    journal.open(1, RUN, 1, b"")
    durable: list[int] = []
    over = threading.Event()
    finished: queue.SimpleQueue[tuple[str, ChunkPlan] | None] = queue.SimpleQueue()

    def sync_all_the_time() -> None:
        while not over.is_set():
            durable.append(journal.sync().record_no)

    def seal_what_is_finished() -> None:
        for number, (path, plan) in enumerate(iter(finished.get, None), 1):
            journal.seal(path, msgspec.structs.replace(plan, chunk_no=number), [])

    with ThreadPoolExecutor(2) as pool:
        jobs = [pool.submit(sync_all_the_time), pool.submit(seal_what_is_finished)]
        for _ in range(20):
            finished.put(written_chunk(journal, 200))
        finished.put(None)
        jobs[1].result(timeout=60)
        over.set()
        jobs[0].result(timeout=60)

    assert durable == sorted(durable)
    assert journal.sync().record_no == 60
    files = RealFiles(tmp_path)
    assert len(files.list(f"journal/{FIXTURE}/sealed")) == 20
    assert [left.path for left in recover(files, FIXTURE).leftovers] == [journal.path]


def test_rotating_without_a_cut_is_refused(tmp_path: Path) -> None:
    _, journal = opened_journal(tmp_path)
    journal.write([Tick(1, 1)])
    with pytest.raises(StorageError, match="ends with a cut"):
        journal.rotate(b"next", RUN, 1)


def test_a_rotation_that_fails_leaves_the_segment_open(tmp_path: Path) -> None:
    files, journal = opened_journal(tmp_path)
    journal.write([cut()])
    before = journal.path
    files.fails["append"] = 20
    with pytest.raises(StorageError, match="No space left"):
        journal.rotate(b"next", RUN, 1)
    files.fails.clear()

    assert journal.path == before
    assert files.list(f"journal/{FIXTURE}") == [Path(before).name]
    journal.rotate(b"next", RUN, 1)
    assert journal.path != before


def test_sealing_keeps_the_order_that_survives_a_crash(tmp_path: Path) -> None:
    files, journal = opened_journal(tmp_path)
    path, plan = written_chunk(journal)
    files.operations.clear()
    journal.seal(path, plan, rows_of_every_dataset())
    operations = files.operations
    chunks = [o for o in operations if o.name == "replace" and o.target.endswith(".parquet")]

    for chunk in chunks:
        at = operations.index(chunk)
        folder = chunk.target.rpartition("/")[0]
        assert chunk.source_folder == folder
        assert [(o.name, o.path) for o in operations[at - 2 : at + 2]] == [
            ("append", chunk.path),
            ("sync", chunk.path),
            ("replace", chunk.path),
            ("sync_dir", folder),
        ]
    assert chunks[-1].target.startswith("raw/")
    sealed = path.replace(f"/{FIXTURE}/", f"/{FIXTURE}/sealed/")
    folder, _, name = sealed.rpartition("/")
    assert [(o.name, o.path) for o in operations[-8:]] == [
        ("sync", path),
        ("replace", path),
        ("sync_dir", folder),
        ("sync_dir", f"journal/{FIXTURE}"),
        ("append", f"{folder}/.{name}.tmp"),
        ("sync", f"{folder}/.{name}.tmp"),
        ("replace", f"{folder}/.{name}.tmp"),
        ("sync_dir", folder),
    ]
    assert (operations[-7].target, operations[-2].target) == (sealed, sealed)


def test_names_carry_number_coverage_and_checksum(tmp_path: Path) -> None:
    _, journal = opened_journal(tmp_path)
    path, plan = written_chunk(journal)
    sealed = journal.seal(path, plan, [])
    raw = sealed.chunks[-1]

    assert raw.path.startswith(
        f"raw/fixture={FIXTURE}/date=2026-11-25/run={RUN}/c000001-000000000001-000000000021-"
    )
    assert pq.read_table(tmp_path / raw.path, partitioning=None).num_rows == 2000


def test_sealing_twice_leaves_one_chunk(tmp_path: Path) -> None:
    files, journal = opened_journal(tmp_path)
    path, plan = written_chunk(journal)
    files.fails["replace"] = 0
    with pytest.raises(StorageError, match="cannot be sealed"):
        journal.seal(path, plan, [])
    files.fails.clear()
    first = journal.seal(path, plan, [])

    folder = first.chunks[-1].path.rpartition("/")[0]
    assert files.list(folder) == [first.chunks[-1].path.rpartition("/")[2]]
    assert files.list(f"journal/{FIXTURE}/sealed") == [Path(path).name]


def test_a_stale_chunk_of_the_same_records_is_replaced(tmp_path: Path) -> None:
    files, journal = opened_journal(tmp_path)
    path, plan = written_chunk(journal)
    folder = f"raw/fixture={FIXTURE}/date=2026-11-25/run={RUN}"
    files.append(
        f"{folder}/c000001-000000000001-000000000021-00000000.parquet", b"written by an older library"
    )
    sealed = journal.seal(path, plan, [])

    assert files.list(folder) == [sealed.chunks[-1].path.rpartition("/")[2]]


def test_a_segment_being_written_is_not_sealed(tmp_path: Path) -> None:
    _, journal = opened_journal(tmp_path)
    with pytest.raises(StorageError, match="still being written"):
        journal.seal(journal.path, plan_for(1, 1, 0), [])


@pytest.mark.parametrize("plan", [plan_for(2, 21, 1900), plan_for(1, 20, 2000)])
def test_a_segment_whose_records_the_plan_does_not_cover_stays(tmp_path: Path, plan: ChunkPlan) -> None:
    _, journal = opened_journal(tmp_path)
    path, _ = written_chunk(journal)
    with pytest.raises(StorageError, match="the segment holds 1 to 21"):
        journal.seal(path, plan, [])

    assert (tmp_path / path).exists()


def test_a_segment_that_went_on_past_a_failed_rotation_gives_two_chunks(tmp_path: Path) -> None:
    files, journal = opened_journal(tmp_path)
    raw, encoder = bench_signal(400)
    frames = block_frames(raw, encoder)
    earlier = plan_for(1, journal.write([*frames[:2], cut()]), 200, chunk_no=1)
    files.fails["append"] = 0
    with pytest.raises(StorageError, match="No space left"):
        journal.rotate(b"state", RUN, 1)
    files.fails.clear()
    later = plan_for(4, journal.write([*frames[2:], cut()]), 200, chunk_no=2)
    path = journal.rotate(b"state", RUN, 1)
    with pytest.raises(StorageError, match="holds 1 to 6"):
        journal.seal(path, later, [])
    sealed = journal.seal(path, later, [], earlier=[earlier])

    raw_chunks = [chunk for chunk in sealed.chunks if chunk.dataset == "raw"]
    assert [(chunk.plan.first, chunk.plan.last, chunk.rows) for chunk in raw_chunks] == [
        (1, 3, 200),
        (4, 6, 200),
    ]
    files.replace(path.replace(f"/{FIXTURE}/", f"/{FIXTURE}/sealed/"), path)
    assert len(recover(files, FIXTURE).moved) == 1


def test_the_catalogue_learns_of_a_sealed_segment_and_is_rebuilt_alike(tmp_path: Path) -> None:
    catalogue = Catalogue(tmp_path)
    journal = Journal(RealFiles(tmp_path), FIXTURE, FixedClock(), catalogue=catalogue)
    journal.open(1, RUN, 1, b"")
    path, plan = written_chunk(journal)
    journal.seal(path, plan, rows_of_every_dataset())
    chunks = {d: catalogue.chunks(FIXTURE, RUN, d) for d in ("raw", "cycles", "gaps", "summary1s")}
    segments = catalogue.segments()
    (tmp_path / "catalogue.sqlite").unlink()
    rebuilt = Catalogue(tmp_path)
    rebuilt.rebuild()

    assert [len(found) for found in chunks.values()] == [1, 1, 1, 1]
    assert {d: rebuilt.chunks(FIXTURE, RUN, d) for d in chunks} == chunks
    assert rebuilt.segments() == segments


@pytest.mark.parametrize("fixture", ["../x", "a/b", "", "host", "A1", "pan-a1/../.."])
def test_a_fixture_that_is_no_folder_name_is_refused(tmp_path: Path, fixture: str) -> None:
    with pytest.raises(StorageError):
        Journal(RealFiles(tmp_path), fixture, FixedClock())
