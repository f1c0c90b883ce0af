"""Warm-up, soak and park in a plan, through the core, the tape and recovery; and what motion permission says in each.

Motion permission is bookkeeping and not a safety function; these tests say what it does, not that it protects anybody.
"""

import asyncio
from pathlib import Path
from typing import Any

import msgspec
import pytest
from tests.simulation.permission_scene import guard, killed, reasons, stays_still
from tests.simulation.scene import CARD, Scene, checked, open_scene, run, settings_of

from nightturn.bench.runs import Pace
from nightturn.model.figures import OK
from nightturn.model.phases import EXERCISE, SOAK, WARM_UP
from nightturn.model.records import Emit
from nightturn.model.rows import STROKES, StrokeRow
from nightturn.replay.full import replay
from nightturn.replay.tapes import tape_of_run
from nightturn.settings.rig import (
    Channels,
    Conditioning,
    CyclePlan,
    Exercise,
    FixtureSettings,
    Park,
    Shunt,
    SlowTurn,
    Soak,
)

S_PER_H = 3600.0
CYCLES = CyclePlan(
    slow_turn=SlowTurn(revolutions=1, speed_rpm=40.0),
    exercise=Exercise(strokes=2, angle_deg=180.0, speed_rpm=60.0),
    cycles=4,
)
WARM = Conditioning(hours=9 / S_PER_H, speed_rpm=30.0, angle_deg=180.0)
SOAKS = Soak(hours=6 / S_PER_H, speed_rpm=20.0, angle_deg=90.0)
ANGLE_DEG = 45.0
PARKS = Park(every_cycles=1, angle_deg=ANGLE_DEG)


class Strokes:
    """A sink that keeps the rows of strokes."""

    def __init__(self) -> None:
        self.rows: list[StrokeRow] = []

    def offer(self, _fixture: str, emit: Emit) -> None:
        if emit.dataset == STROKES and isinstance(emit.row, StrokeRow):
            self.rows.append(emit.row)

    def of(self, phase: str) -> list[StrokeRow]:
        return [row for row in self.rows if row.phase == phase]


def with_plan(after_restart: str = "stay", **changes: Any) -> FixtureSettings:
    plan = msgspec.structs.replace(CYCLES, **changes)
    return settings_of(
        plan=plan, shunt=Shunt(check=False), after_restart=after_restart, channels=Channels(bearing="bearing")
    )


def said(scene: Scene, kind: str) -> str:
    """The sentence of the one event of this kind."""
    (detail,) = [event.detail for event in scene.events if event.kind == kind]
    return detail


def angle_deg(scene: Scene) -> float:
    state = scene.station.core.state
    assert state.motion.planner.travel_zero is not None
    return (state.watch.position - state.motion.planner.travel_zero) / 2**20 * 360


async def doing(scene: Scene, phase: str) -> None:
    """Until the plan is at the moves of this phase and the shaft turns."""
    await scene.until(lambda: scene.station.core.state.motion.planner.phase == phase and scene.moving)


# ---- the plan --------------------------------------------------------------------------------------------------------


def in_order(rows: list[StrokeRow]) -> list[StrokeRow]:
    return sorted(rows, key=lambda row: row.ts)


