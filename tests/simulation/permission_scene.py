"""What the tests of motion permission do to a scene, and what they look at."""

import asyncio
from pathlib import Path

from tests.simulation.scene import Scene, open_scene


def reasons(scene: Scene) -> str:
    """Why it is locked, in one text."""
    return "; ".join(reason.text for reason in scene.station.core.state.motion.permission.reasons)


def guard(scene: Scene, *, closed: bool) -> None:
    scene.guard(closed=closed)


def inputs_known(scene: Scene) -> bool:
    return scene.station.core.state.watch.inputs_tick >= 0


def line_down(scene: Scene, *, down: bool) -> None:
    """Pull the cable of the virtual fixture, or plug it in again; the host tries to open it all the while."""
    scene.device.line_up = lambda now_ns: not down  # type: ignore[method-assign]  # noqa: ARG005 - an outage without a schedule


def killed(scene: Scene) -> None:
    """What a kill -9 leaves: no timer fires any more, nothing is closed."""
    for timer in scene.station._timers.values():
        timer.cancel()
    scene.station._line.stop()


async def stays_still(scene: Scene, seconds: float) -> None:
    """Nothing turns, by the plant, at any tenth of so many seconds."""
    for _ in range(round(seconds * 10)):
        await asyncio.sleep(0.1)
        assert not scene.moving


async def nothing_turns_after_a_restart(
    scene: Scene, root: Path, away_s: float = 2.0, **kept: object
) -> Scene:
    """The next host meets the same device and lets it stand."""
    await asyncio.sleep(away_s)
    following = open_scene(root, device=scene.device, **kept)  # type: ignore[arg-type]  # keywords passed on
    opened = following.station.core.state.run.opened
    assert opened is not None
    assert opened.resumed
    await following.until(lambda: inputs_known(following))
    await stays_still(following, 45.0)
    assert following.motion == "locked"
    assert following.count("motion_resumed") == 0
    return following
