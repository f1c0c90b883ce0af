"""What goes on by itself after an interruption, and what never does, through the core, the tape and recovery.

Motion permission is bookkeeping and not a safety function; these tests say what it does, not that it protects anybody.
"""

import asyncio
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest
from tests.simulation.permission_scene import (
    guard,
    inputs_known,
    killed,
    line_down,
    nothing_turns_after_a_restart,
    reasons,
    stays_still,
)
from tests.simulation.scene import CARD, Scene, open_scene, run, settings_of

from nightturn.model.facts import DAEMON_ENDS, MotionLeft
from nightturn_protocol import messages as wire

RESUME = settings_of(after_restart="resume")
STAY = settings_of()


# ---- what goes on by itself ------------------------------------------------------------------------------------------


def test_a_resume_is_announced_for_fifteen_seconds_and_comes_only_so_many_times(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=settings_of(after_restart="resume", restarts_max=2))
        for number in (1, 2):
            await scene.until(lambda: scene.moving)
            scene.station._line.lost("the cable was pulled")
            await scene.until(lambda number=number: scene.count("motion_resumed") == number)  # type: ignore[misc]  # bound now
            assert f"({number} of 2)" in [e.detail for e in scene.events if e.kind == "motion_resumed"][-1]
            await scene.until(lambda: scene.motion == "announced")
            await stays_still(scene, 14.5)
            assert scene.motion == "announced"
        await scene.until(lambda: scene.moving)
        scene.station._line.lost("the cable was pulled")
        await scene.until(lambda: scene.motion == "locked")
        await stays_still(scene, 60.0)
        assert scene.motion == "locked"
        assert scene.count("motion_resumed") == 2
        scene.go()  # a person's permission counts anew
        await scene.until(lambda: scene.moving)
        scene.station._line.lost("the cable was pulled")
        await scene.until(lambda: scene.count("motion_resumed") == 3)
        await scene.station.close()

    run(act)


def test_an_outage_that_is_too_long_waits_for_a_person(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=RESUME)
        await scene.until(lambda: scene.moving)
        line_down(scene, down=True)
        await asyncio.sleep(125.0)
        assert scene.motion == "locked"
        line_down(scene, down=False)
        await scene.until(lambda: scene.count("session_up") == 2)
        await stays_still(scene, 45.0)
        assert scene.motion == "locked"
        await scene.station.close()

    run(act)


def test_a_resume_that_is_interrupted_again_lapses_as_soon_as_an_outage_would(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=RESUME)
        await scene.until(lambda: scene.moving)
        scene.station._line.lost("the cable was pulled")
        await scene.until(lambda: scene.motion == "allowed")
        line_down(scene, down=True)
        await asyncio.sleep(125.0)
        assert scene.motion == "locked"
        line_down(scene, down=False)
        await scene.until(lambda: scene.count("session_up") == 3)
        await stays_still(scene, 45.0)
        assert scene.motion == "locked"
        await scene.station.close()

    run(act)


@pytest.mark.parametrize(
    ("permission_min", "away_s", "lapse"),
    [(30.0, 100.0, "it was interrupted for longer than 120 s"), (1.0, 45.0, "was not used for 1 min")],
)
def test_a_resume_counts_the_time_without_a_device_on_and_begins_none_anew(
    tmp_path: Path, permission_min: float, away_s: float, lapse: str
) -> None:
    settings = settings_of(after_restart="resume", permission_min=permission_min)

    async def act() -> None:
        scene = open_scene(tmp_path, settings=settings)
        await scene.until(lambda: scene.moving)
        line_down(scene, down=True)
        await asyncio.sleep(away_s)
        line_down(scene, down=False)
        await scene.until(lambda: scene.motion == "allowed")
        line_down(scene, down=True)
        await asyncio.sleep(1.0)
        assert scene.motion == "allowed"
        await asyncio.sleep(24.0)
        assert scene.motion == "locked"
        assert lapse in reasons(scene)
        await scene.station.close()

    run(act)


# ---- a host that restarts --------------------------------------------------------------------------------------------


def daemon_ends(scene: Scene) -> None:
    scene.station.command(DAEMON_ENDS)
    killed(scene)


