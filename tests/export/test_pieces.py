"""A stretch of a run is all of its samples and all of its holes, however it is split."""

import shutil
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from replay_logs.make import record
from tests.reanalysis.conftest import TROUBLED
from tests.replay.scenes import quiet
from tests.storage.scenario import BLOCK_SAMPLES, FIXTURE, RUN, STARTED_NS

from nightturn.errors import ConfigError, StorageError
from nightturn.export.pieces import UNEXPLAINED, Block, Hole, Totals, pieces
from nightturn.export.stretch import Stretch, stretch_of
from nightturn.storage.marking import redate
from nightturn.storage.runs import list_runs

SAMPLES, MISSING = 5400, 600
S_NS = 1_000_000_000


@pytest.fixture(scope="module")
def whole(root: Path) -> Stretch:
    return stretch_of(root, list_runs(root)[0], "", "", "recorded")


def totals(stretch: Stretch) -> Totals:
    found = Totals()
    for piece in pieces(stretch):
        found.add(piece)
    return found


def part(stretch: Stretch, start_ns: int, stop_ns: int) -> Stretch:
    return Stretch(
        stretch.run, stretch.summary, stretch.manifest, start_ns, stop_ns, 0, False, "recorded", ()
    )  # fmt: skip


def test_the_whole_has_every_sample_every_hole_and_what_no_row_explains(whole: Stretch) -> None:
    found = totals(whole)
    assert (found.samples, found.missing) == (SAMPLES, MISSING)
    assert [(each.cause, each.missing, each.exact) for each in found.holes] == [
        ("link", 100, True),
        ("link", 100, True),
        ("link", 100, True),
        (UNEXPLAINED, 300, True),
    ]


def test_a_block_has_no_hole_inside_and_its_segment_changes_behind_each(whole: Stretch) -> None:
    last: Block | None = None
    between: list[Hole] = []
    seen = set()
    for piece in pieces(whole):
        if isinstance(piece, Hole):
            between.append(piece)
            continue
        assert set(np.diff(piece.index)) <= {1}
        if last is not None:
            follows = piece.index[0] == last.index[-1] + 1
            assert (piece.segment == last.segment) == follows == (not between)
        seen.add(piece.segment)
        last, between = piece, []
    assert seen == {1, 2, 3, 4}


def test_samples_are_those_of_the_reader(whole: Stretch) -> None:
    frame = whole.run.samples(columns=["torque_nm", "angle_rad", "index"], calibration="recorded")
    blocks = [each for each in pieces(whole) if isinstance(each, Block)]
    assert np.array_equal(np.concatenate([each.torque_nm for each in blocks]), frame["torque_nm"])
    assert np.array_equal(np.concatenate([each.angle_rad for each in blocks]), frame["angle_rad"])
    assert np.array_equal(np.concatenate([each.index for each in blocks]), frame["index"])
    assert np.array_equal(np.concatenate([each.ts for each in blocks]), pd.DatetimeIndex(frame.index).asi8)


@settings(max_examples=15)
@given(st.lists(st.integers(-10, 610), max_size=3))
def test_the_parts_of_a_split_stretch_add_up_to_the_whole(whole: Stretch, cuts_ms: list[int]) -> None:
    """Cuts lie within holes, in blocks and beyond the ends; what no row explains is seen where both sides of it are."""
    cuts = sorted({STARTED_NS + each * 1_000_000 for each in cuts_ms if not 468 <= each <= 502})
    edges = [whole.start_ns - S_NS, *cuts, whole.stop_ns + S_NS]
    parts = [totals(part(whole, a, b)) for a, b in pairwise(edges)]
    assert sum(each.samples for each in parts) == SAMPLES
    assert sum(each.missing for each in parts) == MISSING
    assert all(hole.before == (hole.missing == 0) for each in parts for hole in each.holes)


def test_a_stretch_that_begins_in_a_hole_says_so_and_counts_nothing_twice(whole: Stretch) -> None:
    inside = STARTED_NS + 55_000_000
    found = totals(part(whole, inside, inside + 30_000_000))
    assert [(each.cause, each.before, each.missing) for each in found.holes] == [
        ("link", True, 0),
        ("link", False, 100),
    ]
    assert found.samples > 0


def test_a_corrected_clock_moves_samples_and_holes_alike(root: Path, tmp_path: Path) -> None:
    copy = shutil.copytree(root, tmp_path / "nights")
    redate(copy, RUN, 1, "R. Vale", "late", 3600)
    moved = stretch_of(copy, list_runs(copy)[0], "", "", "recorded")
    before = totals(stretch_of(root, list_runs(root)[0], "", "", "recorded"))
    after = totals(moved)
    assert after.first_ts - before.first_ts == 3600 * S_NS
    assert [each.from_ts - 3600 * S_NS for each in after.holes] == [each.from_ts for each in before.holes]
    assert (after.samples, after.missing) == (SAMPLES, MISSING)


def test_an_absent_chunk_is_a_remark_and_a_time_outside_the_run_is_refused(
    root: Path, tmp_path: Path
) -> None:
    copy = shutil.copytree(root, tmp_path / "nights")
    sorted(copy.glob("raw/**/*.parquet"))[1].unlink()
    assert "records" in stretch_of(copy, list_runs(copy)[0], "", "").remarks[0]
    summary = list_runs(root)[0]
    with pytest.raises(ConfigError, match="lies outside the run"):
        stretch_of(root, summary, "03:12", "")
    with pytest.raises(StorageError, match="is not behind --from"):
        stretch_of(root, summary, "2026-11-25T21:30:00.5Z", "2026-11-25T21:30:00.4Z")
    assert (summary.fixture, BLOCK_SAMPLES) == (FIXTURE, 100)


@pytest.mark.long
def test_parts_add_up_over_a_restart_of_the_device_too(tmp_path: Path) -> None:
    with quiet():
        made = record(TROUBLED, tmp_path / "nights").root
    stretch = stretch_of(made, list_runs(made)[0], "", "", "recorded")
    found = totals(stretch)
    assert {"link", "restart"} <= {each.cause for each in found.holes}
    for hole in found.holes:
        cuts = (hole.from_ts, (hole.from_ts + hole.to_ts) // 2, hole.to_ts)
        edges = [stretch.start_ns, *cuts, stretch.stop_ns]
        parts = [totals(part(stretch, a, b)) for a, b in pairwise(edges)]
        assert sum(each.samples for each in parts) == found.samples
        assert sum(each.missing for each in parts) == found.missing
