"""Motion permission end to end: who lets the shaft turn, the warning before it does, and what takes permission back.

Motion permission is bookkeeping and not a safety function; these tests say what it does, not that it protects anybody.
"""

import asyncio
from pathlib import Path

import msgspec
import pytest
from tests.simulation.permission_scene import guard, inputs_known, line_down, reasons, stays_still
from tests.simulation.scene import CARD, PLAN, Scene, open_scene, run, settings_of

from nightturn.settings.rig import SlowTurn, Travel
from nightturn.virtual.rig import Rig
from nightturn_protocol import messages as wire

RESUME = settings_of(after_restart="resume")


def refusal(scene: Scene) -> str:
    return scene.station.core.state.motion.permission.refusal


# ---- go ------------------------------------------------------------------------------------------------------------


def test_a_run_begins_locked_records_and_turns_only_after_go_countdown_and_lamp(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, go=False)
        await scene.guard_tried()
        await stays_still(scene, 60.0)
        assert scene.motion == "locked"
        assert scene.station.core.state.counts.samples > 55_000
        assert "nightturn go pan-a1 --unit Q-0117" in scene.station.waits_for
        scene.go()
        assert scene.motion == "allowed"
        await scene.until(lambda: scene.motion == "announced")
        announced_ns = scene.world.clock.monotonic_ns()
        await scene.until(lambda: scene.motion == "turning")
        assert 4.9 <= (scene.world.clock.monotonic_ns() - announced_ns) / 1e9 <= 5.3
        assert scene.station.core.state.motion.permission.by == CARD.operator
        await scene.until(lambda: scene.moving, 5)
        await scene.station.close()

    run(act)


def test_the_lamp_is_on_from_the_announcement_until_motion_stops(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path)
        await scene.until(lambda: scene.motion == "announced")
        await asyncio.sleep(0.3)
        for state, seconds in (("announced", 4.0), ("turning", 10.0)):
            await scene.until(lambda state=state: scene.motion == state)  # type: ignore[misc]  # bound now
            for _ in range(round(seconds * 10)):
                scene.device.advance(scene.world.clock.monotonic_ns())
                assert wire.Output.LAMP in scene.device._rig.expiry
                await asyncio.sleep(0.1)
            assert scene.motion == state
        scene.station.command("pause", "R. Vale")
        await asyncio.sleep(0.2)
        scene.device.advance(scene.world.clock.monotonic_ns())
        assert wire.Output.LAMP not in scene.device._rig.expiry
        await scene.station.close()

    run(act)


def test_without_a_lamp_the_countdown_is_fifteen_seconds_and_the_start_says_so(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=settings_of(lamp="none"))
        await scene.until(lambda: scene.motion == "announced")
        await stays_still(scene, 14.5)
        assert scene.motion == "announced"
        await scene.until(lambda: scene.motion == "turning", 1)
        (allowed,) = [event for event in scene.events if event.kind == "motion_allowed"]
        assert "there is no warning lamp" in allowed.detail
        await scene.station.close()

    run(act)


@pytest.mark.parametrize(
    ("by", "unit", "why"),
    [
        ("", CARD.unit, "no name was given"),
        ("R. Vale", "Q-0118", "Q-0117 is mounted here, not Q-0118"),
        ("R. Vale", "", "Q-0117 is mounted here, not no unit"),
    ],
)
def test_a_go_without_a_name_or_for_another_unit_is_refused(
    tmp_path: Path, by: str, unit: str, why: str
) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, go=False)
        await scene.guard_tried()
        scene.station.command("go", by, unit)
        assert refusal(scene) == why
        assert scene.count("go_refused") == 1
        await stays_still(scene, 20.0)
        assert scene.motion == "locked"
        await scene.station.close()

    run(act)


def test_a_go_while_the_guard_is_open_is_refused_and_not_remembered_when_it_closes(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=RESUME, go=False)
        await scene.until(lambda: inputs_known(scene))
        guard(scene, closed=False)
        await scene.until(lambda: scene.count("intervention") == 1, 5)
        scene.go()
        assert refusal(scene) == "the guard is open"
        assert scene.motion == "locked"
        guard(scene, closed=True)
        await scene.until(lambda: scene.count("intervention_over") == 1, 5)
        await stays_still(scene, 45.0)
        assert scene.motion == "locked"
        scene.go()
        assert refusal(scene) == ""
        await scene.until(lambda: scene.moving)
        await scene.station.close()

    run(act)


