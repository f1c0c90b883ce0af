"""Joining the small files of a run changes no answer, survives a death at any moment, and hides no damage."""

import itertools
import shutil
from collections.abc import Iterator
from pathlib import Path

import duckdb
import msgspec
import pandas as pd
import polars as pl
import pytest
from pandas.testing import assert_frame_equal
from tests.storage.crash_states import Disk
from tests.storage.damages import KINDS, OTHER_RUN, Roots, recorded
from tests.storage.recording import Operation, RecordingFiles
from tests.storage.scenario import FIXTURE, RUN, STARTED_NS, rows_of_every_dataset
from tests.storage.store import full_night, manifest

from nightturn.model.rows import EVENTS, GAPS
from nightturn.replay.stored import stored_rows
from nightturn.storage import joining, paths, tree
from nightturn.storage.files import RealFiles
from nightturn.storage.joining import join_ended, join_run
from nightturn.storage.manifest import write_manifest
from nightturn.storage.reader import Run
from nightturn.storage.runs import list_runs
from nightturn.storage.verify import verify

SMALL = tree.DATASETS[1:]
SOME = (GAPS, EVENTS, "clock", "summary1s")


def frames(root: Path) -> dict[str, pd.DataFrame]:
    """Everything that a reader is given, raw samples aside."""
    run = Run(root, FIXTURE, RUN)
    return {dataset: run.frame(dataset) for dataset in SMALL}


def same(one: dict[str, pd.DataFrame], other: dict[str, pd.DataFrame]) -> bool:
    for dataset in SMALL:
        assert_frame_equal(one[dataset], other[dataset])
    return True


def small_files(root: Path) -> dict[str, list[str]]:
    return {dataset: [path.name for path in sorted((root / dataset).rglob("*.parquet"))] for dataset in SMALL}


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("whole") / "nights"
    night = full_night(root)
    night.add_chunk(rows=[row for row in rows_of_every_dataset() if row.dataset != GAPS])
    night.files.close()
    return root


@pytest.fixture
def root(whole: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(whole, tmp_path / "nights"))


def test_each_small_dataset_becomes_one_file_and_every_answer_stays(root: Path) -> None:
    before, listed = frames(root), list_runs(root)
    names = small_files(root)
    assert all(len(each) > 1 for each in names.values())
    made, gone = join_run(root, RealFiles(root), FIXTURE, RUN)
    assert (made, gone) == (len(SMALL), sum(map(len, names.values())))
    assert all(len(each) == 1 for each in small_files(root).values())
    assert same(frames(root), before)
    assert list_runs(root) == listed
    report = verify(root, "all")
    assert report.ok, [problem for run in report.runs for problem in run.problems]
    assert join_run(root, RealFiles(root), FIXTURE, RUN) == (0, 0)


def test_who_listed_files_before_they_were_joined_has_each_row_once(root: Path) -> None:
    run = Run(root, FIXTURE, RUN)
    listed = {dataset: run.chunks(dataset) for dataset in SMALL}
    before = {dataset: [each.read().to_pylist() for each in run.chunks(dataset)] for dataset in SMALL}
    join_run(root, RealFiles(root), FIXTURE, RUN)
    assert {
        dataset: [each.read().to_pylist() for each in files] for dataset, files in listed.items()
    } == before
    assert {dataset: [each.rows for each in files] for dataset, files in listed.items()} == {
        dataset: [len(rows) for rows in tables] for dataset, tables in before.items()
    }


def test_chunks_that_come_later_are_joined_with_what_was_joined(tmp_path: Path) -> None:
    """A seal that failed before is tried again by the next start, behind the end of the run."""
    root = tmp_path / "nights"
    night = full_night(root)
    join_run(root, RealFiles(root), FIXTURE, RUN)
    night.add_chunk(rows=[row for row in rows_of_every_dataset() if row.dataset != GAPS])
    night.files.close()
    before = frames(root)
    join_run(root, RealFiles(root), FIXTURE, RUN)
    assert all(len(each) <= 1 for each in small_files(root).values())
    assert same(frames(root), before)
    assert verify(root, "all").ok


def test_readers_of_others_read_the_joined_files(root: Path) -> None:
    before = frames(root)
    join_run(root, RealFiles(root), FIXTURE, RUN)
    for dataset in SMALL:
        (path,) = sorted((root / dataset).rglob("*.parquet"))
        rows = len(before[dataset])
        with duckdb.connect(":memory:", config={"autoinstall_known_extensions": "false"}) as connection:
            query = f"select count(*) from read_parquet('{path}', hive_partitioning=false)"
            assert connection.execute(query).fetchone() == (rows,)
        assert pl.read_parquet(path, hive_partitioning=False).height == rows
        assert len(pd.read_parquet(path, partitioning=None)) == rows


def test_the_rows_of_some_records_are_those_of_their_chunks(root: Path) -> None:
    """A tape of which the older part is cleared is compared with as much of what was stored."""
    raw = [each.name for each in Run(root, FIXTURE, RUN).chunks(paths.RAW)]
    spans = [(one.first, other.last) for one, other in itertools.combinations_with_replacement(raw, 2)]
    before = [stored_rows(root, FIXTURE, RUN, *span) for span in spans]
    join_run(root, RealFiles(root), FIXTURE, RUN)
    assert [stored_rows(root, FIXTURE, RUN, *span) for span in spans] == before
    assert len({len(rows.events) for rows in before}) > 1


