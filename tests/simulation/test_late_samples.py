"""What the device's ring still holds after an outage says nothing about the shaft of now."""

import asyncio
from pathlib import Path

from tests.simulation.permission_scene import line_down
from tests.simulation.scene import Scene, open_scene, run, settings_of

from nightturn.model.records import Emit
from nightturn.model.rows import EventRow

RESUME = settings_of(after_restart="resume")


def test_what_the_ring_still_holds_after_an_outage_is_late_from_the_first_block_on(tmp_path: Path) -> None:
    ages_s: list[float] = []

    class Ages:
        def offer(self, fixture: str, emit: Emit) -> None:
            if fixture and scenes and isinstance(emit.row, EventRow) and emit.row.kind == "session_up":
                core = scenes[0].station.core
                stream = core._work.stream
                assert stream is not None
                ages_s.append((core.state.watch.seen_tick - core.state.watch.tick) / stream.tick_hz)

    scenes: list[Scene] = []

    async def act() -> None:
        scenes.append(scene := open_scene(tmp_path, settings=RESUME, sinks=[Ages()]))
        await scene.until(lambda: scene.moving)
        line_down(scene, down=True)
        await asyncio.sleep(30.0)
        line_down(scene, down=False)
        await scene.until(lambda: scene.count("session_up") == 2)
        await scene.until(lambda: scene.motion == "allowed")
        assert scene.count("not_still") == 0
        await scene.station.close()

    run(act)
    assert ages_s[-1] > 25.0