def test_a_go_before_the_device_streams_is_refused_and_not_remembered(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, go=False)
        scene.go()
        assert "no device streams" in refusal(scene)
        await stays_still(scene, 45.0)
        assert scene.motion == "locked"
        await scene.station.close()

    run(act)


def test_a_second_go_changes_nothing(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path)
        for state in ("allowed", "announced", "turning"):
            await scene.until(lambda state=state: scene.motion == state)  # type: ignore[misc]  # bound now
            given = scene.station.core.state.motion.permission.go_ns
            scene.station.command("go", "A. Roe", CARD.unit)
            assert refusal(scene) == f"it is {state} already; stop it first"
            assert scene.motion == state
            assert scene.station.core.state.motion.permission.by == CARD.operator
            assert scene.station.core.state.motion.permission.go_ns == given
        await scene.station.close()

    run(act)


# ---- what takes permission back --------------------------------------------------------------------------------------


@pytest.mark.parametrize("state", ["allowed", "announced"])
def test_a_guard_edge_before_the_first_turn_revokes_the_permission(tmp_path: Path, state: str) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=RESUME)
        await scene.until(lambda: scene.motion == state)
        guard(scene, closed=False)
        await scene.until(lambda: scene.motion == "locked", 2)
        guard(scene, closed=True)
        await stays_still(scene, 45.0)
        assert scene.motion == "locked"
        assert "guard" in reasons(scene)
        scene.device.advance(scene.world.clock.monotonic_ns())
        assert wire.Output.LAMP not in scene.device._rig.expiry
        await scene.station.close()

    run(act)


def test_a_permission_that_is_not_used_lapses(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=settings_of(permission_min=1.0, after_restart="resume"))
        await scene.until(lambda: scene.motion == "allowed")
        line_down(scene, down=True)  # for longer than the permission lasts
        await asyncio.sleep(55.0)
        assert scene.motion == "allowed"
        await scene.until(lambda: scene.motion == "locked", 10)
        assert "was not used for 1 min and has lapsed" in reasons(scene)
        line_down(scene, down=False)
        await scene.until(lambda: scene.count("session_up") == 2)
        await stays_still(scene, 45.0)
        assert scene.motion == "locked"
        await scene.station.close()

    run(act)


@pytest.mark.parametrize("state", ["allowed", "announced", "turning"])
def test_a_pause_keeps_the_run_and_go_ends_the_wait(tmp_path: Path, state: str) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path)
        await scene.until(lambda: scene.motion == state)
        run_id = scene.station.core.state.run.opened
        scene.station.command("pause", "R. Vale")
        await scene.until(lambda: scene.motion == "paused", 5)
        samples = scene.station.core.state.counts.samples
        await stays_still(scene, 45.0)
        assert scene.motion == "paused"
        assert scene.station.core.state.counts.samples > samples + 40_000
        assert scene.station.core.state.run.opened is run_id
        assert not scene.station.ended.is_set()
        scene.go()
        await scene.until(lambda: scene.moving)
        await scene.station.close()

    run(act)


def test_stop_twice_ends_the_run_once_and_a_go_after_it_turns_nothing(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path)
        await scene.until(lambda: scene.moving)
        scene.station.command("stop", "R. Vale")
        assert scene.motion == "ended"
        scene.go()
        scene.station.command("stop", "A. Roe")
        await scene.until(scene.station.ended.is_set, 5)
        scene.station.command("stop", "A. Roe")
        scene.go()
        await asyncio.sleep(1.0)
        await stays_still(scene, 20.0)
        assert scene.count("run_ended") == scene.count("motion_ended") == 1
        assert scene.station.run_ended is not None
        assert scene.station.run_ended.reason == "stopped by R. Vale"
        await scene.station.close()

    run(act)


def test_a_pause_at_the_first_moment_of_a_turn_is_over_only_when_the_shaft_has_stood_since(
    tmp_path: Path,
) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path)
        await scene.until(lambda: scene.moving)
        scene.station.command("pause", "R. Vale")  # it had stood for long by the samples until now
        assert scene.motion == "stopping"
        await asyncio.sleep(0.9 * PLAN.dwell_s)
        assert scene.motion == "stopping"
        await scene.until(lambda: scene.motion == "paused", PLAN.dwell_s)
        await scene.station.close()

    run(act)