def test_a_file_that_cannot_be_read_keeps_its_dataset_as_it_is(root: Path) -> None:
    harmed = sorted((root / EVENTS).rglob("*.parquet"))[1]
    harmed.write_bytes(harmed.read_bytes()[:-9])
    before = small_files(root)
    join_run(root, RealFiles(root), FIXTURE, RUN)
    after = small_files(root)
    assert after[EVENTS] == before[EVENTS]
    assert all(len(after[dataset]) == 1 for dataset in SMALL if dataset != EVENTS)
    assert {problem.path for run in verify(root, "all").runs for problem in run.problems} >= {
        harmed.relative_to(root).as_posix()
    }


def test_more_rows_than_one_file_takes_become_several(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = frames(root)
    monkeypatch.setattr(joining, "ROWS_MAX", len(before["summary1s"]) // 2)
    join_run(root, RealFiles(root), FIXTURE, RUN)
    assert len(small_files(root)["summary1s"]) > 1
    assert same(frames(root), before)
    assert verify(root, "all").ok


@pytest.fixture(scope="module")
def joined(tmp_path_factory: pytest.TempPathFactory) -> Roots:
    """Two roots whose runs are joined, and in order."""
    folder = tmp_path_factory.mktemp("joined")
    roots = Roots(recorded(folder / "nights"), recorded(folder / "other", OTHER_RUN, "Q-0999"))
    for place, run in ((roots.root, RUN), (roots.other, OTHER_RUN)):
        join_run(place, RealFiles(place), FIXTURE, run)
    assert verify(roots.root, "all").ok
    return roots


@pytest.mark.parametrize(
    ("what", "kind"),
    list(itertools.product((GAPS, EVENTS, "cycles"), KINDS)),
)
def test_damage_of_a_joined_file_is_named(joined: Roots, tmp_path: Path, what: str, kind: str) -> None:
    roots = Roots(Path(shutil.copytree(joined.root, tmp_path / "nights")), joined.other)
    folder = roots.spoil(what, kind).relative_to(roots.root).parent.as_posix()
    named = [problem.path for run in verify(roots.root, "all").runs for problem in run.problems]
    assert any(path.startswith(folder) for path in named), named


def ended(root: Path, *, state: str = "ended") -> None:
    write_manifest(
        RealFiles(root), msgspec.structs.replace(manifest(), state=state, ended_utc_ns=STARTED_NS + 10**10)
    )


def test_only_a_run_that_has_ended_and_is_sealed_is_touched(root: Path) -> None:
    before = small_files(root)
    tape = next((root / "journal" / FIXTURE).glob("*.ntj"))
    assert join_ended(root, RealFiles(root)).made == 0
    ended(root)
    assert join_ended(root, RealFiles(root)).made == 0  # tape of it waits to be sealed
    assert small_files(root) == before
    tape.unlink()
    ended(root, state="running")
    assert join_ended(root, RealFiles(root)).made == 0
    ended(root)
    joined = join_ended(root, RealFiles(root))
    assert (joined.runs, joined.made) == (1, len(SMALL))
    assert join_ended(root, RealFiles(root)).runs == 0


def materialised(content: dict[str, bytes], root: Path) -> Path:
    for name, body in content.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_bytes(body)
    return root


def states(content: dict[str, bytes], operations: list[Operation]) -> Iterator[dict[str, bytes]]:
    """Every state, once, that the death of the power or of the process may leave after any number of operations."""
    disk, seen = Disk.holding(content), set[int]()
    for done in range(len(operations) + 1):
        if done:
            disk.apply(operations[done - 1])
        for files in (disk.after_a_process_died(), *(files for _, files in disk.after_a_power_cut())):
            key = hash(frozenset(files.content.items()))
            if key not in seen:
                seen.add(key)
                yield files.content


def operations_of(root: Path) -> tuple[dict[str, bytes], list[Operation]]:
    """What lay there, and what joining some of its datasets did."""
    for dataset in SMALL:
        if dataset not in SOME:
            shutil.rmtree(root / dataset)
    content = {
        path.relative_to(root).as_posix(): path.read_bytes()
        for path in root.rglob("*.parquet")
        if path.relative_to(root).parts[0] in SOME
    }
    log = RecordingFiles(RealFiles(root))
    assert join_run(root, log, FIXTURE, RUN)[0] == len(SOME)
    return content, log.operations


def rows_left(root: Path) -> dict[str, str]:
    run = Run(root, FIXTURE, RUN)
    return {dataset: run.frame(dataset).to_csv() for dataset in SOME}


def test_a_death_at_any_moment_loses_no_row_shows_none_twice_and_the_next_time_finishes(
    root: Path, tmp_path: Path
) -> None:
    expected = rows_left(root)
    content, operations = operations_of(root)
    looked = 0
    for number, left in enumerate(states(content, operations)):
        place = materialised(left, tmp_path / f"{number}")
        assert rows_left(place) == expected, operations
        join_run(place, RealFiles(place), FIXTURE, RUN)
        assert rows_left(place) == expected
        names = small_files(place)
        assert {dataset: len(names[dataset]) for dataset in SOME} == dict.fromkeys(SOME, 1)
        shutil.rmtree(place)
        looked += 1
    assert looked > 30


def test_leaving_out_the_sync_of_a_joined_file_would_be_noticed(root: Path, tmp_path: Path) -> None:
    """Names come in the order in which they were made, so the sync of the folder cannot be missed by this model."""
    expected = rows_left(root)
    content, operations = operations_of(root)
    careless = [each for each in operations if each.name != "sync"]
    assert len(careless) < len(operations)
    assert any(
        is_lost(materialised(left, tmp_path / f"{number}"), expected)
        for number, left in enumerate(states(content, careless))
    )


def is_lost(place: Path, expected: dict[str, str]) -> bool:
    try:
        return rows_left(place) != expected
    except Exception:  # noqa: BLE001 - a torn file in the place of whole ones is what is looked for
        return True
    finally:
        shutil.rmtree(place)
