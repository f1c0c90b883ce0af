"""The shunt check of whole runs, at the start and at the end: found, met, missed, not judged."""

import asyncio
from pathlib import Path

import pytest
from tests.simulation.scene import PLAN, checked, open_scene, run
from tests.simulation.shunt_scene import (
    CHECKED,
    device,
    manifest,
    replayed_crc,
    results,
    rig,
    shunt_on,
    told,
)

from nightturn.model.device import SKIPPED
from nightturn.model.verdicts import MET, MISSED, NOT_JUDGED
from nightturn.settings.rig import Limit, Shunt, Transducer
from nightturn.storage.runs import open_run


def test_a_run_is_checked_before_its_first_cycle_and_after_its_last(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=rig(), device=device())
        moved_at_on = []
        for _ in range(1200):
            if scene.station.ended.is_set():
                break
            await asyncio.sleep(0.05)
            if shunt_on(scene):
                moved_at_on.append(scene.moving)
        assert moved_at_on
        assert not any(moved_at_on)
        assert not shunt_on(scene)
        await scene.station.close()
        start, end = results(scene)
        assert [(each.when, each.outcome) for each in (start, end)] == [("start", MET), ("end", MET)]
        for each in (start, end):
            assert each.step_nm == pytest.approx(8.0, abs=3 * (each.u_nm or 0.0))
            assert each.step == pytest.approx(2.0, abs=1e-3)
            assert (each.unit, each.expected_nm) == ("V", 8.0)
        assert start.change_pct is None
        assert abs(end.change_pct or 9.0) < 0.02
        kinds = [kind for kind in scene.kinds if kind.startswith("shunt") or kind == "run_ended"]
        assert kinds == ["shunt_on", "shunt_off", "shunt_check"] * 2 + ["run_ended"]
        assert [event.severity for event in told(scene, "shunt_check")] == ["info", "info"]
        assert told(scene, "shunt_check")[0].value == start.step_nm
        assert scene.tally.cycles["pan-a1"][0].status == "ok"
        assert manifest(tmp_path, scene).shunt_checks == (start, end)
        assert replayed_crc(tmp_path) == scene.station.core.effects_crc

    run(act)
    assert checked(tmp_path)[0].missing == 0
    stored = open_run(tmp_path).events()
    assert list(stored[stored["kind"] == "shunt_check"]["severity"]) == ["info", "info"]


def test_the_samples_that_carry_the_step_lie_between_the_two_events(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=rig(), device=device())
        await scene.until(scene.station.ended.is_set)
        await scene.station.close()

    run(act)
    recorded = open_run(tmp_path)
    frame = recorded.samples(columns=["torque_nm", "tick", "encoder"])
    events = recorded.events()
    on, off = events[events["kind"] == "shunt_on"]["tick"], events[events["kind"] == "shunt_off"]["tick"]
    inside = sum((frame["tick"] >= a) & (frame["tick"] < b) for a, b in zip(on, off, strict=True)).astype(
        bool
    )
    high = frame["torque_nm"] > 6.5  # the hold is at 5 N·m, the shunt at 8
    assert high.sum() > 2 * 1300
    assert inside[high].all()
    assert inside.sum() < high.sum() + 2 * 1000
    for a, b in zip(on, off, strict=True):
        assert frame["encoder"][(frame["tick"] >= a) & (frame["tick"] < b)].nunique() == 1


def test_cycles_are_the_same_with_and_without_a_check(tmp_path: Path) -> None:
    figures = []
    for name, shunt in (("with", CHECKED), ("without", Shunt(check=False))):

        async def act(name: str = name, shunt: Shunt = shunt) -> None:
            scene = open_scene(tmp_path / name, settings=rig(shunt), device=device("pan15?seed=7&noise=0"))
            await scene.until(scene.station.ended.is_set)
            await scene.station.close()
            assert scene.count("shunt_check") == (2 if shunt.check else 0)
            assert scene.count("shunt_check_skipped") == 0
            (cycle,) = scene.tally.cycles["pan-a1"]
            figures.append({figure.name: (figure.value, figure.status) for figure in cycle.figures})

        run(act)
    assert figures[0].keys() == figures[1].keys()
    for name, (value, status) in figures[0].items():
        other, other_status = figures[1][name]
        assert status == other_status
        assert (
            (value is None)
            == (other is None)
            == (name in {"coulomb_nm", "viscous_nm_s_per_rad", "breakaway_nm"})
        )
        if value is None:
            continue
        # a few seconds later the bearing is a little warmer or colder, and zero has drifted by 0.5 mV/h
        assert value == pytest.approx(other, rel=2e-3, abs=1e-4), name


def test_the_step_trips_no_torque_limit_and_shows_in_no_live_value(tmp_path: Path) -> None:
    async def act() -> None:
        guarded = rig(protect={"torque_nm": Limit(max=6.0)})  # the shunt stands for 8 N·m, the hold is at 5
        scene = open_scene(tmp_path, settings=guarded, device=device())
        seen = []
        while not scene.station.ended.is_set():
            await asyncio.sleep(0.05)
            live = scene.station.core.look(0)
            if live is not None and live.torque_max_nm is not None:
                seen.append(live.torque_max_nm)  # of every sample in between
        assert scene.station.run_ended is not None
        assert scene.station.run_ended.by == "plan"
        assert scene.count("limit_exceeded") == 0
        assert [each.outcome for each in results(scene)] == [MET, MET]
        assert 4.0 < max(seen) < 6.0
        await scene.station.close()

    run(act)