def test_warm_up_soak_and_park_come_in_their_order_and_no_cycle_counts_their_strokes(tmp_path: Path) -> None:
    again_soaks, strokes, scenes = msgspec.structs.replace(SOAKS, every_cycles=2), Strokes(), list[Scene]()
    settings = with_plan(warm_up=WARM, soak=again_soaks, park=Park(every_cycles=2), cycles=3)

    async def act() -> None:
        pace = Pace(tile_samples=100, watch_threshold=8.0)
        scene = open_scene(tmp_path, settings=settings, sinks=[strokes], pace=pace)
        scenes.append(scene)
        await doing(scene, WARM_UP)
        assert scene.tally.states["pan-a1"].reason.startswith("warm-up: strokes of 180° at 30 rpm for ")
        await scene.until(lambda: scene.motion == "locked" and scene.count("parked") == 1)
        assert scene.station.core.state.motion.planner.cycles_done == 2
        scene.go()
        await scene.until(lambda: scene.motion == "ended")
        await scene.station.close()

    run(act)
    kinds = [kind for kind in scenes[0].kinds if kind.startswith(("warm_up", "soak", "park"))]
    soak = ["soak_began", "soak_over"]
    assert kinds == ["warm_up_began", "warm_up_over", *soak, "parked", *soak]
    cycles = scenes[0].tally.cycles["pan-a1"]
    assert [(cycle.cycle_no, cycle.status) for cycle in cycles] == [(1, OK), (2, OK), (3, OK)]
    numbers = [(row.cycle_no, row.stroke_no) for row in strokes.of(EXERCISE)]
    assert numbers == [(no, stroke) for no in (1, 2, 3) for stroke in (1, 2)]
    assert scenes[0].station.core.state.run.trends.strokes == len(
        numbers
    )  # of a course: only those of the plan's cycles
    for phase, least in ((WARM_UP, 6), (SOAK, 2 * 4)):
        rows = strokes.of(phase)
        assert len(rows) >= least
        assert {row.cycle_no for row in rows} == {0}
        assert sum(row.direction for row in rows) == 0  # each that goes out comes back
    (report,) = checked(tmp_path)
    tape = tape_of_run(tmp_path, "pan-a1", report.run)
    again = replay(tape)
    assert (again.first_difference, again.damage) == ("", [])
    assert in_order(again.rows.strokes) == in_order(strokes.rows)
    over = [event for event in again.rows.events if event.kind == "soak_over"]
    assert over == [event for event in scenes[0].events if event.kind == "soak_over"]
    assert in_order(replay(tape, tile_samples=333).rows.strokes) == in_order(strokes.rows)


def test_strokes_under_a_load_torque_carry_it_both_ways_and_give_no_unpowered_figure(tmp_path: Path) -> None:
    exercise = Exercise(strokes=6, angle_deg=180.0, speed_rpm=60.0, torque_nm=4.0, rest=True)
    strokes, scenes = Strokes(), list[Scene]()

    async def act() -> None:
        scene = open_scene(tmp_path, settings=with_plan(exercise=exercise, cycles=1), sinks=[strokes])
        scenes.append(scene)
        await scene.until(lambda: scene.motion == "ended")
        await scene.station.close()

    run(act)
    torques = [row.mean_torque_nm for row in strokes.of(EXERCISE)]
    assert len(torques) == 6
    assert all(3.5 < abs(torque) < 4.5 for torque in torques)
    assert len({torque > 0 for torque in torques}) == 1
    (cycle,) = scenes[0].tally.cycles["pan-a1"]
    assert cycle.status == OK
    (viscous,) = [each for each in cycle.figures if each.name == "viscous_nm_s_per_rad"]
    assert "A torque is held in the strokes" in " ".join(viscous.reasons)


# ---- motion permission in each of them -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("phase", "changes"),
    [(WARM_UP, {"warm_up": WARM}), (SOAK, {"soak": SOAKS}), ("park", {"park": PARKS})],
    ids=["warm_up", "soak", "park"],
)
def test_a_pause_sends_off_and_a_go_goes_on_with_the_time_that_was_turned(
    tmp_path: Path, phase: str, changes: dict[str, Any]
) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=with_plan(**changes))
        await doing(scene, phase)
        await asyncio.sleep(0.5)
        numbered = scene.station.core.state.motion.planner.command_no
        scene.station.command("pause", CARD.operator)
        assert scene.station.core.state.motion.planner.command_no == numbered + 2  # OFF for either machine
        await scene.until(lambda: scene.motion == "paused")
        turned_ns = scene.station.core.state.motion.routine.turned_ns
        assert (turned_ns > 0) == (phase != "park")
        await stays_still(scene, 12.0)
        assert scene.station.core.state.motion.routine.turned_ns == turned_ns
        scene.go()
        await doing(scene, phase)
        end = "parked" if phase == "park" else f"{phase}_over"
        await scene.until(lambda: scene.count(end) == 1)
        if phase != "park":
            assert " h of it done" in [e.detail for e in scene.events if e.kind == f"{phase}_began"][1]
            hours = next(event.value for event in scene.events if event.kind == end)
            asked = 9 if phase == WARM_UP else 6
            assert hours is not None
            assert asked <= hours * S_PER_H < asked + 5  # the strokes under way are turned to their end
        scene.station.command("stop", CARD.operator)
        await scene.until(lambda: scene.motion == "ended")
        await scene.until(lambda: not scene.moving)
        await scene.station.close()

    run(act)


