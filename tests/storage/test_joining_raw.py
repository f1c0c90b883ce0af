"""Joining raw chunks by the hour changes no answer, survives a death and a refused write at any moment, and hides no damage."""

import errno
import itertools
import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import cast

import duckdb
import msgspec
import numpy as np
import pandas as pd
import polars as pl
import pytest
from pandas.testing import assert_frame_equal
from tests.storage import store as nights
from tests.storage.damages import KINDS, OTHER_RUN, Roots, recorded
from tests.storage.recording import Operation, RecordingFiles
from tests.storage.scenario import FIXTURE, RUN, STARTED_NS, plan_for, rows_of_every_dataset
from tests.storage.store import Night
from tests.storage.test_stored import InMemory
from typing_extensions import override

from nightturn.errors import StorageError
from nightturn.model.rows import GAPS, ChunkPlan
from nightturn.storage import joining_raw, paths
from nightturn.storage.files import RealFiles
from nightturn.storage.joining_raw import hours_to_join, join_hours
from nightturn.storage.manifest import ENDED, read_manifest, write_manifest
from nightturn.storage.marks import read_marks
from nightturn.storage.object_store import ObjectStore
from nightturn.storage.push import push
from nightturn.storage.reader import Run
from nightturn.storage.recovery import recover
from nightturn.storage.runs import list_runs
from nightturn.storage.stored import ObjectFiles
from nightturn.storage.verify import verify
from nightturn.world import Files

COLUMNS = ["torque_nm", "angle_rad", "index", "flags", "epoch"]
FOLDER = f"raw/fixture={FIXTURE}/date=2026-11-25/run={RUN}"


def end(root: Path, run: str = RUN) -> None:
    """The run is over, and no tape of it waits."""
    for path in (root / "journal" / FIXTURE).glob("*.ntj"):
        path.unlink()
    files = RealFiles(root)
    last = Run(root, FIXTURE, run).chunks(paths.RAW)[-1].name
    before = read_manifest(files, FIXTURE, run)
    write_manifest(
        files,
        msgspec.structs.replace(
            before, state=ENDED, record_first=1, record_last=last.last, chunk_last=last.chunk_no
        ),
    )


def made(root: Path, samples: int = 1000) -> Path:
    """Four chunks, with gaps inside and rows of every dataset."""
    night = Night(root)
    rows = [row for row in rows_of_every_dataset() if row.dataset != GAPS]
    night.add_chunk(samples, leave_out=(3,), unlocked_until_tick=20_000)
    night.add_chunk(samples, leave_out=(0,), rows=rows)
    night.add_chunk(samples)
    night.add_chunk(samples, rows=rows)
    night.files.close()
    end(root)
    return root


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return made(tmp_path_factory.mktemp("whole") / "nights")


@pytest.fixture
def root(whole: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(whole, tmp_path / "nights"))


def raw_names(root: Path) -> list[str]:
    return sorted(path.name for path in (root / FOLDER).glob("*.parquet"))


def samples(root: Path) -> pd.DataFrame:
    return Run(root, FIXTURE, RUN).samples(columns=COLUMNS, calibration="recorded")


def joined(root: Path) -> Path:
    join_hours(root, RealFiles(root), STARTED_NS, "R. Vale")
    return root


def test_an_hour_becomes_one_file_and_every_answer_stays(root: Path) -> None:
    run = Run(root, FIXTURE, RUN)
    before, tiles, span, listed = samples(root), list(run.tiles(0.01)), run.span, list_runs(root)[0]
    names = raw_names(root)
    (due,) = hours_to_join(root)
    assert (due.files, due.into, due.problem, raw_names(root)) == (4, 1, "", names)
    assert join_hours(root, RealFiles(root), STARTED_NS, "R. Vale") == [due]

    run = Run(root, FIXTURE, RUN)
    assert len(raw_names(root)) == 1
    assert_frame_equal(samples(root), before)
    middle = before.index[1700].value
    assert_frame_equal(run.samples(middle, middle + 30_000_000, COLUMNS, "recorded"), before[1700:2000])
    for one, other in zip(run.tiles(0.01), tiles, strict=True):
        assert (one.index, one.tick, one.epoch, one.raw.tolist()) == (
            other.index,
            other.tick,
            other.epoch,
            other.raw.tolist(),
        )
    after = list_runs(root)[0]
    assert (run.span, after.samples, after.cycles, after.gaps) == (
        span,
        listed.samples,
        listed.cycles,
        listed.gaps,
    )
    report = verify(root, "all")
    assert (report.ok, report.runs[0].segments, report.runs[0].unchecked) == (True, 4, [])
    assert hours_to_join(root) == []
    log = (root / "retention/log.jsonl").read_text()
    assert (log.count("joined"), raw_names(root)[0] in log) == (1, True)
    assert not read_marks(RealFiles(root)).kept(FIXTURE, RUN, otherwise=False)