def test_a_torque_beyond_its_limit_just_outside_the_check_still_ends_the_run(tmp_path: Path) -> None:
    async def act() -> None:
        # An open bridge rails the converter now and then, from some time after the shaft began to turn.
        guarded = rig(protect={"torque_nm": Limit(max=6.0)}, plan=PLAN)
        scene = open_scene(tmp_path, settings=guarded, device=device("pan15?seed=7&fault=cable@16s*50"))
        await scene.until(scene.station.ended.is_set)
        assert scene.station.run_ended is not None
        assert scene.station.run_ended.by == "limit"
        assert [each.outcome for each in results(scene)] == [MET, SKIPPED]
        assert "torque_nm" in results(scene)[1].why
        assert told(scene, "shunt_check_skipped")[0].severity == "warning"
        await scene.station.close()

    run(act)


@pytest.mark.parametrize("on_exceed", ["warn", "stop"])
def test_a_step_that_is_not_the_expected_one_warns_or_stops(tmp_path: Path, on_exceed: str) -> None:
    async def act() -> None:
        wrong = Shunt(step_nm=8.4, on_exceed=on_exceed)  # type: ignore[arg-type]  # one of the two literals
        scene = open_scene(tmp_path, settings=rig(wrong), device=device())
        await scene.until(lambda: bool(results(scene)))
        (start,) = results(scene)
        assert start.outcome == MISSED
        assert start.deviation_pct == pytest.approx(100 * (8.0 / 8.4 - 1), abs=0.02)
        (event,) = told(scene, "shunt_check")
        assert event.severity == "warning"
        assert "missed" in event.detail
        if on_exceed == "warn":
            await scene.until(scene.station.ended.is_set)
            assert scene.tally.cycles["pan-a1"][0].status == "ok"
        else:
            await asyncio.sleep(60)
            assert scene.motion == "locked"
            assert not scene.moving
            assert "the shunt check at the start was missed" in scene.why_locked[0]
            scene.go()  # somebody has looked: it is checked again, and locked again
            await scene.until(lambda: len(results(scene)) == 2)
            await asyncio.sleep(20)
            assert scene.motion == "locked"
            assert not scene.moving
        await scene.station.close()

    run(act)


def test_a_gain_that_changes_in_the_night_is_found_at_its_end(tmp_path: Path) -> None:
    async def act() -> None:
        spec = "pan15?seed=7&fault=shunt@12s*1.004"
        scene = open_scene(tmp_path, settings=rig(), device=device(spec))
        await scene.until(scene.station.ended.is_set)
        await scene.station.close()
        start, end = results(scene)
        assert (start.outcome, end.outcome) == (MET, MISSED)
        assert (
            abs(end.deviation_pct or 9.0) < 1.0
        )  # the expectation is met, the comparison with the start is not
        assert end.change_pct == pytest.approx(0.4, abs=0.02)
        assert "in doubt" in told(scene, "shunt_check")[1].detail

    run(act)


def test_without_an_expectation_only_the_change_is_judged(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=rig(Shunt()), device=device())
        await scene.until(scene.station.ended.is_set)
        await scene.station.close()
        assert [each.outcome for each in results(scene)] == [NOT_JUDGED, MET]
        assert "neither resistance_ohm nor step_nm" in results(scene)[0].why

    run(act)


def test_a_resistor_that_cannot_be_compared_says_what_is_lacking_and_stops_a_run_that_relies_on_it(
    tmp_path: Path,
) -> None:
    async def act() -> None:
        relied_on = Shunt(resistance_ohm=109_200.0, on_exceed="stop")
        scene = open_scene(tmp_path, settings=rig(relied_on), device=device())
        await scene.until(lambda: scene.motion == "locked" and bool(results(scene)))
        (start,) = results(scene)
        assert start.outcome == NOT_JUDGED
        assert "give step_nm" in start.why
        await scene.station.close()

    run(act)


def test_a_resistor_and_the_excitation_give_the_step_of_the_bridge_equation(tmp_path: Path) -> None:
    async def act() -> None:
        # The bench's amplifier stands for an excitation 500 times as high: V at the converter for mV/V of the bridge.
        by_sensitivity = Transducer(
            serial="TR-204", sensitivity_mv_per_v=2.0, rated_torque_nm=20.0, excitation_v=5.0 * 500
        )
        shunt = Shunt(resistance_ohm=109_200.0, tolerance_pct=0.05)
        scene = open_scene(tmp_path, settings=rig(shunt, transducer=by_sensitivity), device=device())
        await scene.until(lambda: bool(results(scene)))
        (start,) = results(scene)
        assert start.expected_nm == pytest.approx(8.0, rel=1e-12)
        assert start.outcome == MET
        await scene.station.close()

    run(act)


@pytest.mark.parametrize("on_exceed", ["warn", "stop"])
def test_a_device_without_outputs_is_skipped_with_its_reason(tmp_path: Path, on_exceed: str) -> None:
    async def act() -> None:
        shunt = Shunt(step_nm=8.0, on_exceed=on_exceed)  # type: ignore[arg-type]  # one of the two literals
        bare = device("pan15?seed=7&without=outputs,firmware")
        scene = open_scene(tmp_path, settings=rig(shunt, lamp="none"), device=bare)
        await scene.until(
            lambda: (
                scene.station.ended.is_set()
                or (scene.motion == "locked" and scene.count("motion_allowed") == 1)
            )
        )
        (skipped,) = told(scene, "shunt_check_skipped")
        assert (skipped.severity, scene.count("firmware")) == ("info", 0)
        assert "does not name `outputs`" in skipped.detail
        assert scene.station.ended.is_set() == (on_exceed == "warn")
        await scene.station.close()
        (facts,) = manifest(tmp_path, scene).devices
        assert (facts.told, facts.board, facts.self_test) == (False, "virtual-00000007", 0)

    run(act)
