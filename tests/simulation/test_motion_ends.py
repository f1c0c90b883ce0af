"""How a run ends whose shaft moves: OFF at once, and nobody lets go of the line before the shaft was seen to stand.

Motion permission is bookkeeping and not a safety function; these tests say what it does, not that it protects anybody.
"""

import asyncio
from pathlib import Path

import msgspec
import pytest
from tests.simulation.permission_scene import guard, killed, line_down
from tests.simulation.scene import PLAN, Scene, open_scene, run, settings_of

from nightturn.settings.rig import Limit, Shunt, SlowTurn, Travel
from nightturn.virtual.rig import Rig

LONG_TURN = settings_of(
    plan=msgspec.structs.replace(PLAN, slow_turn=SlowTurn(revolutions=20, speed_rpm=30.0)),
    travel=Travel(range_deg=(-20_000.0, 20_000.0)),
)


def a_drive_that_does_not_listen(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Rig, "set_speed", lambda _rig, _speed, _ramp: None)


def alarms(scene: Scene) -> list[tuple[str, str]]:
    """The host's own: the guard is tried before the first go, and the device reports that."""
    told = [event for event in scene.events if event.severity == "alarm" and event.tick == 0]
    return [(event.kind, event.detail) for event in told]


@pytest.mark.parametrize("name", ["stop", "card_changed"])
def test_a_run_that_ends_watches_its_shaft_and_tells_people_when_it_moves_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=LONG_TURN)
        await scene.until(lambda: scene.moving)
        a_drive_that_does_not_listen(monkeypatch)
        began_ns = scene.world.clock.monotonic_ns()
        scene.station.command(name, "R. Vale")
        numbered = scene.station.core.state.motion.planner.command_no
        assert scene.motion == "ended"
        await asyncio.sleep(5.0)
        assert not scene.station.ended.is_set()  # nobody has seen it stand, so the line stays
        assert alarms(scene) == []
        await scene.until(scene.station.ended.is_set, 20)
        assert scene.moving
        assert (scene.world.clock.monotonic_ns() - began_ns) / 1e9 > 5.0 + PLAN.dwell_s
        assert alarms(scene) == [("shaft_still_moves", "the shaft still moves: emergency stop")]
        assert scene.station.core.state.motion.planner.command_no == numbered + 2
        assert scene.station.core.state.motion.permission.text == "the shaft still moves: emergency stop"
        assert scene.kinds.index("shaft_still_moves") < scene.kinds.index("run_ended")
        assert scene.count("shunt_on") == 1  # the one at the start
        await scene.station.close()

    run(act)


def test_a_stop_while_the_run_waits_for_the_shaft_sends_off_again_and_the_watch_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=LONG_TURN)
        await scene.until(lambda: scene.moving)
        a_drive_that_does_not_listen(monkeypatch)
        scene.station.command("stop", "R. Vale")
        numbered = scene.station.core.state.motion.planner.command_no
        await asyncio.sleep(1.0)
        scene.station.command("stop", "A. Roe")
        assert scene.station.core.state.motion.planner.command_no == numbered + 2
        assert not scene.station.ended.is_set()
        monkeypatch.undo()
        scene.station.command("stop", "A. Roe")
        await scene.until(scene.station.ended.is_set, 5)
        assert not scene.moving
        assert alarms(scene) == []
        assert scene.station.run_ended is not None
        assert scene.station.run_ended.reason == "stopped by R. Vale"
        await scene.station.close()

    run(act)


def test_a_guard_that_opens_while_the_run_waits_for_the_shaft_ends_no_watch(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=LONG_TURN)
        await scene.until(lambda: scene.moving)
        a_drive_that_does_not_listen(monkeypatch)
        scene.station.command("stop", "R. Vale")
        await asyncio.sleep(1.0)
        guard(scene, closed=False)
        await asyncio.sleep(1.0)
        assert not scene.station.ended.is_set()
        await scene.until(scene.station.ended.is_set, 20)
        assert "shaft_still_moves" in scene.kinds
        await scene.station.close()

    run(act)


def test_a_run_that_ends_without_samples_says_that_nobody_knows_whether_the_shaft_stands(
    tmp_path: Path,
) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=LONG_TURN)
        await scene.until(lambda: scene.moving)
        scene.station.command("stop", "R. Vale")
        line_down(scene, down=True)
        await scene.until(scene.station.ended.is_set, 20)
        assert alarms(scene) == [
            ("rest_unseen", "it is not known whether the shaft is at rest: no samples since it was stopped")
        ]
        await scene.station.close()

    run(act)


def test_a_finished_plan_is_over_only_when_the_shaft_has_stood_for_the_dwell(tmp_path: Path) -> None:
    settings = settings_of(shunt=Shunt(check=False), plan=msgspec.structs.replace(PLAN, cycles=1))

    async def act() -> None:
        scene = open_scene(tmp_path, settings=settings)
        await scene.until(lambda: scene.motion == "ended")
        finished_ns = scene.world.clock.monotonic_ns()
        assert not scene.station.ended.is_set()
        await scene.until(scene.station.ended.is_set, 10)
        assert (scene.world.clock.monotonic_ns() - finished_ns) / 1e9 >= PLAN.dwell_s - 0.1
        assert alarms(scene) == []
        assert scene.station.run_ended is not None
        assert scene.station.run_ended.by == "plan"
        await scene.station.close()

    run(act)


def test_a_shaft_that_moves_after_a_finished_plan_is_an_alarm_before_the_run_ends(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = settings_of(shunt=Shunt(check=False), plan=msgspec.structs.replace(PLAN, cycles=1))

    async def act() -> None:
        scene = open_scene(tmp_path, settings=settings)
        await scene.until(lambda: scene.motion == "ended")
        scene.device._rig.set_speed(1.0, 20.0)  # a drive that has gone mad
        a_drive_that_does_not_listen(monkeypatch)
        await scene.until(scene.station.ended.is_set, 20)
        assert scene.moving
        assert alarms(scene) == [("shaft_still_moves", "the shaft still moves: emergency stop")]
        assert scene.kinds.index("shaft_still_moves") < scene.kinds.index("run_ended")
        await scene.station.close()

    run(act)


def test_a_daemon_that_restarts_before_the_shaft_was_seen_to_stand_ends_the_run_and_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=LONG_TURN)
        await scene.until(lambda: scene.moving)
        a_drive_that_does_not_listen(monkeypatch)
        scene.station.command("stop", "R. Vale")
        await asyncio.sleep(2.0)
        killed(scene)
        following = open_scene(tmp_path, device=scene.device, go=False)
        opened, before = following.station.core.state.run.opened, scene.station.core.state.run.opened
        assert opened is not None
        assert before is not None
        assert (opened.resumed, opened.run == before.run) == (False, False)
        await following.station.close()

    run(act)


def test_a_limit_that_ends_the_run_is_told_once_while_the_shaft_comes_to_rest(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = msgspec.structs.replace(LONG_TURN, protect={"torque_nm": Limit(max=0.1, on_exceed="stop")})

    async def act() -> None:
        scene = open_scene(tmp_path, settings=msgspec.structs.replace(settings, shunt=Shunt(check=False)))
        await scene.until(lambda: scene.moving)
        a_drive_that_does_not_listen(monkeypatch)
        await scene.until(scene.station.ended.is_set, 20)
        kinds = [kind for kind, _ in alarms(scene)]
        assert kinds == ["limit_exceeded", "shaft_still_moves"]
        assert scene.station.run_ended is not None
        assert scene.station.run_ended.by == "limit"
        await scene.station.close()

    run(act)