@pytest.mark.parametrize("phase", [WARM_UP, SOAK, "park", "parked"])
def test_a_stop_sends_off_in_every_one_of_them_and_ends_the_run(tmp_path: Path, phase: str) -> None:
    each: dict[str, dict[str, Any]] = {WARM_UP: {"warm_up": WARM}, SOAK: {"soak": SOAKS}}
    changes = each.get(phase, {"park": PARKS})

    async def act() -> None:
        scene = open_scene(tmp_path, settings=with_plan(**changes))
        if phase == "parked":
            await scene.until(lambda: scene.count("motion_locked") == 1)
        else:
            await doing(scene, phase)
        numbered = scene.station.core.state.motion.planner.command_no
        scene.station.command("stop", CARD.operator)
        assert scene.station.core.state.motion.planner.command_no >= numbered + 2
        assert scene.motion == "ended"
        await scene.until(lambda: not scene.moving, 3.0)
        await stays_still(scene, 5.0)
        await scene.station.close()

    run(act)


def test_a_guard_that_opens_in_a_soak_locks_and_a_go_goes_on_with_it(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=with_plan(soak=SOAKS))
        await doing(scene, SOAK)
        guard(scene, closed=False)
        await scene.until(lambda: scene.motion == "locked")
        guard(scene, closed=True)
        await stays_still(scene, 10.0)
        assert scene.motion == "locked"
        scene.go()
        await doing(scene, SOAK)
        await scene.until(lambda: scene.count("soak_over") == 1)
        await scene.station.close()

    run(act)


def test_a_device_that_restarts_in_a_warm_up_waits_for_a_person(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=with_plan("resume", warm_up=WARM))
        await doing(scene, WARM_UP)
        scene.device.reset()
        await scene.until(lambda: scene.motion == "locked")
        await stays_still(scene, 20.0)
        assert scene.motion == "locked"
        assert "the device restarted" in reasons(scene)
        assert scene.station.core.state.motion.routine.turned_ns > 0
        await scene.station.close()

    run(act)


@pytest.mark.parametrize("after_restart", ["stay", "resume"])
def test_behind_a_host_restart_a_soak_goes_on_by_itself_only_where_the_rig_file_says_so(
    tmp_path: Path, after_restart: str
) -> None:
    settings = with_plan(after_restart, warm_up=WARM, soak=SOAKS)

    async def act() -> None:
        scene = open_scene(tmp_path, settings=settings)
        await doing(scene, SOAK)
        await asyncio.sleep(2.5)  # long enough to be on the disk
        killed(scene)
        await asyncio.sleep(2.0)
        following = open_scene(tmp_path, settings=settings, device=scene.device)
        routine = following.station.core.state.motion.routine
        assert routine.warmed
        assert routine.turned_ns > 1_000_000_000
        if after_restart == "stay":
            await stays_still(following, 20.0)
            assert following.motion == "locked"
            following.go()
        await doing(following, SOAK)
        assert following.count("motion_resumed") == (after_restart == "resume")
        assert following.count("warm_up_began") == 0
        await following.until(lambda: following.count("soak_over") == 1)
        await following.station.close()

    run(act)


