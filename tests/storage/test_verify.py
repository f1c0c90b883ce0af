"""Verify: what is missing is named, what a gap row explains is explained, and no flipped bit passes."""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.storage.scenario import BLOCK_SAMPLES, FIXTURE, RUN
from tests.storage.store import CHUNK_SAMPLES, Night, full_night, gap_row

from nightturn.errors import CorruptFileError, RunNotFoundError, StorageError
from nightturn.storage import tree
from nightturn.storage.continuity import Continuity, Gap
from nightturn.storage.reader import Run
from nightturn.storage.verify import verify
from nightturn.storage.verify_report import RunReport

same_folder = settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def report_of(root: Path) -> RunReport:
    (report,) = verify(root).runs
    return report


def kinds(report: RunReport) -> list[str]:
    return [problem.kind for problem in report.problems]


def test_a_whole_night_is_whole_and_its_sums_agree(tmp_path: Path) -> None:
    night = full_night(tmp_path)
    report = report_of(tmp_path)

    assert report.problems == []
    assert (report.chunks, report.segments) == (3, 3)
    assert report.produced == 3 * CHUNK_SAMPLES
    assert report.missing == 3 * BLOCK_SAMPLES
    assert report.stored == report.produced - report.missing
    assert [(hole.start, hole.stop, hole.causes, hole.unexplained) for hole in report.holes] == [
        (1700, 1900, ("link",), 0),
        (30_000, 30_100, ("link",), 0),
    ]
    assert report.unsealed == (night.journal.path,)


def test_samples_missing_without_a_gap_row_are_named(tmp_path: Path) -> None:
    Night(tmp_path).add_chunk(leave_out=(5,), gap_rows=False)
    report = report_of(tmp_path)

    assert kinds(report) == ["unexplained"]
    assert "100 samples" in report.problems[0].detail
    assert "index 500 to 599" in report.problems[0].detail


def test_a_gap_row_that_explains_half_a_hole_leaves_the_other_half(tmp_path: Path) -> None:
    Night(tmp_path).add_chunk(leave_out=(5,), gap_rows=False, rows=[gap_row(500, 40)])
    report = report_of(tmp_path)

    assert kinds(report) == ["unexplained"]
    assert "60 samples" in report.problems[0].detail


def test_a_gap_row_over_stored_samples_is_a_contradiction(tmp_path: Path) -> None:
    Night(tmp_path).add_chunk(rows=[gap_row(500)])

    assert kinds(report_of(tmp_path)) == ["overlap", "sum"]


@pytest.mark.parametrize("position", [0, 1, 2])
def test_a_missing_chunk_is_found_wherever_it_stood(tmp_path: Path, position: int) -> None:
    full_night(tmp_path)
    gone = sorted((tmp_path / "raw").rglob("*.parquet"))[position]
    gone.unlink()
    report = report_of(tmp_path)
    missing = [problem for problem in report.problems if problem.kind == "missing_chunk"]

    assert len(missing) == 1
    first, last = (int(part) for part in gone.name.split("-")[1:3])
    assert f"records {first} to {last}" in missing[0].detail


def test_a_missing_chunk_is_found_without_the_tape_from_the_other_datasets(tmp_path: Path) -> None:
    full_night(tmp_path)
    for tape in (tmp_path / "journal" / FIXTURE / "sealed").iterdir():
        tape.unlink()
    sorted((tmp_path / "raw").rglob("*.parquet"))[2].unlink()

    assert kinds(report_of(tmp_path)) == ["missing_chunk"]


@pytest.fixture(scope="module")
def small_night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("small")
    Night(root).add_chunk(2000, leave_out=(3,))
    return root


@same_folder
@given(st.data())
def test_a_flipped_bit_anywhere_in_any_parquet_file_is_found_and_named(
    small_night: Path, data: st.DataObject
) -> None:
    path = data.draw(st.sampled_from(sorted(small_night.rglob("*.parquet"))))
    good = path.read_bytes()
    bad = bytearray(good)
    bad[data.draw(st.integers(0, len(bad) - 1))] ^= 1 << data.draw(st.integers(0, 7))
    try:
        path.write_bytes(bad)
        named = [problem.path for problem in report_of(small_night).problems if problem.kind == "corrupt"]
    finally:
        path.write_bytes(good)

    assert named == [path.relative_to(small_night).as_posix()]


