"""What a station lets its sinks know where its core cannot say it, and of alarms whose cause is gone."""

import asyncio
from itertools import pairwise
from pathlib import Path

import pytest
from tests.bench.failing_files import Disk
from tests.simulation.scene import open_scene, run, settings_of

from nightturn.model.records import Emit
from nightturn.model.rows import ALARM_OVER, LIVE, STATE, AlarmOver, LiveRow, StandingRow, StateRow

POLL_S = 0.1  # a tile, and what waits on the line
RESUME = settings_of(after_restart="resume")


class Kept:
    """A sink that keeps every row."""

    def __init__(self) -> None:
        self.rows: list[Emit] = []

    def offer(self, _fixture: str, emit: Emit) -> None:
        self.rows.append(emit)

    @property
    def stands(self) -> StateRow | StandingRow:
        """What is said of the fixture now."""
        row = [each.row for each in self.rows if each.dataset == STATE][-1]
        assert isinstance(row, StateRow | StandingRow)
        return row

    @property
    def over(self) -> list[str]:
        return [e.row.kind for e in self.rows if e.dataset == ALARM_OVER and isinstance(e.row, AlarmOver)]


def test_a_tape_that_takes_nothing_is_said_in_place_of_the_core_and_the_core_speaks_again_after_it(
    tmp_path: Path,
) -> None:
    async def act() -> None:
        disk, kept = Disk(), Kept()
        scene = open_scene(tmp_path, settings=RESUME, wrap_files=disk.wrap, sinks=[kept])
        await scene.until(lambda: scene.moving)
        assert kept.stands.state == "turning"
        disk.full("append", "journal/")
        await asyncio.sleep(0.2)
        assert (kept.stands.state, kept.stands.run) == ("unrecorded", scene.station._run)
        assert "the drive was sent OFF" in kept.stands.reason
        disk.mended()
        await scene.until(lambda: kept.stands.state == "locked")
        await scene.until(lambda: "journal_failed" in kept.over)
        await scene.station.close()

    run(act)


def test_a_core_that_fails_leaves_no_state_of_its_own_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def act() -> None:
        kept = Kept()
        scene = open_scene(tmp_path, sinks=[kept])
        await scene.until(lambda: scene.moving)

        def fails(_record: object) -> None:
            raise ZeroDivisionError("a fault of the core")

        monkeypatch.setattr(scene.station.core, "handle", fails)
        await scene.until(lambda: kept.stands.state == "failed", 1.0)
        await scene.station.close()

    run(act)


def test_sensors_are_shown_once_a_second_with_the_extremes_in_between(tmp_path: Path) -> None:
    async def act() -> None:
        kept = Kept()
        scene = open_scene(tmp_path, sinks=[kept])
        await scene.until(lambda: scene.moving)
        kept.rows.clear()
        await asyncio.sleep(10.0)
        rows = [each.row for each in kept.rows if each.dataset == LIVE and isinstance(each.row, LiveRow)]
        assert len(rows) == 10
        for row in rows:
            assert row.torque_min_nm is not None
            assert row.torque_max_nm is not None
            assert row.torque_min_nm < row.torque_max_nm
            assert row.position_deg is not None
            assert row.position_min_deg is not None
            assert row.position_max_deg is not None
            assert row.position_min_deg <= row.position_deg <= row.position_max_deg
        for before, after in pairwise(rows):  # from one row to the next no place is left out
            assert before.position_deg is not None
            assert after.position_min_deg is not None
            assert after.position_max_deg is not None
            step_deg = POLL_S * abs(after.position_max_deg - after.position_min_deg)
            assert after.position_min_deg - step_deg <= before.position_deg
            assert before.position_deg <= after.position_max_deg + step_deg
        assert any(row.position_min_deg != row.position_max_deg for row in rows)
        assert rows[0].position_deg != rows[1].position_deg
        await scene.station.close()

    run(act)