def test_readers_of_others_read_a_joined_hour(root: Path) -> None:
    before = samples(root)
    (path,) = (joined(root) / FOLDER).glob("*.parquet")
    with duckdb.connect(":memory:", config={"autoinstall_known_extensions": "false"}) as connection:
        query = f"select count(*), sum(torque_raw), min(epoch_ns(ts)) from read_parquet('{path}', hive_partitioning=false)"
        by_duckdb = connection.execute(query).fetchone()
    by_polars = pl.read_parquet(path, hive_partitioning=False)
    by_pandas = pd.read_parquet(path, partitioning=None)
    counts = int(by_pandas["torque_raw"].astype(np.int64).sum())
    assert by_duckdb == (len(before), counts, before.index[0].value)
    assert (by_polars.height, by_polars["torque_raw"].cast(pl.Int64).sum()) == (len(before), counts)
    assert by_polars["index"].to_list() == by_pandas["index"].tolist() == before["index"].tolist()


def test_only_chunks_of_one_hour_epoch_and_scale_are_joined(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def another(first: int, last: int, stored: int, **facts: object) -> ChunkPlan:
        plan = plan_for(first, last, stored, **facts)  # type: ignore[arg-type]  # passed on as they came
        changed = {"epoch": 2 if plan.chunk_no > 2 else 1, "zero_count": 7.0 if plan.chunk_no > 4 else 1234.5}
        return msgspec.structs.replace(plan, **changed)

    monkeypatch.setattr(nights, "plan_for", another)
    root = tmp_path / "nights"
    night = Night(root)
    for _ in range(6):
        night.add_chunk(1000)
    night.files.close()
    end(root)
    before = samples(root)
    joined(Path(shutil.copytree(root, tmp_path / "whole hours")))
    assert len(raw_names(tmp_path / "whole hours")) == 3  # one for each epoch and scale
    monkeypatch.setattr(joining_raw, "HOUR_NS", 150_000_000)
    joined(root)
    assert len(raw_names(root)) > 3
    for place in (root, tmp_path / "whole hours"):
        assert_frame_equal(samples(place), before)
        assert [problem.kind for run in verify(place, "all").runs for problem in run.problems] == []


def test_the_newest_hour_of_a_run_under_way_or_with_tape_that_waits_is_never_touched(root: Path) -> None:
    names = raw_names(root)
    files = RealFiles(root)
    record = read_manifest(files, FIXTURE, RUN)
    write_manifest(files, msgspec.structs.replace(record, state="running"))
    assert (hours_to_join(root), raw_names(joined(root))) == ([], names)
    write_manifest(files, record)
    tape = next((root / "journal" / FIXTURE / "sealed").glob("*.ntj"))
    shutil.copy(tape, root / "journal" / FIXTURE / tape.name)
    assert (hours_to_join(root), raw_names(joined(root))) == ([], names)


def test_a_chunk_that_cannot_be_read_keeps_the_run_as_it_is(root: Path) -> None:
    path = root / FOLDER / raw_names(root)[1]
    content = path.read_bytes()
    path.write_bytes(content[:200] + bytes([content[200] ^ 1]) + content[201:])  # a page; the footer is whole
    names = raw_names(root)
    (found,) = join_hours(root, RealFiles(root), STARTED_NS, "R. Vale")
    assert path.name in found.problem
    assert raw_names(root) == names


def test_a_pushed_run_is_read_after_it_was_joined_and_pushed_again(root: Path) -> None:
    store = InMemory()
    list(push(root, store))
    before = samples(root)
    joined(root)
    list(push(root, store))
    place = ObjectFiles(cast("ObjectStore", store))
    assert [path.rpartition("/")[2] for path in store.objects if path.startswith("raw/")] == raw_names(root)
    assert_frame_equal(Run(place, FIXTURE, RUN).samples(columns=COLUMNS, calibration="recorded"), before)
    assert verify(place, "all").ok


@pytest.fixture(scope="module")
def roots(tmp_path_factory: pytest.TempPathFactory) -> Roots:
    """Two roots whose hours are joined, and in order."""
    folder = tmp_path_factory.mktemp("joined")
    found = Roots(recorded(folder / "nights"), recorded(folder / "other", OTHER_RUN, "Q-0999"))
    for place, run in ((found.root, RUN), (found.other, OTHER_RUN)):
        end(place, run)
        assert joined(place) == place
        assert len(list(place.glob("raw/**/*.parquet"))) == 1
    assert verify(found.root, "all").ok
    return found


@pytest.mark.parametrize("kind", KINDS)
def test_damage_of_a_joined_hour_is_named(roots: Roots, tmp_path: Path, kind: str) -> None:
    spoilt = Roots(Path(shutil.copytree(roots.root, tmp_path / "nights")), roots.other)
    spoilt.spoil("raw", kind)
    named = [problem for run in verify(spoilt.root, "all").runs for problem in run.problems]
    assert any(problem.path.startswith("raw/") for problem in named), named


def test_tape_that_gives_other_samples_than_its_part_of_an_hour_is_named(root: Path, tmp_path: Path) -> None:
    other = Night(tmp_path / "other")
    for number in range(4):
        other.add_chunk(1000, leave_out=((3,), (0,), (), ())[number])
    other.files.close()
    joined(root)
    mine = sorted((root / "journal" / FIXTURE / "sealed").glob("*.ntj"))
    gone = mine[2].read_bytes()
    mine[2].write_bytes(gone[: len(gone) // 2])
    (report,) = verify(root, "all").runs
    assert {(problem.kind, problem.path) for problem in report.problems} == {
        ("tape", mine[2].relative_to(root).as_posix())
    }
    assert report.segments == 3 + any("reproduce" in problem.detail for problem in report.problems)


def small(tmp_path: Path) -> Path:
    """Three chunks of some samples."""
    root = tmp_path / "small"
    night = Night(root)
    for number in range(3):
        night.add_chunk(300, leave_out=(1,) if number == 1 else ())
    night.files.close()
    end(root)
    return root


def content_of(root: Path) -> dict[str, bytes]:
    kinds = ("raw", "runs", "retention")
    every = itertools.chain.from_iterable((root / kind).rglob("*") for kind in kinds)
    return {path.relative_to(root).as_posix(): path.read_bytes() for path in every if path.is_file()}


def rows_left(root: Path) -> list[tuple[int, int]]:
    frame = Run(root, FIXTURE, RUN).samples(columns=["index", "torque_raw"])
    return list(zip(frame["index"].tolist(), frame["torque_raw"].tolist(), strict=True))


def operations_of(root: Path) -> tuple[dict[str, bytes], list[Operation]]:
    content, log = content_of(root), RecordingFiles(RealFiles(root))
    join_hours(root, log, STARTED_NS, "R. Vale")
    return content, log.operations


def test_the_name_of_a_joined_file_is_in_the_marks_before_a_part_goes(tmp_path: Path) -> None:
    _, operations = operations_of(small(tmp_path))
    kinds = [(each.name, each.path.partition("/")[0]) for each in operations]
    assert kinds.index(("sync", "runs")) < kinds.index(("remove", "raw"))
    assert kinds.index(("replace", "raw")) < kinds.index(("sync", "runs"))


class Refusing(RecordingFiles):
    """Files that refuse one change, the one of that number."""

    def __init__(self, inner: Files, number: int) -> None:
        super().__init__(inner)
        self.left = number

    def _count(self, path: str) -> None:
        self.left -= 1
        if not self.left:
            raise OSError(errno.EIO, os.strerror(errno.EIO), path)

    @override
    def append(self, path: str, content: bytes) -> None:
        self._count(path)
        super().append(path, content)

    @override
    def sync(self, path: str) -> None:
        self._count(path)
        super().sync(path)

    @override
    def replace(self, source: str, target: str) -> None:
        self._count(source)
        super().replace(source, target)

    @override
    def sync_dir(self, path: str) -> None:
        self._count(path)
        super().sync_dir(path)

    @override
    def remove(self, path: str) -> None:
        self._count(path)
        super().remove(path)


def refused(root: Path) -> Iterator[int]:
    """Refuses one operation after the other; ends with the first time that goes through."""
    for number in itertools.count(1):
        try:
            join_hours(root, Refusing(RealFiles(root), number), STARTED_NS, "R. Vale")
        except StorageError:
            yield number
        else:
            return


def test_a_refused_operation_loses_nothing_and_the_next_time_goes_on(tmp_path: Path) -> None:
    root = small(tmp_path)
    expected, count = rows_left(root), 0
    for _ in refused(root):
        assert rows_left(root) == expected
        count += 1
    assert (rows_left(root), len(raw_names(root)), count > 3) == (expected, 1, True)
    assert verify(root, "all").ok


def test_tape_of_a_joined_hour_that_is_put_back_is_known_to_be_sealed(root: Path) -> None:
    """A start would else make its chunk a second time."""
    joined(root)
    sealed = sorted((root / "journal" / FIXTURE / "sealed").glob("*.ntj"))[1]
    back = sealed.rename(root / "journal" / FIXTURE / sealed.name)
    found = recover(RealFiles(root), FIXTURE)

    assert (found.leftovers, [path.rpartition("/")[2] for path in found.moved]) == ((), [back.name])
    assert verify(root, "all").ok