@same_folder
@given(st.data())
def test_a_flipped_bit_never_reaches_the_reader(small_night: Path, data: st.DataObject) -> None:
    # Without checksums pyarrow, polars and DuckDB hand flipped samples out silently (measured once).
    path = next((small_night / "raw").rglob("*.parquet"))
    good = path.read_bytes()
    bad = bytearray(good)
    bad[data.draw(st.integers(0, len(bad) - 1))] ^= 1 << data.draw(st.integers(0, 7))
    try:
        path.write_bytes(bad)
        with pytest.raises(CorruptFileError, match=path.name):
            Run(small_night, FIXTURE, RUN).samples(columns=["torque_raw", "encoder"], calibration="recorded")
    finally:
        path.write_bytes(good)


@same_folder
@given(st.data())
def test_a_flipped_bit_in_a_sealed_tape_is_found(small_night: Path, data: st.DataObject) -> None:
    path = next((small_night / "journal" / FIXTURE / "sealed").iterdir())
    good = path.read_bytes()
    bad = bytearray(good)
    bad[data.draw(st.integers(0, len(bad) - 1))] ^= 1 << data.draw(st.integers(0, 7))
    try:
        path.write_bytes(bad)
        report = report_of(small_night)
    finally:
        path.write_bytes(good)

    assert "tape" in kinds(report)
    assert path.relative_to(small_night).as_posix() in {problem.path for problem in report.problems}


def test_a_file_under_another_runs_name_is_found(tmp_path: Path) -> None:
    Night(tmp_path).add_chunk(1000)
    chunk = next((tmp_path / "raw").rglob("*.parquet"))
    chunk.rename(chunk.with_name(chunk.name.replace("c000001-000000000001", "c000001-000000000002")))

    assert "identity" in kinds(report_of(tmp_path))


def test_a_stray_file_and_a_lost_manifest_are_named(tmp_path: Path) -> None:
    Night(tmp_path).add_chunk(1000)
    next((tmp_path / "raw").rglob("*.parquet")).with_name("notes.txt").write_text("?")
    next((tmp_path / "runs").rglob("*.json")).unlink()

    assert kinds(report_of(tmp_path)) == ["manifest", "stray"]


def test_every_run_can_be_checked_and_an_unknown_one_says_what_exists(tmp_path: Path) -> None:
    full_night(tmp_path)

    assert [run.run for run in verify(tmp_path, "all").runs] == [RUN]
    assert [run.run for run in verify(tmp_path, RUN, FIXTURE).runs] == [RUN]
    with pytest.raises(RunNotFoundError, match=RUN):
        verify(tmp_path, "20200101T000000Z-0000")
    with pytest.raises(RunNotFoundError, match="data root"):
        verify(tmp_path / "empty")
    with pytest.raises(StorageError, match="run id"):
        verify(tmp_path, "../../etc")


@given(
    st.lists(st.integers(1, 50), min_size=1, max_size=12), st.lists(st.booleans(), min_size=12, max_size=12)
)
def test_produced_is_stored_plus_gaps_for_any_pattern(lengths: list[int], stored: list[bool]) -> None:
    continuity, gaps, at, kept = Continuity(), [], 0, 0
    for length, is_stored in zip(lengths, stored, strict=False):
        if is_stored:
            continuity.take(1, [(at, at + length)])
            kept += length
        else:
            gaps.append(Gap("link", 1, at, at + length))
        at += length

    assert continuity.produced(gaps) == at == kept + sum(gap.stop - gap.start for gap in gaps)
    assert all(hole.unexplained == 0 for hole in continuity.holes(gaps))
    assert list(continuity.contradictions(gaps)) == []


def test_every_dataset_of_the_night_is_checked(tmp_path: Path) -> None:
    full_night(tmp_path)

    assert {path.name for path in tmp_path.iterdir() if path.is_dir()} >= set(tree.DATASETS)
    assert report_of(tmp_path).files == sum(1 for _ in tmp_path.rglob("*.parquet"))