# ---- a person at the rig ---------------------------------------------------------------------------------------------


def test_what_is_parked_stays_parked_over_a_restart_and_an_opened_guard_until_a_named_person_says_go(
    tmp_path: Path,
) -> None:
    settings = with_plan("resume", park=PARKS)

    async def act() -> None:
        scene = open_scene(tmp_path, settings=settings)
        await scene.until(lambda: scene.motion == "locked" and scene.count("parked") == 1)
        assert angle_deg(scene) == pytest.approx(ANGLE_DEG, abs=0.5)
        assert scene.why_locked == ["parked at 45°, 1 cycle done; the plan waits for a person"]
        assert "parked at 45°" in scene.station.waits_for
        stops = [event for event in scene.events if event.kind in {"motion_stopped", "motion_locked"}]
        assert {event.severity for event in stops} == {"info"}
        await stays_still(scene, 5.0)
        killed(scene)
        await asyncio.sleep(2.0)
        following = open_scene(tmp_path, settings=settings, device=scene.device)
        await following.until(lambda: following.station.core.state.watch.inputs_tick >= 0)
        await stays_still(following, 20.0)
        assert following.why_locked == scene.why_locked
        guard(following, closed=False)
        await following.until(lambda: len(following.why_locked) == 2)
        await stays_still(following, 0.5)  # its input word comes with the samples
        following.go()
        await stays_still(following, 3.0)
        assert following.count("go_refused") == 1
        guard(following, closed=True)
        await stays_still(following, 10.0)
        assert (following.motion, following.count("run_ended")) == ("locked", 0)
        following.station.command("go", "", CARD.unit)
        await stays_still(following, 3.0)
        assert following.motion == "locked"
        following.go()
        await following.until(lambda: following.moving)
        assert following.station.core.state.motion.planner.phase == "return"
        await following.until(lambda: following.count("parked") == 1)  # behind the next cycle
        assert following.station.core.state.motion.planner.cycles_done == 2
        await following.station.close()

    run(act)


# ---- equilibrium -----------------------------------------------------------------------------------------------------


def settling(k_per_h: float, otherwise: str, hours: float = 70 / S_PER_H) -> Conditioning:
    """A warm-up until the bearing changes by less than so much over a minute."""
    return msgspec.convert(
        {
            "hours": hours,
            "speed_rpm": 30.0,
            "until": "equilibrium",
            "channel": "bearing",
            "k_per_h": k_per_h,
            "over_min": 1.0,
            "else": otherwise,
        },
        Conditioning,
    )


def test_a_warm_up_is_over_when_the_bearing_has_settled(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=with_plan(warm_up=settling(5000.0, "stop", hours=1.0)))
        await scene.until(lambda: scene.count("warm_up_over") == 1)
        assert "bearing changes by +" in said(scene, "warm_up_over")
        hours = next(event.value for event in scene.events if event.kind == "warm_up_over")
        assert hours is not None
        assert 57.0 < hours * S_PER_H < 75.0  # a full window, and the strokes under way
        await scene.until(lambda: scene.station.core.state.motion.planner.phase == "slow_turn")
        await scene.station.close()

    run(act)


@pytest.mark.parametrize("otherwise", ["go_on", "stop"])
def test_without_equilibrium_in_the_longest_time_the_run_says_so_and_does_what_the_plan_says(
    tmp_path: Path, otherwise: str
) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=with_plan(warm_up=settling(1e-6, otherwise)))
        await scene.until(lambda: scene.count("warm_up_unsettled") == 1)
        assert "no equilibrium: bearing changes by +" in said(scene, "warm_up_unsettled")
        if otherwise == "stop":
            await scene.until(lambda: scene.motion == "locked")
            await stays_still(scene, 5.0)
            assert "no equilibrium" in reasons(scene)
            scene.go()
        await scene.until(lambda: scene.station.core.state.motion.planner.phase == "slow_turn")
        assert scene.count("warm_up_began") == 1
        await scene.station.close()

    run(act)
