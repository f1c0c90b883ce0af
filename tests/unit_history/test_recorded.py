"""What is kept of a unit's nights: read once, the same again without a file, and never in the place of files that are others by now."""

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from tests.storage.scenario import FIXTURE
from tests.unit_history.nights import night
from tests.unit_history.stored_nights import stored

from nightturn.storage import catalogue as catalogue_module
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.chunk_file import ChunkFile
from nightturn.storage.marking import redate
from nightturn.unit_history.life import COLUMNS
from nightturn.unit_history.nights import Night, nights_of

UNIT, CYCLES = "Q-0121", 6
DATABASE = "catalogue.sqlite"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("kept")
    for number in range(2):
        stored(root, night(number, {}, cycles=CYCLES), UNIT, f"000{number}")
    return root


@pytest.fixture
def root(made: Path, tmp_path: Path) -> Path:
    """Two nights that were read once."""
    shutil.copytree(made, tmp_path / "nights")
    read(tmp_path / "nights")
    return tmp_path / "nights"


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The Parquet files that are opened for their rows."""
    found: list[str] = []
    whole = ChunkFile.read

    def noted(each: ChunkFile, columns: object = None) -> object:
        found.append(each.path)
        return whole(each, columns)  # type: ignore[arg-type]  # handed on as it came

    monkeypatch.setattr(ChunkFile, "read", noted)
    return found


def read(root: Path) -> list[Night]:
    return nights_of(root, UNIT, COLUMNS)[0]


def alike(one: list[Night], other: list[Night]) -> None:
    for mine, theirs in zip(one, other, strict=True):
        pd.testing.assert_frame_equal(mine.cycles, theirs.cycles)
        assert mine.strokes is not None
        assert theirs.strokes is not None
        assert np.array_equal(mine.strokes, theirs.strokes)
        assert (mine.ended_ts, mine.beside, mine.park_stops) == (
            theirs.ended_ts,
            theirs.beside,
            theirs.park_stops,
        )


def test_what_was_read_once_is_the_same_again_and_opens_no_file(
    root: Path, opened: list[str], made: Path
) -> None:
    again = read(root)
    assert opened == []
    shutil.copytree(made, root.parent / "others", ignore=shutil.ignore_patterns(DATABASE + "*"))
    from_files = read(root.parent / "others")
    assert len(opened) == 4
    alike(again, from_files)
    assert [len(each.cycles) for each in again] == [CYCLES, CYCLES]


def test_a_night_whose_files_have_other_names_is_read_again_and_no_other_one(
    root: Path, opened: list[str]
) -> None:
    (file,) = (root / "strokes").rglob("run=*0001/*.parquet")
    file.unlink()
    first, second = read(root)
    assert second.strokes is not None
    assert len(second.strokes) == 0
    assert first.strokes is not None
    assert len(first.strokes) > 0
    assert {each.split("/run=")[1][:21] for each in opened} == {second.run}


def test_an_entry_that_fails_its_checksum_is_read_from_the_files(root: Path, opened: list[str]) -> None:
    before = read(root)
    with closing(sqlite3.connect(root / DATABASE)) as rows, rows:
        ((content,),) = rows.execute("select content from nights where run like '%0000'").fetchall()
        flipped = bytes([*content[:200], content[200] ^ 1, *content[201:]])
        rows.execute("update nights set content = ? where run like '%0000'", (flipped,))
    alike(read(root), before)
    assert {each.split("/run=")[1][:21] for each in opened} == {before[0].run}
    opened.clear()
    read(root)
    assert opened == []


def test_a_correction_of_a_clock_moves_what_is_kept(root: Path, opened: list[str]) -> None:
    before = read(root)[1]
    redate(root, before.run, before.ended_ts, "R. Vale", "an hour late", 3600.0)
    behind = read(root)[1]
    assert opened == []
    assert (behind.cycles["ts_start"] - before.cycles["ts_start"]).unique().tolist() == [
        pd.Timedelta(hours=1)
    ]
    assert behind.strokes is not None
    assert before.strokes is not None
    assert (behind.strokes - before.strokes == 3600 * 10**9).all()


def test_no_more_than_so_many_nights_are_kept_and_the_newest_stay(
    root: Path, opened: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(catalogue_module, "NIGHTS_MAX", 1)
    kept = Catalogue(root)
    kept.add_nights(kept.nights(UNIT))
    (left,) = kept.nights(UNIT)
    assert (left.fixture, left.run[-4:]) == (FIXTURE, "0001")
    assert len(read(root)) == 2
    assert len(opened) == 2
