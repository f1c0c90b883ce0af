"""A plan that waits for a person while a line is lost, and what it holds on the way there: through core, tape and recovery."""

import asyncio
from pathlib import Path
from typing import Any

import pytest
from tests.simulation.permission_scene import killed, line_down, stays_still
from tests.simulation.scene import CARD, open_scene, run
from tests.simulation.test_routine import PARKS, WARM, doing, settling, with_plan

from nightturn.model.phases import EXERCISE, PARK, SLOW_TURN, WARM_UP
from nightturn.settings.rig import Exercise


@pytest.mark.parametrize("what", ["parked", "unsettled"])
def test_what_waits_for_a_person_does_not_go_on_by_itself_when_the_line_is_lost_before_the_shaft_stands(
    tmp_path: Path, what: str
) -> None:
    changes: dict[str, Any] = {"park": PARKS} if what == "parked" else {"warm_up": settling(1e-6, "stop")}
    settings, kind = with_plan("resume", **changes), "parked" if what == "parked" else "warm_up_unsettled"

    async def act() -> None:
        scene = open_scene(tmp_path, settings=settings)
        await scene.until(lambda: scene.count(kind) == 1)
        assert scene.motion == "stopping"
        waited_for = scene.why_locked
        assert len(waited_for) == 1
        scene.station.command("go", CARD.operator, CARD.unit)
        refused = "it is stopping; wait until it is at rest, then `go` again"
        assert scene.station.core.state.motion.permission.refusal == refused
        line_down(scene, down=True)
        await asyncio.sleep(1.5)
        assert scene.motion == "stopping"
        line_down(scene, down=False)
        await scene.until(lambda: scene.motion == "locked")
        await stays_still(scene, 25.0)
        assert (scene.motion, scene.count("motion_resumed")) == ("locked", 0)
        assert scene.why_locked[0] == waited_for[0]
        killed(scene)
        await asyncio.sleep(2.0)
        following = open_scene(tmp_path, settings=settings, device=scene.device)
        await stays_still(following, 25.0)
        assert following.why_locked[0] == waited_for[0]
        following.go()
        await following.until(lambda: following.moving)
        assert following.count(kind) == 0
        await following.station.close()

    run(act)


@pytest.mark.parametrize("phase", [WARM_UP, PARK, SLOW_TURN])
def test_a_host_that_restarts_in_a_part_of_the_plan_goes_on_with_that_part(
    tmp_path: Path, phase: str
) -> None:
    """The time of a warm-up counts on, a park that was not reached is turned to again, a cycle that was broken off does not count."""
    settings = with_plan("resume", warm_up=WARM, park=PARKS)

    async def act() -> None:
        scene = open_scene(tmp_path, settings=settings)
        await doing(scene, phase)
        left = scene.station.core.state.motion
        if phase == WARM_UP:
            await scene.until(lambda: left.routine.turned_ns > 2_000_000_000)
        elif phase == SLOW_TURN:
            await asyncio.sleep(1.5)  # long enough that it is on the disk that the warm-up was over
        before, cycles = left.routine.left, left.planner.cycles_done
        killed(scene)
        await asyncio.sleep(2.0)
        following = open_scene(tmp_path, settings=settings, device=scene.device)
        motion = following.station.core.state.motion
        assert motion.routine.left == before
        assert (motion.planner.cycles_done, cycles) == (cycles, int(phase == PARK))
        await doing(following, phase)
        assert following.count("motion_resumed") == 1
        assert following.count("warm_up_began") == (phase == WARM_UP)
        await following.until(lambda: following.count("parked") == 1)
        await following.until(lambda: following.motion == "locked")
        assert following.why_locked == ["parked at 45°, 1 cycle done; the plan waits for a person"]
        assert following.count("motion_resumed") == 1
        await following.station.close()

    run(act)


def test_the_torque_of_the_last_stroke_is_let_go_before_the_shaft_turns_to_its_park(tmp_path: Path) -> None:
    exercise = Exercise(strokes=2, angle_deg=180.0, speed_rpm=60.0, torque_nm=4.0, rest=True)

    async def act() -> None:
        scene = open_scene(tmp_path, settings=with_plan(exercise=exercise, park=PARKS))
        planner = scene.station.core.state.motion.planner
        await scene.until(lambda: planner.phase == EXERCISE and planner.held_nm != 0)
        await scene.until(lambda: planner.cycles_done == 1)
        assert (planner.held_nm, planner.moves) == (0.0, ())
        await scene.until(
            lambda: planner.phase == "park"
        )  # the device's answer has come, though nobody had the floor
        await scene.until(lambda: scene.count("parked") == 1)
        await scene.until(lambda: scene.motion == "locked")
        assert scene.why_locked == ["parked at 45°, 1 cycle done; the plan waits for a person"]
        await scene.station.close()

    run(act)
