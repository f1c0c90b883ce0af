"""What breaks into a shunt check, or puts it off, and what a run that was told to end does meanwhile."""

import asyncio
from pathlib import Path

import msgspec
import pytest
from tests.simulation.scene import PLAN, Scene, checked, open_scene, run
from tests.simulation.shunt_scene import (
    device,
    manifest,
    replayed_crc,
    results,
    rig,
    shunt_on,
    told,
)

from nightturn.model.device import SKIPPED
from nightturn.model.verdicts import MET, MISSED
from nightturn.storage.manifest import Manifest
from nightturn.storage.runs import open_run
from nightturn_protocol import messages as wire


@pytest.mark.parametrize("emergency", ["guard", "line", "reset", "lease"])
def test_an_emergency_ends_the_last_check_and_the_run_at_once(tmp_path: Path, emergency: str) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=rig(), device=device())
        await scene.until(lambda: scene.count("shunt_on") == 2)
        assert not scene.station.ended.is_set()
        match emergency:
            case "guard":
                scene.device._guard(closed=False)
            case "line":
                scene.station._line.lost("the cable was pulled")
            case "reset":
                scene.device.reset()
            case _:
                # what an axis that was still on would have caused
                scene.device._firmware.events.add(
                    scene.device._firmware.tick,
                    wire.EventCode.LEASE_LAPSED,
                    wire.Severity.ALARM,
                    (1, 0),
                    latched=True,
                )
        await scene.until(scene.station.ended.is_set, 3.0)
        last = results(scene)[-1]
        assert (last.when, last.outcome) == ("end", SKIPPED)
        (skipped,) = told(scene, "shunt_check_skipped")
        words = {
            "guard": "guard",
            "line": "cable was pulled",
            "reset": "no valid frame",
            "lease": "lease lapsed",
        }
        assert words[emergency] in skipped.detail
        assert scene.station.run_ended is not None
        assert scene.station.run_ended.reason == "the planned cycles are done"
        assert scene.count("shunt_off") == 2
        await asyncio.sleep(1.5)
        assert not shunt_on(scene)
        await scene.station.close()
        assert replayed_crc(tmp_path) == scene.station.core.effects_crc

    run(act)


def test_a_guard_that_opens_during_the_first_check_puts_it_off(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=rig(), device=device("pan15?seed=7&fault=guard@3s+5s"))
        await scene.until(lambda: scene.count("intervention") == 2)
        assert scene.count("shunt_on") == 1
        await asyncio.sleep(1.0)
        assert not shunt_on(scene)
        assert scene.count("shunt_off") == 1
        assert results(scene) == []
        await scene.until(lambda: scene.count("intervention_over") == 2)
        await asyncio.sleep(20.0)
        assert (scene.motion, scene.moving) == ("locked", False)  # closing it starts nothing
        scene.go()
        await scene.until(scene.station.ended.is_set)
        assert [each.outcome for each in results(scene)] == [MET, MET]
        assert scene.count("shunt_check_skipped") == 0
        await scene.station.close()

    run(act)


