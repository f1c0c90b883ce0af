"""The first `go` of a card wants to have seen the guard open and closed: a contact that is stuck is found, a jumper is not.

Motion permission is bookkeeping and not a safety function; these tests say what it does, not that it protects anybody.
"""

import asyncio
from pathlib import Path

from tests.simulation.permission_scene import inputs_known, killed, stays_still
from tests.simulation.scene import CARD, open_scene, run, settings_of

from nightturn.motion.interlocks import UNTRIED


def test_a_first_go_is_refused_until_the_guard_was_seen_open_and_closed(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, go=False)
        await scene.until(lambda: inputs_known(scene))
        assert UNTRIED in scene.station.waits_for
        scene.go()
        permission = scene.station.core.state.motion.permission
        assert permission.refusal == UNTRIED
        assert scene.count("go_refused") == 1
        await stays_still(scene, 20.0)
        scene.guard(closed=False)
        await scene.until(lambda: permission.guard_seen_open)
        scene.go()
        assert permission.refusal == "the guard is open"
        scene.guard(closed=True)
        await scene.until(lambda: "guard is open" not in scene.station.waits_for)
        await stays_still(scene, 20.0)  # to close it starts nothing, and no go was remembered
        assert scene.motion == "locked"
        scene.go()
        assert permission.refusal == ""
        await scene.until(lambda: scene.moving)
        await scene.station.close()

    run(act)


def test_a_guard_that_stands_open_when_the_run_begins_counts_as_seen_open(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, go=False)
        scene.guard(closed=False)  # the unit is put on, and mounted while the guard still stands open
        await scene.until(lambda: inputs_known(scene))
        scene.guard(closed=True)
        await scene.until(lambda: "guard is open" not in scene.station.waits_for)
        scene.go()
        assert scene.station.core.state.motion.permission.refusal == ""
        await scene.station.close()

    run(act)


def test_where_the_rig_has_no_guard_the_rule_is_void_and_the_go_says_so(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=settings_of(guard="none"), go=False)
        await scene.until(lambda: inputs_known(scene))
        assert UNTRIED not in scene.station.waits_for
        scene.go()
        assert scene.motion == "allowed"
        (allowed,) = [event for event in scene.events if event.kind == "motion_allowed"]
        assert "there is no guard" in allowed.detail
        assert "none is tried before a card's first go" in allowed.detail
        await scene.station.close()

    run(act)


def test_a_run_that_goes_on_after_a_kill_has_seen_what_was_seen_before(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, go=False)
        await scene.guard_tried()
        await asyncio.sleep(2.0)  # on the disk
        killed(scene)
        following = open_scene(tmp_path, device=scene.device, go=False)
        await following.until(lambda: inputs_known(following))
        following.go()
        assert following.station.core.state.motion.permission.refusal == ""
        await following.until(lambda: following.moving)
        await following.station.close()

    run(act)


def test_what_was_seen_of_the_guard_ends_with_the_run(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path)
        await scene.until(lambda: scene.moving)
        scene.station.command("stop", "R. Vale")
        await scene.until(scene.station.ended.is_set, 30)
        await scene.station.close()
        following = open_scene(tmp_path, device=scene.device, go=False)
        opened = following.station.core.state.run.opened
        assert opened is not None
        assert not opened.resumed
        await following.until(lambda: inputs_known(following))
        following.station.command("go", CARD.operator, CARD.unit)
        assert following.station.core.state.motion.permission.refusal == UNTRIED
        await stays_still(following, 20.0)
        await following.guard_tried()
        following.go()
        await following.until(lambda: following.moving)
        await following.station.close()

    run(act)
