"""The first `go` of a card wants to have seen the guard open and closed: a contact that is stuck is found, a jumper is not.

Motion permission is bookkeeping and not a safety function; these tests say what it does, not that it protects anybody.
"""

import asyncio
from pathlib import Path

from tests.simulation.permission_scene import inputs_known, killed, stays_still
from tests.simulation.scene import CARD, CYCLE_S, open_scene, run, settings_of
from typing_extensions import override

from nightturn.motion.interlocks import GUARD_CLOSED, UNTRIED
from nightturn.storage.runs import open_run
from nightturn.virtual.rig import Rig
from nightturn_protocol.messages import Input


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


class BareRig(Rig):
    """The hands of a board without a guard input, whose stop chain can be cut: what is not there reads as off."""

    __slots__ = ()
    chain_healthy = True

    @override
    def inputs(self) -> int:
        bits = (
            Input.GUARD_CLOSED if type(self).chain_healthy else Input.GUARD_CLOSED | Input.STOP_CHAIN_HEALTHY
        )
        return super().inputs() & ~int(bits)


def test_a_board_without_a_guard_input_gets_figures_and_its_stop_chain_is_still_an_edge(
    tmp_path: Path,
) -> None:
    class OneRig(BareRig):
        __slots__ = ()

    async def act() -> None:
        settings = settings_of(guard="none")
        scene = open_scene(tmp_path, settings=settings, go=False)
        scene.device._rig.__class__ = OneRig
        scene.device._firmware.refresh_inputs()
        await scene.until(lambda: inputs_known(scene))
        state = scene.station.core.state
        assert not state.watch.inputs & GUARD_CLOSED
        assert not state.watch.intervening
        scene.go()
        await asyncio.sleep(3.2 * CYCLE_S)
        assert scene.count("intervention") == 0
        await scene.until(lambda: scene.moving)
        OneRig.chain_healthy = False
        scene.device._firmware.refresh_inputs()
        await scene.until(lambda: scene.count("intervention") == 1)
        assert scene.motion in {"stopping", "locked"}
        await scene.until(lambda: not scene.moving)
        OneRig.chain_healthy = True
        scene.device._firmware.refresh_inputs()
        await scene.until(lambda: scene.count("intervention_over") == 1)
        (over,) = [event for event in scene.events if event.kind == "intervention_over"]
        assert over.detail == "stop chain is closed again"
        await stays_still(scene, 20.0)
        assert scene.motion == "locked"
        await scene.station.close()

    run(act)
    cycles = open_run(tmp_path).cycles()
    assert len(cycles) >= 2
    assert (cycles["friction_nm_status"] == "ok").sum() >= 2


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
