"""Motion lease, guard, limits and commands, from the core down to the plant of a virtual fixture.

The motion lease is not a safety function; these tests say what it does, not that it protects anybody.
"""

import asyncio
import re
from pathlib import Path

import msgspec
import pytest
from tests.simulation.scene import CARD, CYCLE_S, PLAN, Scene, checked, open_scene, run, settings_of

from nightturn.settings.rig import Encoder, Limit, Travel
from nightturn.virtual.catalogue import from_spec
from nightturn_protocol import messages as wire

RESUME = settings_of(after_restart="resume")


def freeze_control(scene: Scene) -> None:
    """The host goes on reading but decides nothing: its control ticks no longer come."""
    scene.station._timers["control"].cancel()


def lease_state(scene: Scene) -> wire.LeaseState:
    return scene.device._firmware.lease.state


def test_a_host_that_stops_deciding_lets_the_lease_lapse_and_the_shaft_stand(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path)
        await scene.until(lambda: scene.moving)
        freeze_control(scene)
        await asyncio.sleep(0.7)
        assert lease_state(scene) is wire.LeaseState.LAPSED
        await asyncio.sleep(1.0)
        assert not scene.moving
        assert scene.motion == "stopping"  # nobody looks at the samples to see that it stands
        assert "lease_lapsed" in scene.kinds
        await scene.station.close()

    run(act)


def test_a_lapsed_lease_needs_clear_a_fresh_lease_and_a_new_command(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path)
        await scene.until(lambda: scene.moving)
        freeze_control(scene)
        await scene.until(lambda: scene.motion == "stopping")
        scene.station._again("control", 0.1, scene.station._control)
        await scene.until(lambda: scene.motion == "locked")
        await asyncio.sleep(30)
        assert lease_state(scene) is wire.LeaseState.LAPSED
        assert not scene.moving
        sent: list[int] = []
        handle = scene.device._control.handle

        def spy(body: bytes) -> None:
            sent.append(body[1])
            handle(body)

        scene.device._control.handle = spy  # type: ignore[method-assign]  # a spy
        scene.go()
        await scene.until(lambda: scene.moving)
        motion = [kind for kind in sent if kind in {wire.Clear.KIND, wire.Lease.KIND, wire.Drive.KIND}]
        assert motion[0] == wire.Clear.KIND
        assert motion.index(wire.Lease.KIND) < motion.index(wire.Drive.KIND)
        await scene.station.close()

    run(act)


@pytest.mark.parametrize("how", ["line", "reset"])
def test_a_stopped_plan_never_starts_by_itself_with_stay(tmp_path: Path, how: str) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path)
        await scene.until(lambda: scene.moving)
        if how == "line":
            scene.station._line.lost("the cable was pulled")
        else:
            scene.device.reset()
        await scene.until(lambda: scene.motion == "locked")
        await scene.until(lambda: scene.count("session_up") == 2)
        await asyncio.sleep(1.0)  # the lease given before runs out
        for _ in range(600):
            await asyncio.sleep(0.1)
            assert lease_state(scene) is not wire.LeaseState.LIVE
        assert not scene.moving
        assert scene.station.core.state.counts.samples > 60_000
        await scene.station.close()

    run(act)


def test_with_resume_a_fresh_cycle_begins_after_an_outage_and_no_cycle_is_polluted(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=RESUME)
        await scene.until(lambda: scene.station.core.state.motion.planner.phase == "hold")
        scene.station._line.lost("the cable was pulled")
        await scene.until(lambda: scene.count("motion_resumed") == 1)
        await asyncio.sleep(3 * CYCLE_S)
        cycles = scene.tally.cycles["pan-a1"]
        assert [cycle.status for cycle in cycles[:3]] == ["incomplete", "ok", "ok"]
        assert "the plan was stopped" in cycles[0].reasons[0]
        friction = [cycle.figure("friction_nm").value for cycle in cycles[1:3]]
        assert friction[0] == pytest.approx(friction[1], rel=0.02)
        await scene.station.close()

    run(act)