def test_a_shaft_that_does_not_stop_is_locked_gets_off_again_and_is_a_matter_of_the_emergency_stop(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    long = msgspec.structs.replace(PLAN, slow_turn=SlowTurn(revolutions=20, speed_rpm=30.0))
    settings = settings_of(plan=long, travel=Travel(range_deg=(-20_000.0, 20_000.0)), after_restart="resume")

    async def act() -> None:
        scene = open_scene(tmp_path, settings=settings)
        await scene.until(lambda: scene.moving)
        monkeypatch.setattr(
            Rig, "set_speed", lambda _rig, _speed, _ramp: None
        )  # a drive that no longer listens
        scene.station.command("pause", "R. Vale")
        numbered = scene.station.core.state.motion.planner.command_no
        await scene.until(lambda: scene.motion == "locked", 20)
        assert scene.moving
        assert reasons(scene) == "the shaft still moves: emergency stop"
        assert scene.station.core.state.motion.planner.command_no == numbered + 2
        assert [event.severity for event in scene.events if event.detail == reasons(scene)] == ["alarm"]
        monkeypatch.undo()
        await asyncio.sleep(90.0)
        assert scene.motion == "locked"
        assert reasons(scene) == "the shaft still moves: emergency stop"
        await scene.station.close()

    run(act)


# ---- the lamp --------------------------------------------------------------------------------------------------------


def answer_the_lamp(scene: Scene, answer: wire.Reason | None) -> None:
    """The device answers requests for the lamp with a refusal, or not at all."""
    carried_out = scene.device._control._carried_out
    switch = carried_out[wire.Switch.KIND]

    def switched(message: wire.Switch) -> object:
        return answer if message.output == wire.Output.LAMP else switch(message)

    carried_out[wire.Switch.KIND] = switched  # type: ignore[assignment]  # a lamp that is not there


@pytest.mark.parametrize(
    ("answer", "said"), [(wire.Reason.INTERLOCK, "is refused by the device"), (None, "does not answer")]
)
def test_a_lamp_that_is_refused_or_silent_locks(
    tmp_path: Path, answer: wire.Reason | None, said: str
) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=RESUME)
        answer_the_lamp(scene, answer)
        await scene.until(lambda: scene.motion == "announced")
        await scene.until(lambda: scene.motion == "locked", 5.5)
        assert "the warning lamp" in reasons(scene)
        assert said in reasons(scene)
        await stays_still(scene, 45.0)
        assert scene.motion == "locked"
        assert scene.count("motion_started") == 0
        await scene.station.close()

    run(act)


def test_a_lamp_that_is_refused_while_the_shaft_turns_stops_it_and_locks(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=RESUME)
        await scene.until(lambda: scene.moving)
        answer_the_lamp(scene, wire.Reason.INTERLOCK)
        await scene.until(lambda: scene.motion == "locked", 15)
        assert "the warning lamp is refused by the device" in reasons(scene)
        await stays_still(scene, 45.0)
        assert scene.motion == "locked"
        await scene.station.close()

    run(act)


def test_a_lamp_that_falls_back_during_the_countdown_locks(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=RESUME)
        await scene.until(lambda: scene.motion == "announced")
        await asyncio.sleep(2.0)
        scene.device.advance(scene.world.clock.monotonic_ns())
        scene.device._rig.expiry[wire.Output.LAMP] = scene.device._firmware.tick
        await scene.until(lambda: scene.motion == "locked", 2)
        assert reasons(scene) == "cancelled: the warning lamp switched off by itself"
        await stays_still(scene, 45.0)
        assert scene.motion == "locked"
        await scene.station.close()

    run(act)


def test_a_lamp_that_the_device_does_not_show_on_locks_at_the_end_of_the_countdown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shown = Rig.output_word
    monkeypatch.setattr(Rig, "output_word", lambda rig: shown(rig) & ~(1 << wire.Output.LAMP))

    async def act() -> None:
        scene = open_scene(tmp_path)
        await scene.until(lambda: scene.motion == "announced")
        await scene.until(lambda: scene.motion == "locked", 6)
        assert reasons(scene) == "cancelled: the device does not show the warning lamp on"
        assert scene.count("motion_started") == 0
        await scene.station.close()

    run(act)
