"""Curves are a dataset of their own: a row for each leg of each cycle, read back as they were."""

from pathlib import Path

import numpy as np
import pytest
from tests.storage.store import Night, full_night

from nightturn.errors import StorageError
from nightturn.model.rows import CURVES
from nightturn.storage.runs import open_run


def test_a_row_for_each_leg_of_each_cycle_in_its_order(tmp_path: Path) -> None:
    full_night(tmp_path)
    run = open_run(tmp_path)
    rows = run.frame(CURVES)
    assert list(rows.columns) == [
        "run", "ts", "epoch", "cycle_no", "leg", "direction", "turns", "torque_nm", "amplitude_nm", "floor_nm",
    ]  # fmt: skip
    assert rows.attrs["units"]["torque_nm"] == "N·m"
    first = rows[rows["cycle_no"] == 1]
    assert first["leg"].tolist() == ["forward", "hold"]
    assert first["turns"].tolist() == [4, 3]
    assert first["ts"].tolist() == run.cycles()["ts_end"].tolist()[:1] * 2
    forward, hold = first["torque_nm"]
    assert np.array_equal(forward, np.asarray([0.25, 0.5, np.nan, 0.75], "f4"), equal_nan=True)
    assert hold.tolist() == [5.0, 5.5, 5.25, 5.75]
    assert [row.tolist() for row in first["amplitude_nm"]] == [[], [0.125]]
    assert [row.tolist() for row in first["floor_nm"]] == [[], [0.0625]]


def test_a_run_without_cycles_has_an_empty_frame_and_no_file(tmp_path: Path) -> None:
    Night(tmp_path).add_chunk(10_000)
    assert len(open_run(tmp_path).frame(CURVES)) == 0
    assert not (tmp_path / CURVES).exists()


def test_what_no_reanalysis_makes_again_is_refused_by_name(tmp_path: Path) -> None:
    full_night(tmp_path)
    with pytest.raises(
        StorageError, match="events is not made again by a re-analysis; budget, curves, cycles are"
    ):
        open_run(tmp_path).frame("events", reanalysis="today")
