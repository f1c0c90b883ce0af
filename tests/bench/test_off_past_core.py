"""A station that can put nothing on its tape, or whose core has failed, turns the drive off all the same, and gives nothing later."""

import asyncio
from pathlib import Path

import pytest
from tests.bench.failing_files import Disk
from tests.simulation.permission_scene import stays_still
from tests.simulation.scene import open_scene, run, settings_of

from nightturn_protocol import messages as wire

RESUME = settings_of(after_restart="resume")


@pytest.mark.parametrize("name", ["stop", "pause"])
def test_a_stop_or_pause_that_the_tape_does_not_take_turns_the_drive_off_at_once(
    tmp_path: Path, name: str
) -> None:
    async def act() -> None:
        disk = Disk()
        scene = open_scene(tmp_path, settings=RESUME, wrap_files=disk.wrap)
        await scene.until(lambda: scene.moving)
        await asyncio.sleep(1.0)
        disk.full("append", "journal/")
        assert scene.station.command(name, "R. Vale") is None
        await asyncio.sleep(0.01)  # what a line takes, and far below a lease
        scene.device.advance(scene.world.clock.monotonic_ns())
        rig = scene.device._rig
        assert (rig.turning, rig.energised) == (False, False)
        assert scene.device._firmware.lease.state is wire.LeaseState.LIVE  # it is not what stopped the shaft
        await scene.until(lambda: not scene.moving, 5.0)
        disk.mended()
        await asyncio.sleep(60.0)
        assert not scene.moving
        assert scene.count("motion_resumed") == 0
        assert scene.motion == ("locked" if name == "pause" else "ended")
        await scene.station.close()

    run(act)


def test_a_go_that_the_tape_did_not_take_is_not_given_later(tmp_path: Path) -> None:
    async def act() -> None:
        disk = Disk()
        scene = open_scene(tmp_path, settings=RESUME, wrap_files=disk.wrap, go=False)
        await scene.guard_tried()
        disk.full("append", "journal/")
        assert scene.station.command("go", "R. Vale", "Q-0117") is None
        await asyncio.sleep(1.0)
        disk.mended()
        await stays_still(scene, 45.0)
        assert scene.motion == "locked"
        assert scene.count("motion_allowed") == scene.count("go_refused") == 0
        await scene.station.close()

    run(act)


def test_a_core_that_fails_leaves_no_drive_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path)
        await scene.until(lambda: scene.moving)

        def fails(_record: object) -> None:
            raise ZeroDivisionError("a fault of the core")

        monkeypatch.setattr(scene.station.core, "handle", fails)
        await scene.until(lambda: scene.station.crashed is not None, 1.0)
        await asyncio.sleep(0.01)
        scene.device.advance(scene.world.clock.monotonic_ns())
        assert (scene.device._rig.turning, scene.device._rig.energised) == (False, False)
        await scene.station.close()

    run(act)
