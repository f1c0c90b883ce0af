"""Recovery in the model of power cuts: it may die at any operation, a start may fail in between, and the run goes on."""

import dataclasses
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import msgspec
import pytest
from tests.bench.failing_files import FailingFiles
from tests.bench.test_recovery import killed, play
from tests.simulation.scene import Scene, checked, settings_of
from tests.storage.crash_states import Disk, MemoryFiles
from tests.storage.recording import Operation, RecordingFiles
from tests.storage.scenario import FixedClock

from nightturn.bench.ledger import Ledger
from nightturn.bench.recovery import DAMAGED, recover
from nightturn.bench.runs import Beginning
from nightturn.errors import CorruptFileError
from nightturn.model import facts
from nightturn.model.facts import RunOpened
from nightturn.storage.journal import Journal
from nightturn.storage.manifest import read_manifest
from nightturn.world import Files

FIXTURE = "pan-a1"
END = Callable[[Scene], None] | None


def stopped(scene: Scene) -> None:
    scene.station.command("stop", "R. Vale")
    killed(scene)


def unsealing(files: Files) -> Files:
    """No seal succeeds, so that more than one segment is left."""
    failing = FailingFiles(files)
    failing.fails = lambda operation, path: operation == "append" and path.startswith("raw/")
    return failing


@cache
def left_by(end: END, *, unsealed: bool = False, travel_why: str = "") -> tuple[dict[str, bytes], RunOpened]:
    """What a daemon leaves that was turning the shaft, and its run."""
    with TemporaryDirectory() as folder:
        root = Path(folder)
        settings = settings_of(chunk_s=10.0) if unsealed else settings_of()
        wrap: Callable[[Files], Files] = unsealing if unsealed else (lambda files: files)
        begins = (
            Beginning(first_record_no=1, travel_unknown=True, travel_why=travel_why) if travel_why else None
        )
        seconds = 16.0 if unsealed else 13.0
        scene = play(root, end, seconds, settings=settings, wrap_files=wrap, beginning=begins)
        opened = scene.station.core.state.run.opened
        assert opened is not None
        assert (scene.count("motion_started") == 1) is not bool(travel_why) or end is stopped
        files = (path for path in root.rglob("*") if path.is_file() and path.suffix != ".toml")
        return {str(path.relative_to(root)): path.read_bytes() for path in files}, opened


def recovered(files: Files) -> Beginning:
    """A start that gets no further than recovery."""
    return recover(files, Journal(files, FIXTURE, FixedClock()), FIXTURE).beginning


def go_on(files: Files, opened: RunOpened, beginning: Beginning) -> None:
    """The first things that a station does, up to its first durable record."""
    resumed = msgspec.structs.replace(
        opened,
        first_record_no=beginning.first_record_no,
        epoch=beginning.epoch,
        chunk_no=beginning.chunk_no,
        resumed=True,
        travel_zero=beginning.travel_zero,
        cycle_no=beginning.cycle_no,
        cycles_done=beginning.cycles_done,
        boot_id=beginning.boot_id,
        left=beginning.left,
        locks=beginning.locks,
        travel_unknown=beginning.travel_unknown,
        travel_why=beginning.travel_why,
        seen=beginning.seen,
        guard_seen_open=beginning.guard_seen_open,
    )
    Ledger(files, FIXTURE, resumed).begin()
    journal = Journal(files, FIXTURE, FixedClock())
    journal.reopen(beginning.segment)
    journal.write([facts.host(0, facts.RUN_OPENED, resumed)])
    journal.sync()


def states(
    content: dict[str, bytes], operations: list[Operation], first: int = 0
) -> Iterator[tuple[str, MemoryFiles]]:
    """Every state, once, that the death of the power or of the process may leave after any number of operations from `first` on."""
    disk = Disk.holding(content)
    seen: set[int] = set()
    for done in range(len(operations) + 1):
        if done:
            disk.apply(operations[done - 1])
        if done < first:
            continue
        where = f"after {done} operations ({operations[done - 1].name} {operations[done - 1].path})"
        found = [("the process died", disk.after_a_process_died()), *disk.after_a_power_cut()]
        for how, files in found:
            key = hash(frozenset(files.content.items()))
            if key not in seen:
                seen.add(key)
                yield f"{where}: {how}", files


def identity(beginning: Beginning) -> tuple[object, ...]:
    """What a run is and where its shaft is."""
    return (
        beginning.run,
        beginning.started_utc_ns,
        beginning.travel_zero,
        beginning.travel_unknown,
        beginning.cycle_no,
        beginning.cycles_done,
        beginning.lost,
        beginning.boot_id,
        beginning.left,
        beginning.locks,
        beginning.guard_seen_open,
        beginning.travel_why,
        beginning.seen,
    )


LEFT = [
    # what it leaves is part of what the last one leaves
    pytest.param(killed, False, id="killed", marks=pytest.mark.long),
    pytest.param(None, False, id="closed"),
    pytest.param(killed, True, id="killed with segments that were not sealed"),
]


@pytest.mark.parametrize(("end", "unsealed"), LEFT)
def test_a_recovery_that_dies_anywhere_changes_nothing_about_the_run(end: END, unsealed: bool) -> None:
    content, opened = left_by(end, unsealed=unsealed)
    log = RecordingFiles(MemoryFiles(content))
    undisturbed = recovered(log)
    assert undisturbed.run == opened.run
    count = 0
    for how, files in states(content, log.operations):
        first = recovered(files)  # a start that fails
        again = recovered(files)
        for found in (first, again):
            assert dataclasses.replace(found, segment="") == dataclasses.replace(undisturbed, segment=""), how
        assert first.segment == again.segment, how
        count += 1
    assert count > 20


