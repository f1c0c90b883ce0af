"""A disk that runs short: motion ends and says so while everything is still recorded, and never begins by itself."""

import asyncio
from pathlib import Path

from tests.simulation.scene import checked, open_scene, run

from nightturn.bench.safekeeping import ENOUGH_BYTES, RESERVE_BYTES
from nightturn.storage.files import RealFiles


def test_motion_ends_below_the_reserve_recording_goes_on_and_only_a_person_lets_it_turn_again(
    tmp_path: Path,
) -> None:
    free = [ENOUGH_BYTES]

    async def act() -> None:
        scene = open_scene(tmp_path, room=lambda: free[0])
        await scene.until(lambda: scene.motion == "turning", 80)
        free[0] = RESERVE_BYTES - 1
        await scene.until(lambda: scene.motion == "locked", 20)
        assert any("less than 1 GB was free" in why for why in scene.why_locked)
        assert scene.count("disk_short") == 1
        seen = scene.station.durable_through
        free[0] = ENOUGH_BYTES - 1  # more than the reserve, not yet enough
        await asyncio.sleep(20.0)
        assert scene.station.core.state.disk.trouble != ""
        assert scene.station.durable_through > seen
        free[0] = ENOUGH_BYTES
        await asyncio.sleep(60.0)
        assert scene.station.core.state.disk.trouble == ""
        assert (scene.motion, scene.moving) == ("locked", False)
        scene.go()
        await scene.until(lambda: scene.motion == "turning", 80)
        assert scene.count("disk_short") == 1
        await scene.station.close()

    run(act)
    (report,) = checked(tmp_path)
    assert report.stored == report.produced  # not a sample is missing for it


def test_the_real_files_say_what_the_disk_takes(tmp_path: Path) -> None:
    assert 0 < RealFiles(tmp_path).room() < 1 << 60
