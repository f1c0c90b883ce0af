"""The desk: rows of real stations in virtual time become alarms, the log is kept, and a start knows what an earlier one knew."""

import asyncio
import dataclasses
from pathlib import Path

import pytest
from tests.bench.failing_files import FailingFiles
from tests.simulation.scene import START_UTC_NS, open_scene, run, settings_of
from tests.simulation.shunt_scene import CHECKED
from typing_extensions import override

from nightturn.alarms.words import Acknowledge
from nightturn.bench.alarm_desk import AlarmDesk
from nightturn.bench.virtual_loop import VirtualLoop
from nightturn.bench.worlds import VirtualClock, virtual_world
from nightturn.model.alarms import AlarmRow
from nightturn.model.clocks import NS_PER_S
from nightturn.model.records import Emit
from nightturn.settings.rig import Limit
from nightturn.storage.alarm_log import check_book, read_book

LATER_S = 1500.0
"""Longer than every delay."""
BY = "R. Vale"


class Ahead(VirtualClock):
    """The loop's clock, which a test may put ahead: what the desk waits for needs no station meanwhile."""

    ahead_s = 0.0

    @override
    def monotonic_ns(self) -> int:
        return super().monotonic_ns() + round(self.ahead_s * NS_PER_S)


class Watched:
    """A desk beside a scene: the rows of the station go in, who is called is kept."""

    def __init__(self, root: Path) -> None:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, VirtualLoop)
        self.clock = Ahead(loop, START_UTC_NS)
        self.world = dataclasses.replace(virtual_world(root, loop, START_UTC_NS), clock=self.clock)
        self.changed: list[AlarmRow] = []
        self.desk = self.started()

    def started(self) -> AlarmDesk:
        return AlarmDesk(self.world, ["pan-a1"], "boot", [Sink(self.changed)])

    def offer(self, fixture: str, emit: Emit) -> None:
        self.desk.tick()
        self.desk.offer(fixture, emit)

    def later(self, seconds: float = LATER_S) -> None:
        self.clock.ahead_s += seconds
        self.desk.tick()

    @property
    def calling(self) -> list[str]:
        return [row.id for row in self.desk.rows if row.calls]


class Sink:
    def __init__(self, kept: list[AlarmRow]) -> None:
        self._kept = kept

    def offer(self, _fixture: str, emit: Emit) -> None:
        assert isinstance(emit.row, AlarmRow)
        self._kept.append(emit.row)


FAULTS: dict[str, tuple[str, dict[str, object], float]] = {
    # what is called for at the end, by the fault of the virtual fixture; settings, seconds until the fault is over
    "reset@12s": ("device_restarted", {}, 30.0),
    "crash@12s": ("device_restarted", {}, 30.0),
    "guard@12s+5s": ("guard_opened", {}, 25.0),
    "outage@12s+300s": ("line_down", {}, 30.0),
    "shunt@1s*0.5": ("shunt_check_missed", {"shunt": CHECKED}, 12.0),
    "cable@10s+20s*10": ("torque_signal", {"protect": {"torque_nm": Limit(max=18.0)}}, 30.0),
}

SHORT = ("guard", "outage", "shunt", "cable")
"""A reset is in the story of a restart below."""


@pytest.mark.parametrize(
    "fault",
    [each if each.startswith(SHORT) else pytest.param(each, marks=pytest.mark.long) for each in FAULTS],
)
def test_each_fault_of_the_virtual_fixture_is_exactly_one_alarm(tmp_path: Path, fault: str) -> None:
    word, changes, seconds = FAULTS[fault]

    async def act() -> None:
        watched = Watched(tmp_path)
        settings = settings_of(port=f"virtual:pan15?seed=7&fault={fault}", **changes)
        scene = open_scene(tmp_path, settings=settings, sinks=[watched])
        await asyncio.sleep(seconds)
        watched.later()
        found = [(row.id, row.explained_by, row.state.value) for row in watched.desk.rows]
        assert watched.calling == [word], (found, scene.kinds, scene.motion)
        await scene.station.close()

    run(act)


def test_a_start_settles_what_an_earlier_daemon_knew_by_what_the_fixture_does_now(tmp_path: Path) -> None:
    async def act() -> None:
        watched = Watched(tmp_path)
        settings = settings_of(port="virtual:pan15?seed=7&fault=reset@12s")
        scene = open_scene(tmp_path, settings=settings, sinks=[watched])
        await asyncio.sleep(20.0)
        assert watched.calling == ["device_restarted"]
        await watched.desk.keep()
        assert [row.id for row in read_book(tmp_path).rows] == ["device_restarted"]
        watched.desk = watched.started()  # the core's state still says that motion waits
        assert [row.id for row in watched.changed][-1] == "device_restarted"
        await asyncio.sleep(15.0)
        assert [row.state.value for row in watched.desk.rows] == ["active"]
        assert await watched.desk.asked(Acknowledge("pan-a1", "device_restarted", BY)) == ("", True)
        watched.desk = watched.started()
        scene.station.command("stop", BY)  # a run that has ended waits for no go
        await scene.until(scene.station.ended.is_set)
        assert watched.desk.rows == []
        await watched.desk.keep()
        assert check_book(tmp_path)[0].problem == ""
        await scene.station.close()

    run(act)


def test_a_disk_that_takes_nothing_loses_no_line_and_what_it_took_in_part_is_written_again(
    tmp_path: Path,
) -> None:
    async def act() -> None:
        watched = Watched(tmp_path)
        failing = FailingFiles(watched.world.files)
        watched.world = dataclasses.replace(watched.world, files=failing)
        watched.desk = desk = watched.started()
        await desk.keep()
        failing.fails = lambda operation, path: operation == "sync" and path.startswith("alarms/")
        desk.host("broker_away", there=True, said="no broker")
        assert await desk.asked(Acknowledge("host", "broker_away", BY)) == (
            "host has no alarm 'broker_away' that waits for somebody",
            False,
        )
        watched.later(100.0)
        assert await desk.asked(Acknowledge("host", "broker_away", BY)) == ("", False)
        failing.fails = lambda _operation, _path: False
        await desk.keep()
        book, changes = check_book(tmp_path)
        assert (book.problem, changes) == ("", 2)
        assert [row.acknowledged_by for row in book.rows] == [BY]

    run(act)


def test_a_wall_clock_that_moves_or_lies_behind_the_log_is_an_alarm_of_the_host(tmp_path: Path) -> None:
    async def act() -> None:
        watched = Watched(tmp_path)
        watched.desk.tick()
        assert watched.calling == []
        watched.clock._start_utc_ns -= 3600 * NS_PER_S
        watched.desk.tick()
        assert [(row.fixture, row.id) for row in watched.desk.rows] == [("host", "clock_stepped")]
        assert watched.desk.rows[0].said == "the host's wall clock moved by \u22123600.0 s"
        await watched.desk.keep()
        again = watched.started()
        assert again.now_ts >= watched.desk.rows[0].since_ts  # the time of alarms never goes back
        assert "less than the log of alarms" in again.rows[0].said

    run(act)
