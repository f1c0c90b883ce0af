"""What is asked for is read, and nothing else: some columns, the chunk and the row groups that have the time."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from tests.storage.damages import OTHER_RUN
from tests.storage.scenario import FIXTURE, RUN, STARTED_NS
from tests.storage.store import Night, full_night

from nightturn.errors import StorageError
from nightturn.storage.chunk_file import ChunkFile
from nightturn.storage.reader import Run
from nightturn.storage.runs import open_run


def test_some_columns_of_the_cycles_are_those_of_all(tmp_path: Path) -> None:
    full_night(tmp_path)
    run = open_run(tmp_path, FIXTURE, RUN)
    some = run.cycles(["ts_end", "friction_nm"])

    assert some.equals(run.cycles()[["run", "ts_end", "friction_nm"]])
    assert len(some) == 2
    assert list(Run(tmp_path, FIXTURE, OTHER_RUN).cycles(["friction_nm"]).columns) == ["run", "friction_nm"]
    with pytest.raises(StorageError, match=r"cycles have no column 'frictoin_nm'.*friction_nm"):
        run.cycles(["frictoin_nm"])


def test_a_second_of_samples_opens_the_chunk_that_has_it_and_no_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    night = full_night(tmp_path)
    footers: list[Path] = []
    read = pq.read_metadata
    opened: list[str] = []
    whole = ChunkFile.read_between

    def footer(path: Path) -> pq.FileMetaData:
        footers.append(path)
        return read(path)

    def between(each: ChunkFile, *asked: Any) -> Iterator[pa.Table]:
        opened.append(each.path)
        return whole(each, *asked)

    start = STARTED_NS + 4_000_000_000
    every = Run(tmp_path, FIXTURE, night.run).samples(columns=["index"], calibration="recorded")
    monkeypatch.setattr(pq, "read_metadata", footer)
    monkeypatch.setattr(ChunkFile, "read_between", between)
    frame = Run(tmp_path, FIXTURE, night.run).samples(
        start, start + 10**9, columns=["index"], calibration="recorded"
    )

    ts = every.index.astype("int64")
    assert frame.equals(every[(ts >= start) & (ts < start + 10**9)])
    assert len(frame) == 10_000
    assert len(opened) == 1
    assert {tmp_path / opened[0]} == set(footers)
    (tmp_path / "catalogue.sqlite").unlink()
    again = Run(tmp_path, FIXTURE, night.run).samples(
        start, start + 10**9, columns=["index"], calibration="recorded"
    )
    assert again.equals(frame)


def test_only_the_row_groups_that_have_the_time_are_decoded(tmp_path: Path) -> None:
    Night(tmp_path).add_chunk(260_000)
    (each,) = open_run(tmp_path).chunks("raw")
    tables = list(each.read_between(STARTED_NS, STARTED_NS + 10**9, ["index"]))

    assert [table.num_rows for table in tables] == [120_000]