@pytest.mark.parametrize("end", [killed, daemon_ends], ids=["killed", "ended"])
def test_after_a_short_restart_in_the_same_boot_motion_goes_on_where_the_rig_file_says_so(
    tmp_path: Path, end: Callable[[Scene], None]
) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=RESUME)
        await scene.until(lambda: scene.moving)
        await asyncio.sleep(3.0)
        end(scene)
        await asyncio.sleep(5.0)
        following = open_scene(tmp_path, settings=RESUME, device=scene.device)
        await following.until(lambda: following.motion == "announced")
        await stays_still(following, 14.5)
        await following.until(lambda: following.moving)
        (resumed,) = [event for event in following.events if event.kind == "motion_resumed"]
        assert resumed.detail.endswith(f"permitted by {CARD.operator}; goes on by itself (1 of 3)")
        permission = following.station.core.state.motion.permission
        assert (permission.by, permission.resumes) == (CARD.operator, 1)
        await following.station.close()

    run(act)


def test_after_a_restart_nothing_turns_where_the_rig_file_says_stay(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=STAY)
        await scene.until(lambda: scene.moving)
        killed(scene)
        following = await nothing_turns_after_a_restart(scene, tmp_path, settings=STAY)
        assert 'after_restart = "stay"' in reasons(following)
        following.go()
        await following.until(lambda: following.moving)
        await following.station.close()

    run(act)


def test_after_a_restart_with_a_new_boot_of_the_device_nothing_turns(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=RESUME)
        await scene.until(lambda: scene.moving)
        killed(scene)
        scene.device.reset()
        following = await nothing_turns_after_a_restart(scene, tmp_path, settings=RESUME)
        assert "the device restarted" in reasons(following)
        assert "travel unknown since" in following.station.waits_for  # its encoder tells one turn
        following.station.command("confirm_travel_zero", "R. Vale")
        following.go()
        await following.until(lambda: following.moving)
        await following.station.close()

    run(act)


def test_after_a_long_outage_of_the_host_nothing_turns(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=RESUME)
        await scene.until(lambda: scene.moving)
        killed(scene)
        following = await nothing_turns_after_a_restart(scene, tmp_path, 121.0, settings=RESUME)
        assert "interrupted for longer than 120 s" in reasons(following)
        await following.station.close()

    run(act)


def test_an_outage_that_a_host_restart_falls_into_counts_on(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=RESUME)
        await scene.until(lambda: scene.moving)
        line_down(scene, down=True)
        await asyncio.sleep(90.0)
        assert scene.motion == "stopping"
        killed(scene)
        line_down(scene, down=False)
        following = await nothing_turns_after_a_restart(scene, tmp_path, away_s=40.0, settings=RESUME)
        assert "it was interrupted for longer than 120 s" in reasons(following)
        await following.station.close()

    run(act)


@pytest.mark.parametrize("state", ["locked", "allowed", "announced", "paused"])
def test_after_a_restart_nothing_turns_that_was_not_turning_before(tmp_path: Path, state: str) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=RESUME, go=state != "locked")
        if state == "paused":
            await scene.until(lambda: scene.moving)
            scene.station.command("pause", "R. Vale")
        elif state == "locked":
            await asyncio.sleep(10.0)
        await scene.until(lambda: scene.motion == state)
        await asyncio.sleep(1.5)  # long enough to be on the disk
        assert scene.motion == state
        killed(scene)
        following = await nothing_turns_after_a_restart(scene, tmp_path, settings=RESUME)
        await following.station.close()

    run(act)


def test_a_restart_before_a_resume_is_done_counts_on_and_does_not_begin_anew(tmp_path: Path) -> None:
    async def act() -> None:
        settings = settings_of(after_restart="resume", restarts_max=1)
        scene = open_scene(tmp_path, settings=settings)
        await scene.until(lambda: scene.moving)
        await asyncio.sleep(3.0)
        killed(scene)
        second = open_scene(tmp_path, settings=settings, device=scene.device)
        await second.until(lambda: second.moving)
        await asyncio.sleep(3.0)
        killed(second)
        third = await nothing_turns_after_a_restart(second, tmp_path, settings=settings)
        assert "gone on by itself 1 times already" in reasons(third)
        await third.station.close()

    run(act)


