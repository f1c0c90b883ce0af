"""Why a run ended is one fact: event, row, state and manifest give the same reason, live and after a crash."""

from pathlib import Path

import pytest
from tests.bench.test_recovery import killed
from tests.simulation.scene import PLAN, Scene, open_scene, run
from tests.simulation.shunt_scene import device, manifest, rig

from nightturn.bench.recovery import recover
from nightturn.bench.worlds import RealClock
from nightturn.storage.files import RealFiles
from nightturn.storage.journal import Journal
from nightturn.storage.runs import list_runs, open_run


async def turning(root: Path) -> Scene:
    """A fixture with a last check still to come, so that its run ends some seconds after it was asked to."""
    scene = open_scene(root, settings=rig(plan=PLAN, chunk_s=3600.0), device=device())
    await scene.until(lambda: scene.moving)
    scene.station.command("stop", "R. Vale")
    assert not scene.station.ended.is_set()
    return scene


def check_one_reason(root: Path, scene: Scene) -> None:
    told = manifest(root, scene)
    events = open_run(root).events()
    ended = events[events["kind"] == "run_ended"]
    assert told.state == "ended"
    assert (told.reason, told.ended_by) == ("stopped by R. Vale", "command")
    assert list(ended["detail"]) == ["stopped by R. Vale (by command)"]
    assert list(ended["ts"].astype("int64")) == [told.ended_utc_ns]
    (listed,) = list_runs(root)
    assert (listed.state, listed.reason) == ("ended", told.reason)


@pytest.mark.parametrize("dies", [False, True], ids=["closed", "killed"])
def test_a_second_wish_does_not_change_the_reason(tmp_path: Path, *, dies: bool) -> None:
    scenes: list[Scene] = []

    async def act() -> None:
        scene = await turning(tmp_path)
        scene.station.command("stop", "M. Thorn")
        await scene.until(scene.station.ended.is_set, 3)  # the shaft stands, and no check is waited for
        assert scene.tally.states["pan-a1"].reason == "stopped by R. Vale"
        if dies:
            killed(scene)
        else:
            await scene.station.close()
        scenes.append(scene)

    run(act)
    files = RealFiles(tmp_path)
    found = recover(files, Journal(files, "pan-a1", RealClock()), "pan-a1")
    assert found.ended is None  # the station has said so
    check_one_reason(tmp_path, *scenes)


def test_a_host_that_dies_before_the_last_check_leaves_the_reason_that_was_given(tmp_path: Path) -> None:
    scenes: list[Scene] = []

    async def act() -> None:
        scene = await turning(tmp_path)
        killed(scene)
        scenes.append(scene)

    run(act)
    files = RealFiles(tmp_path)
    found = recover(files, Journal(files, "pan-a1", RealClock()), "pan-a1")
    assert found.ended is not None
    assert (found.ended.reason, found.ended.by) == ("stopped by R. Vale", "command")
    again = recover(files, Journal(files, "pan-a1", RealClock()), "pan-a1")
    assert again.ended is None  # nobody is to say it twice
    check_one_reason(tmp_path, *scenes)
    events = open_run(tmp_path).events()
    unseen = events[events["kind"] == "rest_unseen"]
    assert list(unseen["severity"]) == ["alarm"]