def test_a_line_lost_with_the_relay_on_lets_it_fall_back_and_checks_again(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(
            tmp_path, settings=rig(after_restart="resume"), device=device("pan15?seed=7&fault=outage@3s+5s")
        )
        await scene.until(lambda: scene.count("shunt_on") == 1)
        await scene.until(lambda: scene.count("line_lost") == 1)
        assert scene.count("shunt_off") == 1
        (off,) = told(scene, "shunt_off")
        assert off.detail.startswith("at the latest")
        await asyncio.sleep(1.5)
        assert not shunt_on(scene)
        await scene.until(scene.station.ended.is_set)
        assert [each.outcome for each in results(scene)] == [MET, MET]
        await scene.station.close()

    run(act)
    checked(tmp_path)


def test_a_relay_that_somebody_else_holds_on_keeps_the_shaft_still(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=rig(), device=device())
        await asyncio.sleep(0.5)
        held = scene.device._firmware.rig
        held.expiry[wire.Output.SHUNT] = 10**12
        held._apply_outputs()
        await asyncio.sleep(90.0)
        (skipped,) = results(scene)
        assert skipped.outcome == SKIPPED
        assert not scene.moving
        assert scene.motion == "allowed"
        assert scene.station.waits_for == "waits: the shunt is on"
        held.switch(wire.Output.SHUNT, None)
        await scene.until(lambda: scene.moving)
        held.expiry[wire.Output.SHUNT] = 10**12  # and while it turns, the plan stops
        await scene.until(lambda: scene.motion == "locked", 5.0)
        assert scene.why_locked == ["the shunt is on"]
        await scene.station.close()

    run(act)


def test_a_device_that_refuses_the_relay_is_tried_again_or_given_up(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path / "never", settings=rig(), device=device())
        refuse(scene, wire.Reason.OUT_OF_RANGE)
        await scene.until(lambda: bool(results(scene)))
        (skipped,) = results(scene)
        assert "the device refused SWITCH: a value is out of the device's range" in skipped.why
        assert scene.count("shunt_on") == 1  # such a device has no relay: one try is enough
        await scene.until(lambda: scene.moving)
        await scene.station.close()
        scene = open_scene(tmp_path / "not now", settings=rig(), device=device())
        refuse(scene, wire.Reason.NOT_NOW, times=2)
        await scene.until(lambda: bool(results(scene)))
        assert results(scene)[0].outcome == MET
        assert scene.count("shunt_on") == 3
        await scene.station.close()
        scene = open_scene(tmp_path / "never now", settings=rig(), device=device())
        refuse(scene, wire.Reason.NOT_NOW)
        await scene.until(lambda: bool(results(scene)))
        assert results(scene)[0].why.endswith("in 3 tries")
        await scene.station.close()

    run(act)


def refuse(scene: Scene, reason: wire.Reason, times: int = 10**6) -> None:
    """The device refuses to switch on, so many times in as many tries."""
    left, control = [times], scene.device._control
    switch = control._carried_out[wire.Switch.KIND]

    def refusing(message: wire.Switch) -> object:
        if message.output == wire.Output.SHUNT and message.on and left[0]:
            left[0] -= 1
            return reason
        return switch(message)

    control._carried_out[wire.Switch.KIND] = refusing  # type: ignore[assignment]  # answers as the device's own


def test_a_restarted_host_checks_again_and_compares_with_the_runs_first(tmp_path: Path) -> None:
    settings = rig(after_restart="resume", plan=msgspec.structs.replace(PLAN, cycles=2))

    async def first() -> None:
        scene = open_scene(tmp_path, settings=settings, device=device())
        await scene.until(lambda: scene.moving)
        await asyncio.sleep(3.0)
        await scene.station.close()

    async def second() -> None:
        scene = open_scene(
            tmp_path, settings=settings, device=device("pan15?seed=7&fault=shunt@1ms*1.003"), later_s=40.0
        )
        await scene.until(lambda: scene.count("time_locked") == 1)
        scene.go()  # its clock begins anew in the boot that was named before, so nothing resumes by itself
        await scene.until(scene.station.ended.is_set, 200)
        await scene.station.close()
        assert (scene.count("motion_stays"), scene.count("motion_resumed")) == (1, 0)
        again, end = results(scene)
        assert (again.when, again.epoch, again.outcome) == ("start", 1, MISSED)
        assert again.change_pct == pytest.approx(0.3, abs=0.02)
        assert end.change_pct == pytest.approx(0.3, abs=0.02)
        kept = manifest(tmp_path, scene)
        assert [each.when for each in kept.shunt_checks] == ["start", "start", "end"]
        assert len(kept.devices) == 1  # the same boot said the same again

    run(first)
    run(second)
    checked(tmp_path)


def test_stop_stops_at_once_checks_and_ends_and_a_second_stop_waits_for_the_shaft_alone(
    tmp_path: Path,
) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path / "a", settings=rig(), device=device())
        await scene.until(lambda: scene.moving)
        scene.station.command("stop", "R. Vale")
        await asyncio.sleep(1.0)
        assert not scene.moving
        scene.station.command("pause", "R. Vale")  # nothing turns any more: the end is not put off
        await scene.until(scene.station.ended.is_set, 15)
        assert [each.outcome for each in results(scene)] == [MET, MET]
        assert scene.station.run_ended is not None
        assert scene.station.run_ended.reason == "stopped by R. Vale"
        await scene.station.close()
        scene = open_scene(tmp_path / "b", settings=rig(), device=device())
        await scene.until(lambda: scene.moving)
        scene.station.command("stop", "R. Vale")
        assert not scene.station.ended.is_set()
        scene.station.command("stop", "M. Thorn")
        assert "asked to end once more" in results(scene)[-1].why
        assert not scene.station.ended.is_set()  # nobody has seen the shaft stand yet
        await scene.until(scene.station.ended.is_set, 3)
        assert not scene.moving
        assert scene.count("shunt_on") == 1  # the one at the start
        await scene.station.close()

    run(act)


def test_a_run_that_was_told_to_end_is_over_even_if_the_host_dies_before_its_last_check(
    tmp_path: Path,
) -> None:
    settings = rig(after_restart="resume", plan=PLAN)

    async def act() -> None:
        scene = open_scene(tmp_path, settings=settings, device=device())
        await scene.until(lambda: scene.moving)
        scene.station.command("stop", "R. Vale")
        await asyncio.sleep(2.0)
        assert not scene.station.ended.is_set()
        for timer in scene.station._timers.values():  # kill -9
            timer.cancel()
        scene.station._line.stop()

    async def again() -> None:
        scene = open_scene(tmp_path, settings=settings, device=device(), seed=2)
        opened = scene.station.core.state.run.opened
        assert opened is not None
        assert not opened.resumed
        await scene.station.close()

    run(act)
    run(again)
    first = sorted((tmp_path / "runs" / "pan-a1").glob("*.json"))
    states = [msgspec.json.decode(path.read_bytes(), type=Manifest) for path in first]
    assert sorted((each.state, each.reason) for each in states) == [
        ("ended", "stopped by R. Vale"),
        ("running", ""),
    ]


def test_a_host_that_dies_with_the_relay_on_leaves_a_record_that_says_until_when(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=rig(), device=device())
        await scene.until(lambda: scene.count("shunt_on") == 1)
        await asyncio.sleep(0.5)
        for timer in scene.station._timers.values():  # kill -9
            timer.cancel()
        scene.station._line.stop()

    async def again() -> None:
        scene = open_scene(tmp_path, settings=rig(), device=device())
        await asyncio.sleep(1.0)
        await scene.station.close()

    run(act)
    run(again)
    events = open_run(tmp_path).events()
    marks = events[events["kind"].isin(["shunt_on", "shunt_off"])]
    assert list(marks["kind"]) == ["shunt_on", "shunt_off"]
    assert list(marks["epoch"]) == [0, 0]
    assert 3e6 <= marks["tick"].iloc[1] - marks["tick"].iloc[0] < 5e6


def test_a_run_that_never_turned_ends_without_a_check(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=rig(), device=device())
        await scene.until(lambda: scene.count("shunt_on") == 1)
        scene.station.command("stop", "R. Vale")
        assert scene.station.ended.is_set()
        assert results(scene) == []
        assert scene.count("shunt_off") == 1
        await asyncio.sleep(1.5)
        assert not shunt_on(scene)
        await scene.station.close()

    run(act)