def test_an_opened_guard_stops_at_once_and_only_a_person_starts_again(tmp_path: Path) -> None:
    async def act() -> None:
        device = from_spec("pan15?seed=7&fault=guard@20s+5s").build(1_000_000_000)
        scene = open_scene(tmp_path, settings=RESUME, device=device)
        await scene.until(lambda: scene.count("intervention") == 2)
        assert scene.motion == "stopping"
        await asyncio.sleep(0.5)
        assert not scene.moving
        samples = scene.station.core.state.counts.samples
        await scene.until(lambda: scene.count("intervention_over") == 2)
        await asyncio.sleep(20)
        assert scene.motion == "locked"
        assert scene.station.core.state.counts.samples > samples + 20_000
        scene.go()
        await asyncio.sleep(2 * CYCLE_S + 15)
        cycles = scene.tally.cycles["pan-a1"]
        assert cycles[0].status == "incomplete"
        assert cycles[0].reasons[0] == "intervention: guard or stop chain opened"
        assert cycles[1].status == "ok"
        await scene.station.close()

    run(act)
    assert checked(tmp_path)[0].missing == 0


def test_pause_stops_and_resume_goes_on_with_a_fresh_cycle_from_travel_zero(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=RESUME)
        await scene.until(lambda: scene.moving)
        scene.station.command("pause", "R. Vale")
        await asyncio.sleep(30)
        assert scene.motion == "paused"
        assert not scene.moving
        scene.go()
        await scene.until(lambda: scene.moving)
        assert scene.station.core.state.motion.planner.phase == "return"
        await scene.until(lambda: scene.station.core.state.motion.planner.phase == "slow_turn")
        planner, watch = scene.station.core.state.motion.planner, scene.station.core.state.watch
        assert planner.travel_zero is not None
        assert abs(planner.begun_at - planner.travel_zero) < 2**20 // 360
        assert watch.lease_live
        await scene.station.close()

    run(act)


def test_a_paused_plan_is_not_started_by_a_rig_file_that_resumes_stopped_ones(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=RESUME)
        await scene.until(lambda: scene.moving)
        scene.station._line.lost("the cable was pulled")
        scene.station.command("pause", "R. Vale")
        await asyncio.sleep(60)
        assert scene.motion == "paused"
        assert scene.count("motion_resumed") == 0
        await scene.station.close()

    run(act)


def test_stop_and_a_card_changed_by_hand_end_the_run_at_once(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path / "a")
        await scene.until(lambda: scene.moving)
        scene.station.command("stop", "R. Vale")
        assert scene.motion == "ended"
        await asyncio.sleep(1.0)
        assert not scene.moving  # at once; the run ends when its last shunt check is done
        assert lease_state(scene) is not wire.LeaseState.LIVE
        await scene.until(scene.station.ended.is_set, 10)
        assert scene.station.run_ended is not None
        assert scene.station.run_ended.by == "command"
        await scene.station.close()
        scene = open_scene(tmp_path / "b")
        await scene.until(lambda: scene.station.core.state.motion.planner.move_no == 2)
        scene.station.command("card_changed", "R. Vale")
        await asyncio.sleep(1.0)
        assert not scene.moving
        await scene.until(scene.station.ended.is_set, 10)
        assert scene.station.run_ended is not None
        assert scene.station.run_ended.by == "card"
        await scene.station.close()
        scene = open_scene(tmp_path / "c")
        scene.station.command("card_changed", "R. Vale")  # nothing turns yet
        assert scene.station.ended.is_set()
        await scene.station.close()

    run(act)


