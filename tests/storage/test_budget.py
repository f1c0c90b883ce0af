"""The dataset of budgets: sealed beside the cycles, read back as a frame whose squares are those of the figures."""

from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from tests.storage.scenario import cycle_record
from tests.storage.store import Night, full_night

from nightturn.model.records import Emit
from nightturn.model.rows import BUDGET, CYCLES
from nightturn.replay.stored import stored_rows
from nightturn.storage import datasets, tree
from nightturn.storage.reader import Run
from nightturn.storage.runs import open_run
from nightturn.storage.verify import verify


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    root = tmp_path_factory.mktemp("night")
    full_night(root)
    return open_run(root)


def root_of(run: Run) -> Path:
    assert run.stored.local is not None
    return run.stored.local


def test_each_line_of_each_figure_is_a_row(run: Run) -> None:
    rows = run.budget()
    assert list(rows.columns) == [
        "run", "ts", "epoch", "cycle_no", "figure", "line", "u", "nu", "common", "source",
    ]  # fmt: skip
    first = rows[rows["cycle_no"] == 1]
    assert first["line"].tolist() == ["repeatability", "factor"]
    assert first["common"].tolist() == [False, True]
    assert first["source"].tolist() == ["this cycle", "certificate QL 26/7"]
    assert str(rows["ts"].dtype) == "datetime64[ns, UTC]"


def test_the_squares_of_the_lines_are_the_square_of_the_figures_u(run: Run) -> None:
    cycles, rows = run.cycles(), run.budget()
    squares = (rows["u"] ** 2).groupby(rows["cycle_no"]).sum()
    assert squares.tolist() == pytest.approx((cycles["friction_nm_u"] ** 2).tolist())


def test_the_cycles_say_what_their_interval_holds_and_which_orders(run: Run) -> None:
    row = run.cycles().iloc[0]
    assert (row["friction_nm_kind"], row["friction_nm_measurand"]) == ("budget", "the rotor")
    assert (row["friction_nm_u_rep"], row["friction_nm_nu_rep"], row["friction_nm_u_common"]) == (
        0.0006,
        3.0,
        0.0008,
    )
    assert (row["friction_nm_band_low"], row["friction_nm_band_high"]) == (1, 700)
    assert list(row["friction_nm_unseen"]) == [864]


def test_what_was_stored_is_the_figure_again(run: Run) -> None:
    """All of it but the lines, which replay does not compare one by one."""
    was = cycle_record(1).figure("friction_nm")
    stored = stored_rows(root_of(run), run.fixture, run.run, 0, 10**9).cycles[0].figure("friction_nm")
    for name in ("value", "u", "nu", "u_rep", "nu_rep", "u_common", "kind", "measurand", "band", "unseen"):
        assert getattr(stored, name) == getattr(was, name), name


def test_a_run_without_a_budget_has_an_empty_frame_and_no_file(tmp_path: Path) -> None:
    Night(tmp_path).add_chunk(10_000)
    rows = open_run(tmp_path).budget()
    assert (len(rows), list(rows.columns)[:4]) == (0, ["run", "ts", "epoch", "cycle_no"])
    assert not (tmp_path / BUDGET).exists()


def test_cycles_of_an_older_version_lie_beside_new_ones(tmp_path: Path) -> None:
    """Its files have no column of a budget: they read as not known."""
    night = Night(tmp_path)
    night.add_chunk(10_000, rows=[Emit(CYCLES, cycle_record(1))])
    (path,) = (tmp_path / CYCLES).rglob("*.parquet")
    old = pq.read_table(path)
    new = {"_u_rep", "_nu_rep", "_u_common", "_kind", "_measurand", "_unseen", "_band_low", "_band_high"}
    kept = [name for name in old.column_names if not any(name.endswith(suffix) for suffix in new)]
    rebuilt = datasets.cycles_table([cycle_record(2)])
    joined = pa.concat_tables([old.select(kept), rebuilt], promote_options="default")
    assert joined["friction_nm_kind"].to_pylist() == [None, "budget"]
    assert joined["friction_nm_u"].to_pylist() == [0.001, 0.001]


def test_the_dataset_is_verified_with_the_others(run: Run) -> None:
    assert BUDGET in tree.DATASETS
    (path,) = (root_of(run) / BUDGET).rglob("*.parquet")
    assert verify(root_of(run)).runs[0].files == sum(1 for _ in root_of(run).rglob("*.parquet"))
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    try:
        path.write_bytes(bytes(content))
        assert any(path.name in str(problem) for problem in verify(root_of(run)).runs[0].problems)
    finally:
        content[len(content) // 2] ^= 1
        path.write_bytes(bytes(content))