async def taken_up_otherwise(tmp_path: Path, otherwise: Callable[[MotionLeft], MotionLeft]) -> Scene:
    """The next host after a kill, which finds that something is not as the permission was given for."""
    scene = open_scene(tmp_path, settings=RESUME)
    await scene.until(lambda: scene.moving)
    await asyncio.sleep(3.0)
    killed(scene)
    await asyncio.sleep(2.0)
    following = open_scene(tmp_path, settings=RESUME, device=scene.device)
    state = following.station.core.state
    assert state.run.opened is not None
    assert state.run.opened.left is not None
    assert state.device.link is not None
    left = otherwise(state.run.opened.left)
    state.run.opened = msgspec.structs.replace(state.run.opened, left=left)
    state.device.link.handshake.memory.events_through, state.device.link.handshake.memory.newest_event = (
        left.events_through,
        left.events_newest,
    )
    await following.until(lambda: inputs_known(following))
    await stays_still(following, 45.0)
    assert following.motion == "locked"
    assert following.count("motion_resumed") == 0
    following.go()
    await following.until(lambda: following.moving)
    await following.station.close()
    return following


@pytest.mark.parametrize(
    ("field", "words"),
    [
        ("rig", "fixture in the rig file"),
        ("variant", "variant"),
        ("card", "mount card"),
        ("port", "port"),
        ("board", "board"),
        ("sheet", "sheet of the device"),
    ],
)
def test_what_the_permission_was_not_given_for_does_not_go_on_by_itself(
    tmp_path: Path, field: str, words: str
) -> None:
    def otherwise(left: MotionLeft) -> MotionLeft:
        assert left.bound is not None
        return msgspec.structs.replace(left, bound=msgspec.structs.replace(left.bound, **{field: "another"}))

    async def act() -> None:
        following = await taken_up_otherwise(tmp_path, otherwise)
        (told,) = [e.detail for e in following.events if e.kind == "motion_stays"]
        assert f"the permission was given for another {words} (another, now " in told

    run(act)


def test_behind_a_missing_event_of_the_device_motion_does_not_go_on_by_itself(tmp_path: Path) -> None:
    """The last daemon saw an event whose predecessor it did not see: it may have been a guard."""

    def otherwise(
        left: MotionLeft,
    ) -> MotionLeft:  # so far that what the stop itself raises does not fill the hole
        return msgspec.structs.replace(left, events_newest=left.events_newest + 50)

    async def act() -> None:
        following = await taken_up_otherwise(tmp_path, otherwise)
        (told,) = [e.detail for e in following.events if e.kind == "motion_stays"]
        assert told == "the host restarted; motion stays: an event of the device is missing"

    run(act)


def test_an_event_that_is_missing_before_the_next_turn_takes_a_resume_back(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=RESUME)
        await scene.until(lambda: scene.moving)
        scene.station._line.lost("the cable was pulled")
        await scene.until(lambda: scene.count("motion_resumed") == 1)
        scene.device.advance(scene.world.clock.monotonic_ns())
        scene.device._firmware.events.next_no += 1  # one is lost for good
        scene.device._firmware.events.add(
            scene.device._firmware.tick,
            wire.EventCode.OUTPUT_EXPIRED,
            wire.Severity.INFO,
            (9, 0),
            latched=False,
        )
        scene.device._firmware.send_events()
        await scene.until(lambda: scene.motion == "locked", 10)
        assert reasons(scene) == "motion stays: an event of the device is missing"
        await stays_still(scene, 45.0)
        scene.go()
        await scene.until(lambda: scene.moving)
        await scene.station.close()

    run(act)


def test_a_guard_that_was_opened_while_no_host_looked_keeps_the_shaft_still(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=RESUME)
        await scene.until(lambda: scene.moving)
        await asyncio.sleep(3.0)
        killed(scene)
        await asyncio.sleep(2.0)
        guard(scene, closed=False)
        await asyncio.sleep(2.0)
        guard(scene, closed=True)
        following = open_scene(tmp_path, settings=RESUME, device=scene.device)
        await following.until(lambda: inputs_known(following))
        await stays_still(following, 45.0)
        assert following.motion == "locked"
        assert following.count("motion_started") == 0
        assert "guard" in reasons(following)
        await following.station.close()

    run(act)


def test_a_pause_before_the_restarted_host_meets_the_device_is_not_overruled(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=RESUME)
        await scene.until(lambda: scene.moving)
        await asyncio.sleep(3.0)
        killed(scene)
        await asyncio.sleep(2.0)
        following = open_scene(tmp_path, settings=RESUME, device=scene.device)
        following.station.command("pause", "R. Vale")
        await following.until(lambda: inputs_known(following))
        await stays_still(following, 45.0)
        assert following.count("motion_resumed") == 0
        following.go()
        await following.until(lambda: following.moving)
        await following.station.close()

    run(act)