def test_the_plan_ends_the_run_after_its_cycles(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=settings_of(plan=msgspec.structs.replace(PLAN, cycles=2)))
        await scene.until(scene.station.ended.is_set)
        assert scene.station.run_ended is not None
        assert scene.station.run_ended.by == "plan"
        await scene.station.close()
        assert len(scene.tally.cycles["pan-a1"]) == 2
        assert scene.tally.states["pan-a1"].state == "ended"

    run(act)
    assert checked(tmp_path)[0].unsealed == ()


def test_travel_beyond_the_range_is_not_commanded(tmp_path: Path) -> None:
    async def act() -> None:
        narrow = settings_of(travel=Travel(range_deg=(-100.0, 300.0)))
        scene = open_scene(tmp_path, settings=narrow)
        await scene.until(lambda: scene.count("motion_locked") == 1)
        assert not scene.moving
        reason = scene.station.core.waits_for
        assert "outside the travel of [−100, 300]°" in reason
        await asyncio.sleep(30)
        assert scene.motion == "locked"
        await scene.station.close()

    run(act)


def test_without_an_absolute_encoder_a_restart_makes_the_turn_count_unknown(tmp_path: Path) -> None:
    async def act() -> None:
        indexed = settings_of(
            encoder=Encoder(counts_per_rev=2**20, reference="index"), after_restart="resume"
        )
        scene = open_scene(tmp_path, settings=indexed)
        await scene.until(lambda: scene.moving)
        scene.device.reset()
        await scene.until(lambda: scene.count("session_up") == 2)
        await asyncio.sleep(30)
        assert not scene.moving
        scene.go()
        assert "travel unknown since" in scene.station.core.state.motion.permission.refusal
        assert scene.motion == "locked"
        scene.station.command("confirm_travel_zero", "R. Vale")
        await asyncio.sleep(30)
        assert not scene.moving  # a word about the cable is no permission
        scene.go()
        await scene.until(lambda: scene.moving)
        scene.station.command("confirm_travel_zero", "R. Vale")  # while it turns: no
        assert scene.count("travel_zero_ignored") == 1
        await asyncio.sleep(2 * CYCLE_S)
        await scene.station.close()

    run(act)


@pytest.mark.parametrize("state", ["allowed", "announced"])
def test_a_zero_confirmed_anew_calls_off_a_permission_that_was_given_for_the_zero_before(
    tmp_path: Path, state: str
) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path)
        await scene.until(lambda: scene.moving)
        await asyncio.sleep(1.2)  # amid a turn
        scene.station.command("pause", "R. Vale")
        await scene.until(lambda: scene.motion == "paused")
        planner = scene.station.core.state.motion.planner
        before = planner.travel_zero
        scene.go()
        await scene.until(lambda: scene.motion == state)
        again = msgspec.structs.replace(CARD, mounted_utc="2026-05-04T19:00:00Z")
        text = msgspec.json.encode(again).decode()
        scene.station.command("confirm_travel_zero", "R. Vale", card=text)
        assert scene.motion == "locked"
        assert scene.why_locked == ["cancelled: R. Vale confirmed the travel zero again; `go` again"]
        assert scene.count("travel_zero_ignored") == 0
        await asyncio.sleep(30)
        assert (scene.motion, scene.moving) == ("locked", False)
        scene.go()
        await scene.until(lambda: scene.moving)
        assert before is not None
        assert planner.travel_zero is not None
        assert abs(planner.travel_zero - before) > 2**20 // 10
        await scene.station.close()

    run(act)


def test_raw_torque_beyond_its_limit_stops_and_ends_the_run(tmp_path: Path) -> None:
    async def act() -> None:
        guarded = settings_of(protect={"torque_nm": Limit(max=2.0)})  # the hold is at 5 N·m
        scene = open_scene(tmp_path, settings=guarded)
        await scene.until(scene.station.ended.is_set)
        assert scene.station.core.state.measure is not None
        assert scene.count("limit_exceeded") == 1
        assert scene.station.run_ended is not None
        assert scene.station.run_ended.by == "limit"
        await asyncio.sleep(1.0)
        assert not scene.moving
        await scene.station.close()

    run(act)


