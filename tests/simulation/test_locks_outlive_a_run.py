"""What only the host knows and no person has answered for: a run that ends leaves it to the next one, over restarts too."""

import asyncio
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest
from tests.simulation.permission_scene import inputs_known, killed, reasons
from tests.simulation.scene import CARD, PLAN, Scene, open_scene, run, settings_of
from tests.simulation.test_motion_ends import LONG_TURN, a_drive_that_does_not_listen
from tests.simulation.test_overload import LIMITED, knocked_before_the_host_came

from nightturn.settings.rig import FixtureSettings, Limit, Shunt
from nightturn_protocol import messages as wire

NEXT_CARD = msgspec.structs.replace(CARD, unit="Q-0121", mounted_utc="2026-05-04T20:00:00Z")
LIMIT = msgspec.structs.replace(
    LONG_TURN, protect={"torque_nm": Limit(max=0.1, on_exceed="stop")}, shunt=Shunt(check=False)
)


async def closed(scene: Scene) -> None:
    await scene.station.close()


async def died(scene: Scene) -> None:
    killed(scene)


async def the_next_run(scene: Scene, settings: FixtureSettings, words: str) -> Scene:
    """The unit after is mounted: its run is locked for the same, says so, and a `go` answers for it."""
    following = open_scene(scene.root, settings=settings, device=scene.device, card=NEXT_CARD, go=False)
    opened = following.station.core.state.run.opened
    assert opened is not None
    assert not opened.resumed
    assert words in reasons(following)
    (kept,) = [event for event in following.events if event.kind == "locks_kept"]
    assert kept.detail.startswith("nobody answered in the run before: ")
    assert words in kept.detail
    assert words in following.station.waits_for
    return following


async def overloaded(root: Path) -> Scene:
    scene = knocked_before_the_host_came(root, settings=LIMITED, go=False)
    await scene.until(lambda: scene.count("overload_remembered") == 1)
    scene.station.command("stop", "R. Vale")
    await scene.until(scene.station.ended.is_set)
    return scene


@pytest.mark.parametrize("end", [closed, died], ids=["closed", "killed"])
def test_an_overload_that_nobody_answered_locks_the_next_run_and_the_one_after(
    tmp_path: Path, end: Callable[[Scene], object]
) -> None:
    words = "torque reached 20 N·m (limit 12 N·m) while this run recorded nothing"

    async def act() -> None:
        scene = await overloaded(tmp_path)
        await end(scene)  # type: ignore[misc]  # one of the two above
        following = await the_next_run(scene, LIMITED, words)
        await following.until(lambda: inputs_known(following))
        following.station.command("stop", "A. Roe")
        await following.until(following.station.ended.is_set)
        await following.station.close()
        last = await the_next_run(following, LIMITED, words)
        await last.guard_tried()
        last.station.command("go", "A. Roe", NEXT_CARD.unit)
        (allowed,) = [event.detail for event in last.events if event.kind == "motion_allowed"]
        assert words in allowed
        last.station.command("stop", "A. Roe")
        await last.until(last.station.ended.is_set)
        await last.station.close()
        answered = open_scene(tmp_path, settings=LIMITED, device=last.device, card=CARD, go=False)
        assert words not in reasons(answered)
        await answered.station.close()

    run(act)


@pytest.mark.parametrize("end", [closed, died], ids=["closed", "killed"])
def test_a_shaft_that_did_not_stop_locks_the_next_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, end: Callable[[Scene], object]
) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=LONG_TURN)
        await scene.until(lambda: scene.moving)
        a_drive_that_does_not_listen(monkeypatch)
        scene.station.command("stop", "R. Vale")
        await scene.until(scene.station.ended.is_set, 20)
        await end(scene)  # type: ignore[misc]  # one of the two above
        following = await the_next_run(scene, LONG_TURN, "the shaft still moves: emergency stop")
        await following.station.close()

    run(act)


def test_a_protective_limit_that_ended_a_run_locks_the_next_one(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=LIMIT)
        await scene.until(scene.station.ended.is_set)
        await scene.station.close()
        following = await the_next_run(scene, LIMIT, "beyond its protective limit of 100 mN·m")
        await following.station.close()

    run(act)


def test_a_trip_while_the_run_ends_locks_the_next_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=LONG_TURN)
        await scene.until(lambda: scene.moving)
        a_drive_that_does_not_listen(monkeypatch)
        scene.station.command("stop", "R. Vale")
        firmware = scene.device._firmware
        firmware.events.add(
            firmware.tick, wire.EventCode.TORQUE_TRIP, wire.Severity.ALARM, (1, 0), latched=True
        )
        await asyncio.sleep(1.0)
        monkeypatch.undo()
        scene.station.command("stop", "R. Vale")
        await scene.until(scene.station.ended.is_set, 20)
        await scene.station.close()
        following = await the_next_run(scene, LONG_TURN, "the device reports: torque trip")
        await following.station.close()

    run(act)


def test_what_a_person_stopped_without_trouble_leaves_the_next_run_no_reason(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=settings_of(shunt=Shunt(check=False), plan=PLAN))
        await scene.until(lambda: scene.moving)
        scene.station.command("stop", "R. Vale")
        await scene.until(scene.station.ended.is_set, 20)
        await scene.station.close()
        following = open_scene(tmp_path, device=scene.device, card=NEXT_CARD, go=False)
        assert following.why_locked == []
        assert following.count("locks_kept") == 0
        await following.station.close()

    run(act)
