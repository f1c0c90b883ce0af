"""Rows of courses of a whole station: sealed with their chunk, proven by verify, and the same in every replay."""

import asyncio
from pathlib import Path

import msgspec
import numpy as np
import pytest
from tests.simulation.scene import FAST, PLAN, checked, open_scene, run

from nightturn.bench.runs import Pace
from nightturn.model.rows import TREND
from nightturn.replay.verdict import Options, replay_log
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import newest_run
from nightturn.storage.reader import Run
from nightturn.trend.series import FOLLOWED

CYCLES, THRESHOLD = 3, 8.0
THREE = msgspec.structs.replace(FAST, plan=msgspec.structs.replace(PLAN, cycles=CYCLES))
RESUMED_S = 5.0


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run of two cycles and a part of the third; the host starts again and goes on with what was known."""
    root = tmp_path_factory.mktemp("trend")
    known: list[list[int]] = []
    pace = Pace(tile_samples=100, watch_threshold=THRESHOLD)

    async def first() -> None:
        scene = open_scene(root, settings=THREE, pace=pace)
        await scene.until(lambda: scene.station.core.state.cycle_no >= CYCLES)
        await scene.station.close()

    async def second() -> None:
        scene = open_scene(root, settings=THREE, pace=pace, later_s=60.0)
        trends = scene.station.core.state.run.trends
        known.append([point.cycle_no for lane in trends.lanes.values() for point in lane.points])
        await asyncio.sleep(RESUMED_S)
        await scene.station.close()

    run(first)
    run(second)
    assert sorted(known[0]) == [1, 2]
    return root


def test_every_cycle_has_a_row_for_each_figure_and_direction(recorded: Path) -> None:
    opened = Run(recorded, THREE.id, newest_run(RealFiles(recorded), THREE.id))
    cycles, rows = opened.cycles(), opened.trend()
    assert len(cycles) >= 2
    turned = cycles[cycles["direction"] != 0]
    assert len(rows) == len(turned) * len(FOLLOWED)
    for _, cycle in turned.iterrows():
        own = rows[rows["cycle_no"] == cycle["cycle_no"]].set_index("figure")
        assert set(own["direction"]) == {cycle["direction"]}
        for name in FOLLOWED:
            if cycle["status"] == "ok" and cycle[f"{name}_status"] == "ok":
                np.testing.assert_equal(own.loc[name, "value"], cycle[name])
    ends = opened.frame("strokes")["ts"]
    for _, row in rows.iterrows():
        began = cycles.set_index("cycle_no").loc[row["cycle_no"], "ts_start"]
        assert row["strokes"] == (ends <= began).sum()


def test_verify_counts_them_among_what_is_proven(recorded: Path) -> None:
    assert checked(recorded)
    assert list((recorded / TREND).rglob("*.parquet"))


@pytest.mark.parametrize("options", [Options(), Options(figures=True), Options(tile_samples=37)])
def test_a_replay_gives_the_same_rows(recorded: Path, options: Options) -> None:
    outcome = replay_log(recorded, THREE.id, newest_run(RealFiles(recorded), THREE.id), options)
    assert outcome.differences == ()
    assert outcome.identical