def test_limits_that_warn_tell_at_once_each_for_itself_and_count_once_a_cycle(tmp_path: Path) -> None:
    async def act() -> None:
        limits = {
            "torque_nm": Limit(max=2.0, on_exceed="warn"),
            "friction_nm": Limit(max=0.01, on_exceed="warn"),
        }
        scene = open_scene(tmp_path, settings=settings_of(protect=limits))
        await scene.until(lambda: len(scene.tally.cycles.get("pan-a1", [])) == 2)
        warned = [event for event in scene.events if event.kind == "limit_warning"]
        assert sorted(event.detail.split(" ")[0] for event in warned) == ["friction_nm", "torque_nm"]
        (friction,) = (event for event in warned if event.detail.startswith("friction_nm"))
        said = re.search(r"is ([\d.]+) mN·m, beyond its protective limit of 10 mN·m", friction.detail)
        assert said is not None
        assert friction.value == pytest.approx(
            float(said[1]) / 1000
        )  # no last digits of a figure in an event
        assert scene.motion == "turning"
        scene.station.command("stop", CARD.operator)
        await scene.until(lambda: scene.count("run_ended") == 1)
        counted = {
            event.detail.split(" ")[0]: event.signs for event in scene.events if event.kind == "repeated"
        }
        assert counted == {"torque_nm": 2, "friction_nm": 2}
        await scene.station.close()

    run(act)


def test_a_figure_beyond_its_limit_ends_the_run_at_the_end_of_its_cycle(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=settings_of(protect={"friction_nm": Limit(max=0.05)}))
        await scene.until(scene.station.ended.is_set)
        assert len(scene.tally.cycles["pan-a1"]) == 1
        assert scene.station.run_ended is not None
        assert "friction_nm" in scene.station.run_ended.reason
        await scene.station.close()

    run(act)


@pytest.mark.parametrize(
    ("what", "reason"),
    [
        ("sync", "nothing was written to the disk for 2.5 s"),
        ("blocks", "the motion lease lapsed on the device: no samples for 0."),
    ],
)
def test_the_lease_is_withheld_when_nothing_is_kept_or_seen(tmp_path: Path, what: str, reason: str) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path)
        await scene.until(lambda: scene.moving)
        if what == "sync":
            scene.station._timers["sync"].cancel()
        else:
            scene.device._firmware.sampler.halt()
        await scene.until(lambda: scene.motion == "stopping", 10)
        assert scene.station.core.state.motion.permission.text.startswith(reason)
        await asyncio.sleep(2.0)
        assert lease_state(scene) is not wire.LeaseState.LIVE
        await scene.station.close()

    run(act)


def test_a_bad_bridge_cable_is_one_cause_with_a_row_for_each_first_sign_and_one_for_the_rest(
    tmp_path: Path,
) -> None:
    async def act() -> None:
        settings = settings_of(
            port="virtual:pan15?seed=8&fault=cable@40s+90s*60",
            protect={"torque_nm": Limit(max=18.0, on_exceed="warn")},
        )
        scene = open_scene(tmp_path, settings=settings)
        await scene.until(lambda: len(scene.tally.cycles.get("pan-a1", [])) == 5, limit_s=300.0)
        scene.station.command("stop", CARD.operator)
        await scene.until(lambda: scene.count("run_ended") == 1)
        assert scene.count("adc_saturated") == scene.count("limit_warning") == 1
        (row,) = (event for event in scene.events if event.kind == "repeated")
        assert row.detail.startswith(
            ("torque signal at the end of its range: ", "torque_nm beyond its protective")
        )
        assert row.signs > 5
        assert row.ts_from is not None
        assert row.ts_to is not None
        assert row.ts_to - row.ts_from > 60e9
        assert "input_changed" not in scene.kinds
        await scene.station.close()

    run(act)
