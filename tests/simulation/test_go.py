"""Who may let the shaft turn, what takes a permission away, and how often motion goes on by itself, on whole stations."""

import asyncio
from pathlib import Path

from tests.simulation.scene import open_scene, run, settings_of

from nightturn.virtual.catalogue import from_spec

RESUME = settings_of(after_restart="resume")


def test_nothing_turns_without_go_and_go_is_for_the_unit_that_is_mounted(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, go=False)
        await scene.guard_tried()
        await asyncio.sleep(60)
        assert scene.motion == "locked"
        assert not scene.moving
        assert "nightturn go pan-a1 --unit Q-0117" in scene.tally.states["pan-a1"].waits_for
        scene.station.command("go", "R. Vale", "Q-9999")
        assert scene.station.core.state.motion.permission.refusal.startswith(
            "Q-0117 is mounted here, not Q-9999"
        )
        scene.station.command("go", "", "Q-0117")
        assert "no name was given" in scene.station.core.state.motion.permission.refusal
        await asyncio.sleep(30)
        assert not scene.moving
        scene.go()
        await scene.until(lambda: scene.motion == "announced")
        begun = asyncio.get_running_loop().time()
        assert not scene.moving
        await scene.until(lambda: scene.moving)
        assert asyncio.get_running_loop().time() - begun >= 5.0
        scene.go()  # a second one
        assert "stop it first" in scene.station.core.state.motion.permission.refusal
        await scene.station.close()

    run(act)


def test_a_go_that_an_open_guard_refuses_is_not_remembered(tmp_path: Path) -> None:
    async def act() -> None:
        device = from_spec("pan15?seed=7&fault=guard@2s+20s").build(1_000_000_000)
        scene = open_scene(tmp_path, settings=RESUME, device=device, go=False)
        await scene.until(lambda: scene.count("intervention") == 1)
        scene.go()
        assert scene.station.core.state.motion.permission.refusal == "the guard is open"
        assert scene.count("go_refused") == 1
        await scene.until(lambda: scene.count("intervention_over") == 1)
        await asyncio.sleep(60)
        assert scene.motion == "locked"
        assert not scene.moving
        await scene.station.close()

    run(act)


def test_a_guard_that_opens_before_the_first_turn_takes_the_permission_away(tmp_path: Path) -> None:
    async def act() -> None:
        device = from_spec("pan15?seed=7&fault=guard@3s+2s").build(1_000_000_000)
        scene = open_scene(tmp_path, settings=RESUME, device=device)
        await scene.until(lambda: scene.count("motion_allowed") == 1)
        await scene.until(lambda: scene.count("intervention_over") == 2)
        await asyncio.sleep(60)
        assert scene.motion == "locked"
        assert scene.count("motion_started") == 0
        assert not scene.moving
        await scene.station.close()

    run(act)


def test_a_permission_that_nobody_uses_lapses(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=settings_of(permission_min=1.0))
        await scene.until(lambda: scene.motion == "allowed")
        scene.station._line.drop()  # nothing can be announced without a device
        scene.station._line.stop()
        await asyncio.sleep(70)
        assert scene.motion == "locked"
        assert "has lapsed" in scene.tally.states["pan-a1"].reason
        await scene.station.close()

    run(act)


def test_motion_goes_on_by_itself_only_so_often(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=settings_of(after_restart="resume", restarts_max=2))
        for number in range(3):
            await scene.until(lambda: scene.moving)
            scene.station._line.lost("the cable was pulled")
            await scene.until(lambda: scene.motion not in {"turning", "stopping"})
            assert scene.motion == ("locked" if number == 2 else "allowed")
        assert scene.count("motion_resumed") == 2
        await asyncio.sleep(120)
        assert not scene.moving
        assert scene.motion == "locked"
        scene.go()
        await scene.until(lambda: scene.moving)
        await scene.station.close()

    run(act)
