"""Whatever is done to a file of a run, `verify` names file and run, and no reader gives its content out as data."""

import fcntl
import itertools
import json
import os
import shutil
import sqlite3
from pathlib import Path

import pandas as pd
import pytest
from tests.cli.terminal import typed
from tests.storage.damages import OTHER_RUN, Roots, recorded, table
from tests.storage.scenario import FIXTURE, RUN, rows_of_every_dataset
from tests.storage.store import Night

from nightturn.errors import StorageError
from nightturn.model.rows import GAPS
from nightturn.storage import tree
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.files import RealFiles
from nightturn.storage.reader import Run
from nightturn.storage.verify import verify


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Roots:
    folder = tmp_path_factory.mktemp("whole")
    return Roots(recorded(folder / "nights"), recorded(folder / "other", OTHER_RUN, "Q-0999"))


@pytest.fixture
def roots(whole: Roots, tmp_path: Path) -> Roots:
    shutil.copytree(whole.root, tmp_path / "nights")
    return Roots(tmp_path / "nights", whole.other)


def test_a_whole_root_is_whole_and_nothing_of_it_is_unchecked(whole: Roots) -> None:
    report = verify(whole.root, "all")
    (run,) = report.runs

    assert (list(report.problems), list(report.unchecked)) == ([], [])
    assert (run.problems, run.unchecked) == ([], [])
    assert {path.name for path in whole.root.iterdir() if path.is_dir()} >= set(tree.DATASETS)


@pytest.mark.parametrize(("what", "kind"), list(table()))
def test_every_damage_of_every_file_is_named_with_its_run(roots: Roots, what: str, kind: str) -> None:
    spoilt = roots.spoil(what, kind).relative_to(roots.root).as_posix()
    report = verify(roots.root, "all")
    found = [*report.problems, *(problem for run in report.runs for problem in run.problems)]
    named = [problem.path for problem in found]

    assert not report.ok
    places = {spoilt}
    if kind == "deleted" and what in {"raw", "open tape", "sealed tape"}:  # nobody knows the name any more
        places = {f"raw/fixture={FIXTURE}/run={RUN}", spoilt.rpartition("/")[0]}
    assert places & set(named), named


def test_gaps_taken_away_are_named_and_the_command_ends_with_one(
    roots: Roots, capsys: pytest.CaptureFixture[str]
) -> None:
    names = [path.name for path in (roots.root / "gaps").rglob("*.parquet")]
    shutil.rmtree(roots.root / "gaps")
    code, out, _ = typed(["verify", str(roots.root), "--run", "all"], capsys)

    assert code == 1
    assert RUN in out
    assert all(name in out for name in names)
    assert "missing without a gap row" in " ".join(out.split())


def test_a_whole_root_is_whole_at_whatever_moment_a_daemon_seals_the_next_chunk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = [row for row in rows_of_every_dataset() if row.dataset != GAPS]
    lock = os.open(tmp_path / "nightturn.lock", os.O_CREAT | os.O_RDWR)
    fcntl.flock(lock, fcntl.LOCK_EX)
    night = Night(tmp_path)
    night.add_chunk(200, rows=rows)
    calls = itertools.count()
    seal_at = -1

    def listed(files: RealFiles, path: str) -> list[str]:
        if next(calls) == seal_at:
            night.add_chunk(200, leave_out=(1,), rows=rows)
        return real(files, path)

    real = RealFiles.list
    monkeypatch.setattr(RealFiles, "list", listed)
    states = set()
    try:
        verify(tmp_path)
        for each in range(next(calls)):
            seal_at, calls = each, itertools.count()
            if each % 3 == 0:  # in between the same folders are listed
                (report,) = verify(tmp_path).runs
                assert report.problems == [], each
                states.add(report.state)
    finally:
        os.close(lock)
    assert states == {"running"}
    assert night.chunk_no > 10


@pytest.mark.parametrize("kind", ["truncated", "flipped", "deleted", "of something else"])
def test_a_spoilt_catalogue_is_made_anew_from_the_files_when_asked(
    roots: Roots, kind: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = roots.file("catalogue")
    if kind == "of something else":
        path.unlink()
        with sqlite3.connect(path) as rows:
            rows.execute("create table recipes (name text)")
        rows.close()
    else:
        roots.spoil("catalogue", kind)
    code, out, _ = typed(["verify", str(roots.root)], capsys)
    assert code == (0 if kind == "deleted" else 1)
    assert ("catalogue: catalogue.sqlite" in out) == (kind != "deleted")
    assert typed(["verify", str(roots.root), "--rebuild"], capsys).code == 0
    code, out, _ = typed(["verify", str(roots.root), "--json"], capsys)
    assert (code, json.loads(out)["problems"]) == (0, [])
    assert len(Catalogue(roots.root).segments()) == 2


@pytest.mark.parametrize("dataset", tree.DATASETS)
@pytest.mark.parametrize("kind", ["truncated", "flipped", "foreign", "renamed", "duplicated"])
def test_no_reader_gives_out_what_is_damaged_or_of_another_run(roots: Roots, dataset: str, kind: str) -> None:
    spoilt = roots.spoil(dataset, kind)
    run = Run(roots.root, FIXTURE, RUN)

    with pytest.raises(StorageError, match=spoilt.name):
        run.frame(dataset)
    if dataset == "raw":
        with pytest.raises(StorageError, match=spoilt.name):
            run.samples(columns=["torque_raw"], calibration="recorded")
        with pytest.raises(StorageError, match=spoilt.name):
            list(run.tiles())


def test_a_run_recorded_before_chunks_named_their_files_is_read_and_says_what_cannot_be_checked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("nightturn.storage.seal.KEY", "of_no_meaning")
    root = recorded(tmp_path)
    monkeypatch.undo()
    for path in (*root.glob("mounts/*"), *root.glob("calibrations/*")):
        text = path.read_text()
        path.write_text(text.partition(',"crc32c"')[0] + "}\n")
    (manifest,) = root.glob("runs/*/*.json")
    lines = manifest.read_text().splitlines()
    manifest.write_text("\n".join([lines[0], *lines[2:-3], lines[-3].removesuffix(","), "}"]) + "\n")
    (report,) = verify(root, "all").runs

    assert report.problems == []
    told = " ".join(report.unchecked)
    assert "small files of 2 chunks" in told
    for each in ("runs/", "mounts/", "calibrations/"):
        assert each in told
    run = Run(root, FIXTURE, RUN)
    assert len(run.samples(columns=["torque_raw"])) == 1800
    assert isinstance(run.cycles(), pd.DataFrame)
