"""A wall clock that is set back while no host runs: the device's own clock says how long motion was interrupted.

Motion permission is bookkeeping and not a safety function; these tests say what it does, not that it protects anybody.
"""

import asyncio
from pathlib import Path

import pytest
from tests.simulation.permission_scene import killed, nothing_turns_after_a_restart, reasons
from tests.simulation.scene import open_scene, run, settings_of

RESUME = settings_of(after_restart="resume")


@pytest.mark.parametrize(("away_s", "set_back_s"), [(150.0, 60.0), (121.0, 121.0)])
def test_a_wall_clock_that_is_set_back_over_a_restart_shortens_no_outage(
    tmp_path: Path, away_s: float, set_back_s: float
) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=RESUME)
        await scene.until(lambda: scene.moving)
        await asyncio.sleep(3.0)
        killed(scene)
        following = await nothing_turns_after_a_restart(
            scene, tmp_path, away_s, settings=RESUME, later_s=-set_back_s
        )
        assert "interrupted for longer than 120 s" in reasons(following)
        await following.station.close()

    run(act)


def test_a_resume_counts_the_whole_outage_and_the_whole_age_of_its_permission_on_by_the_devices_clock(
    tmp_path: Path,
) -> None:
    """110 s away, of which the wall clock shows 60 s."""

    async def act() -> None:
        scene = open_scene(tmp_path, settings=RESUME)
        await scene.until(lambda: scene.moving)
        await asyncio.sleep(3.0)
        killed(scene)
        await asyncio.sleep(110.0)
        following = open_scene(tmp_path, settings=RESUME, device=scene.device, later_s=-50.0)
        await following.until(lambda: following.motion == "allowed")
        permission = following.station.core.state.motion.permission
        idle_s = (following.world.clock.monotonic_ns() - permission.interrupted_ns) / 1e9
        assert 110.0 < idle_s < 115.0
        age_s = (following.world.clock.monotonic_ns() - permission.go_ns) / 1e9
        assert age_s > 113.0
        killed(following)

    run(act)