def test_a_recovery_that_mends_a_damaged_tape_may_die_anywhere_too() -> None:
    content, opened = left_by(killed)
    (path,) = (name for name in content if name.endswith(".ntj"))
    flipped = bytearray(content[path])
    flipped[len(flipped) // 2] ^= 1
    content = {**content, path: bytes(flipped)}
    log = RecordingFiles(MemoryFiles(content))
    undisturbed = recovered(log)
    assert (undisturbed.run, undisturbed.travel_unknown) == (opened.run, True)
    for how, files in states(content, log.operations):
        first = recovered(files)
        assert dataclasses.replace(first, segment="") == dataclasses.replace(undisturbed, segment=""), how
        (aside,) = (name for name in files.content if name.endswith(".damaged"))
        assert files.content[aside] in bytes(flipped), how
        assert first == recovered(files), how


def test_an_ended_run_whose_tape_is_damaged_leaves_that_reason_to_the_next_one() -> None:
    content, opened = left_by(stopped)
    (path,) = (name for name in content if name.endswith(".ntj"))
    flipped = bytearray(content[path])
    flipped[len(flipped) // 2] ^= 1
    files = MemoryFiles({**content, path: bytes(flipped)})
    for beginning in (recovered(files), recovered(files)):  # from its tape, then from its manifest
        assert beginning.run == ""
        (damaged,) = [lock for lock in beginning.locks if lock.text == DAMAGED]
        assert damaged.ts > opened.started_utc_ns
        assert beginning.before is not None
        assert beginning.before.unknown == f"unknown: {DAMAGED}"


@pytest.mark.parametrize("travel_why", ["", "unknown since 2026-05-04 03:12:00 +00:00 (power was lost)"])
def test_a_start_that_dies_after_recovery_changes_nothing_about_the_run(travel_why: str) -> None:
    content, opened = left_by(killed, travel_why=travel_why)
    files = RecordingFiles(MemoryFiles(content))
    undisturbed = recovered(files)
    assert undisturbed.travel_why == travel_why
    assert undisturbed.guard_seen_open
    assert undisturbed.seen is not None
    base = dict(files.inner.content)  # type: ignore[attr-defined]  # the memory made above
    log = RecordingFiles(MemoryFiles(base))
    go_on(log, opened, undisturbed)
    for how, found in states(base, log.operations):
        first = recovered(found)
        assert identity(first) == identity(undisturbed), how
        assert first.first_record_no >= undisturbed.first_record_no, how
        go_on(found, opened, first)
        assert identity(recovered(found)) == identity(undisturbed), how


def test_an_ended_run_stays_ended_wherever_its_recovery_dies() -> None:
    content, opened = left_by(stopped)
    log = RecordingFiles(MemoryFiles(content))
    undisturbed = recovered(log)
    assert undisturbed.run == ""
    for how, files in states(content, log.operations):
        assert recovered(files) == recovered(files) == undisturbed, how
        manifest = read_manifest(files, FIXTURE, opened.run)
        assert (manifest.run, manifest.state) == (opened.run, "ended"), how


def test_whatever_a_dying_recovery_leaves_is_whole_after_the_next(tmp_path: Path) -> None:
    content, _ = left_by(killed, unsealed=True)
    log = RecordingFiles(MemoryFiles(content))
    recovered(log)
    disk = Disk.holding(content)
    for number, operation in enumerate(log.operations):
        disk.apply(operation)
        files = disk.after_a_process_died()
        recovered(files)
        root = tmp_path / f"{number}"
        for name, whole in files.content.items():
            path = root / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(whole)
        (report,) = checked(root)
        assert report.stored == report.produced > 5000


@pytest.mark.parametrize("left_out", ["sync", "sync_dir"])
def test_a_recovery_that_did_not_make_the_next_segment_durable_would_be_noticed(left_out: str) -> None:
    # The check of the check: without the sync of the next segment or of its name some state loses the run's place.
    content, _ = left_by(killed)
    log = RecordingFiles(MemoryFiles(content))
    undisturbed = recovered(log)
    careless = [
        operation
        for operation in log.operations
        if operation.name != left_out or not operation.path.startswith("journal/")
    ]
    goes = next(
        at for at, each in enumerate(careless) if (each.name, each.path[:8]) == ("replace", "journal/")
    )
    found = (
        recovered(files) for _, files in states(content, careless, goes)
    )  # the segment before it goes there
    assert any(identity(each) != identity(undisturbed) for each in found)


def manifest_holds(files: MemoryFiles, run: str) -> bool:
    """Whether the manifest of a run that was stopped is whole, and says so unless the tape that does still waits."""
    try:
        manifest = read_manifest(files, FIXTURE, run)
    except CorruptFileError:
        return False
    waits = any(name.endswith(".ntj") for name in files.list(f"journal/{FIXTURE}"))
    return waits or manifest.state == "ended"


@pytest.mark.parametrize("left_out", ["nothing", "sync", "sync_dir"])
def test_a_manifest_is_whole_in_every_state_and_says_the_end_before_its_tape_has_gone(left_out: str) -> None:
    """Without the sync of its content or of its name that would not be so, and is noticed."""
    content, opened = left_by(stopped)
    log = RecordingFiles(MemoryFiles(content))
    recovered(log)
    careless = [
        operation
        for operation in log.operations
        if operation.name != left_out or not operation.path.startswith("runs/")
    ]
    held = all(manifest_holds(files, opened.run) for _, files in states(content, careless))
    assert held is (left_out == "nothing")
