"""A host that stands still for a while: what waits unread meanwhile is read late, and nothing of it is lost.

The motion lease is not a safety function; these tests say when it runs out, not that it protects anybody.
"""

import asyncio
from pathlib import Path

import numpy as np
import pytest
from tests.simulation.scene import Scene, checked, open_scene, run, settings_of

from nightturn.bench.virtual_loop import VirtualLoop
from nightturn.bench.virtual_port import VirtualPort

BLOCKS_OF_10_MS = settings_of(samples_per_block=10)
READ_S = 0.005  # a real line is read as soon as it has something


def stand_still(scene: Scene, seconds: float) -> None:
    """Nothing of the host runs for so long; what it had written before is with the driver, and leaves."""
    loop = asyncio.get_running_loop()
    assert isinstance(loop, VirtualLoop)
    assert isinstance(scene.port, VirtualPort)
    if scene.port._underway:
        scene.device.receive(bytes(scene.port._underway), scene.world.clock.monotonic_ns())
        scene.port._underway.clear()
    loop._virtual.now_s += seconds


@pytest.mark.parametrize("seed", [1, 2])
def test_a_host_that_stands_still_for_up_to_450_ms_loses_no_sample_and_no_lease(
    tmp_path: Path, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    stalls: list[float] = []

    async def act() -> None:
        scene = open_scene(tmp_path, settings=BLOCKS_OF_10_MS, poll_s=READ_S)
        await scene.until(lambda: scene.moving)
        for _ in range(60):
            await asyncio.sleep(rng.uniform(0.6, 2.5))
            stalls.append(rng.uniform(0.1, 0.45))
            stand_still(scene, stalls[-1])
        await asyncio.sleep(1.0)
        assert scene.motion == "turning"
        assert scene.gaps == []
        assert {"motion_stopped", "lease_lapsed", "line_lost"}.isdisjoint(scene.kinds), scene.kinds
        assert scene.count("motion_started") == 1
        await scene.station.close()

    run(act)
    (report,) = checked(tmp_path)
    assert (report.missing, len(stalls)) == (0, 60)
    assert max(stalls) > 0.43


def test_a_host_that_stands_still_for_700_ms_loses_its_lease_says_so_and_keeps_every_sample(
    tmp_path: Path,
) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=BLOCKS_OF_10_MS, poll_s=READ_S)
        await scene.until(lambda: scene.moving)
        await asyncio.sleep(3.0)
        await scene.until(lambda: scene.moving)
        stand_still(scene, 0.7)
        await scene.until(lambda: not scene.moving)
        await scene.until(lambda: scene.motion == "locked")
        assert "the motion lease lapsed on the device" in " ".join(event.detail for event in scene.events)
        assert scene.gaps == []
        await asyncio.sleep(20.0)
        assert not scene.moving
        await scene.station.close()

    run(act)
    (report,) = checked(tmp_path)
    assert report.missing == 0
