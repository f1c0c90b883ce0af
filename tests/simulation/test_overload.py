"""Torque that nobody recorded: the device remembers it, the next host reads it, and an overload waits for a person."""

from pathlib import Path

import numpy as np
import pytest
from tests.simulation.permission_scene import killed, line_down, stays_still
from tests.simulation.scene import CARD, Scene, open_scene, run, settings_of

from nightturn.bench.counting import counters_of
from nightturn.fixture.owners.run import RunPhase
from nightturn.settings.rig import Limit
from nightturn.storage.manifest import read_manifest
from nightturn.virtual.catalogue import from_spec
from nightturn_protocol import messages as wire

LIMITED = settings_of(protect={"torque_nm": Limit(max=12.0)})
WARNS = settings_of(protect={"torque_nm": Limit(max=12.0, on_exceed="warn")})
NM_20 = 4_194_304  # counts: 5 V at 4 N·m/V


def knock(scene: Scene, counts: int = NM_20) -> None:
    """Something leans on the shaft for one sample; what is on the line does not carry it."""
    sampler = scene.device._firmware.sampler
    sampler.overload.take(np.array([counts], np.int32), sampler.tick_of(sampler.next_index), 1)


def knocked_before_the_host_came(scene_root: Path, **kept: object) -> Scene:
    device = from_spec("pan15?seed=7").build(0)
    device.advance(5_000_000_000)
    sampler = device._firmware.sampler
    sampler.overload.take(np.array([NM_20], np.int32), 2_000_000, 1)
    return open_scene(scene_root, device=device, **kept)  # type: ignore[arg-type]  # keywords passed on


def told(scene: Scene, kind: str) -> list[str]:
    return [event.detail for event in scene.events if event.kind == kind]


def test_an_ordinary_memory_is_told_once_and_locks_nothing(tmp_path: Path) -> None:
    async def night() -> None:
        scene = open_scene(tmp_path, settings=LIMITED)
        await scene.until(lambda: scene.motion == "turning")
        assert len(told(scene, "torque_remembered")) == 1
        assert told(scene, "overload_remembered") == []
        await scene.station.close()
        manifest = read_manifest(scene.world.files, "pan-a1", scene.station._run)
        (row,) = manifest.torque_remembered
        assert row.limit_nm == 12.0
        assert row.beyond_ts is None
        assert -1.0 < row.torque_min_nm <= row.torque_max_nm < 1.0

    run(night)


def test_an_overload_before_the_host_came_locks_motion_until_a_person_has_answered(tmp_path: Path) -> None:
    async def night() -> None:
        scene = knocked_before_the_host_came(tmp_path, settings=LIMITED, go=False)
        await scene.until(lambda: scene.count("overload_remembered") == 1)
        (sentence,) = told(scene, "overload_remembered")
        assert sentence.startswith("torque reached 20 N·m (limit 12 N·m) while this run recorded nothing, ")
        assert sentence.endswith(" s before it was read")
        (event,) = [event for event in scene.events if event.kind == "overload_remembered"]
        assert (event.severity, event.tick, event.value) == ("alarm", 2_000_000, 20.0)
        assert scene.why_locked == [sentence]
        await stays_still(scene, 5.0)
        await scene.go_when_it_streams()
        await scene.until(lambda: scene.motion == "turning")
        allowed = told(scene, "motion_allowed")[0]
        assert allowed.startswith(f"permitted by {CARD.operator}, who cleared: {sentence}")
        await scene.station.close()
        (row,) = read_manifest(scene.world.files, "pan-a1", scene.station._run).torque_remembered
        assert row.torque_max_nm == pytest.approx(20.0, abs=0.01)
        assert row.beyond_ts == event.ts

    run(night)


def test_a_limit_that_only_warns_says_it_and_locks_nothing(tmp_path: Path) -> None:
    async def night() -> None:
        scene = knocked_before_the_host_came(tmp_path, settings=WARNS, go=False)
        await scene.until(lambda: scene.count("overload_remembered") == 1)
        (event,) = [event for event in scene.events if event.kind == "overload_remembered"]
        assert event.severity == "warning"
        assert scene.why_locked == []
        await scene.station.close()

    run(night)


def test_without_a_limit_the_end_of_the_range_is_an_overload(tmp_path: Path) -> None:
    async def night() -> None:
        device = from_spec("pan15?seed=7").build(0)
        device.advance(1_000_000_000)
        device._firmware.sampler.overload.take(np.array([-8_388_608], np.int32), 900_000, 1)
        scene = open_scene(tmp_path, device=device, go=False)
        await scene.until(lambda: scene.count("overload_remembered") == 1)
        assert "(the end of the converter's range)" in scene.why_locked[0]
        await scene.station.close()

    run(night)


def test_what_the_tape_has_on_disk_is_forgotten_by_the_device_and_nothing_before(tmp_path: Path) -> None:
    async def night() -> None:
        scene = knocked_before_the_host_came(tmp_path, settings=LIMITED, go=False, sync_s=3.0)
        memory = scene.device._firmware.sampler.overload
        await scene.until(lambda: scene.count("overload_remembered") == 1)
        assert memory.told.torque_max == NM_20
        await scene.until(lambda: memory.memory_no >= 2)
        assert scene.station.core.state.disk.durable_record_no > 0
        assert memory.told.torque_max < NM_20
        assert scene.count("overload_remembered") == 1
        await scene.station.close()

    run(night)


def test_a_host_that_dies_before_the_disk_has_it_leaves_it_to_the_next(tmp_path: Path) -> None:
    async def night() -> None:
        scene = knocked_before_the_host_came(tmp_path, settings=LIMITED, go=False, sync_s=3600.0)
        await scene.until(lambda: scene.count("overload_remembered") == 1)
        killed(scene)
        following = open_scene(tmp_path, device=scene.device, settings=LIMITED, later_s=1.0)
        await following.until(lambda: following.count("overload_remembered") == 1)
        assert following.motion == "locked"
        await following.station.close()

    run(night)


def test_an_overload_while_the_line_was_down_is_found_when_the_session_goes_on(tmp_path: Path) -> None:
    async def night() -> None:
        scene = open_scene(tmp_path, settings=LIMITED, go=False)
        await scene.until(lambda: scene.count("torque_remembered") == 1)
        line_down(scene, down=True)
        await scene.until(lambda: scene.count("line_lost") == 1)
        knock(scene)
        line_down(scene, down=False)
        await scene.until(lambda: scene.count("overload_remembered") == 1)
        assert scene.motion == "locked"
        assert scene.why_locked == told(scene, "overload_remembered")
        await scene.station.close()

    run(night)


def test_an_overload_behind_the_back_of_the_stream_stops_what_turns(tmp_path: Path) -> None:
    async def night() -> None:
        scene = open_scene(tmp_path, settings=LIMITED)
        await scene.until(lambda: scene.motion == "turning")
        knock(scene)
        await scene.until(lambda: scene.count("overload_remembered") == 1)
        await scene.until(lambda: scene.motion == "locked")
        assert not scene.moving
        await scene.station.close()

    run(night)


def test_an_overload_between_open_and_the_first_sample_is_not_taken_for_recorded(tmp_path: Path) -> None:
    async def night() -> None:
        scene = open_scene(tmp_path, settings=LIMITED, go=False)
        await scene.until(lambda: scene.station.core.state.device.streams)
        memory = scene.device._firmware.sampler.overload
        memory.take(np.array([NM_20], np.int32), scene.station.core.state.device.overload.from_tick, 1)
        await scene.until(lambda: scene.count("overload_remembered") == 1)
        assert scene.why_locked == told(scene, "overload_remembered")
        await scene.until(lambda: memory.told.torque_max < NM_20)
        assert scene.count("overload_remembered") == 1
        await scene.station.close()

    run(night)


def test_a_recorded_overload_is_the_limits_business_alone(tmp_path: Path) -> None:
    async def night() -> None:
        low = settings_of(protect={"torque_nm": Limit(max=2.0)})  # the hold of 5 N·m is beyond it
        scene = open_scene(tmp_path, settings=low)
        await scene.until(lambda: scene.count("limit_exceeded") == 1)
        await scene.until(lambda: scene.station.core.state.run.phase is RunPhase.ENDED)
        assert scene.count("overload_remembered") == 0
        await scene.station.close()

    run(night)


def test_what_a_warning_limit_lets_pass_is_told_once_by_the_limit(tmp_path: Path) -> None:
    async def night() -> None:
        low = settings_of(protect={"torque_nm": Limit(max=2.0, on_exceed="warn")})
        scene = open_scene(tmp_path, settings=low)
        await scene.until(lambda: scene.count("limit_warning") >= 1)
        memory = scene.device._firmware.sampler.overload
        read_no = memory.memory_no
        await scene.until(lambda: memory.memory_no >= read_no + 3)
        assert scene.count("overload_remembered") == 0
        assert scene.motion == "turning"
        await scene.station.close()

    run(night)


def test_a_device_without_the_feature_tells_what_opened_tells(tmp_path: Path) -> None:
    async def night() -> None:
        device = from_spec("pan15?seed=7&without=extremes").build(0)
        device.advance(1_000_000_000)
        device._firmware.sampler.torque_max = NM_20
        scene = open_scene(tmp_path, device=device, settings=LIMITED, go=False)
        await scene.until(lambda: scene.count("overload_remembered") == 1)
        assert scene.why_locked == ["torque reached 20 N·m (limit 12 N·m) while this run recorded nothing"]
        assert scene.station.core.state.device.overload.memory_no == 0
        await scene.station.close()

    run(night)


def test_a_resumed_run_says_once_that_its_board_remembers_nothing(tmp_path: Path) -> None:
    async def night() -> None:
        device = from_spec("pan15?seed=7&without=extremes").build(0)
        scene = open_scene(tmp_path, device=device, settings=LIMITED, go=False)
        await scene.until(lambda: scene.count("session_up") == 1)
        assert scene.count("overload_memory_missing") == 0  # OPENED told all there was
        killed(scene)
        following = open_scene(tmp_path, device=device, settings=LIMITED, go=False)
        await following.until(lambda: following.count("session_up") == 1)
        device.reset()
        await following.until(lambda: following.count("session_up") == 2)
        (said,) = told(following, "overload_memory_missing")
        assert said.startswith("this board does not remember torque while nobody listened")
        await following.station.close()

    run(night)


def test_a_device_that_does_not_answer_keeps_motion_waiting_and_the_person_knows(tmp_path: Path) -> None:
    async def night() -> None:
        scene = open_scene(tmp_path, settings=LIMITED)
        silenced = scene.device._control._carried_out
        scene.device._control._carried_out = {**silenced, wire.Extremes.KIND: lambda _message: None}
        await scene.until(lambda: scene.count("overload_memory_unread") >= 1)
        await stays_still(scene, 20.0)
        assert "overload memory has not been read yet" in scene.station.waits_for
        scene.device._control._carried_out = silenced
        await scene.until(lambda: scene.motion == "turning")
        await scene.station.close()

    run(night)


def test_a_device_that_refuses_is_asked_no_more_and_that_is_said(tmp_path: Path) -> None:
    async def night() -> None:
        scene = open_scene(tmp_path, settings=LIMITED)
        refusal = wire.Reason.UNKNOWN_KIND
        scene.device._control._carried_out[wire.Extremes.KIND] = lambda _message: refusal
        await scene.until(lambda: scene.motion == "turning")
        assert scene.count("overload_memory_unread") == 1
        await scene.station.close()

    run(night)


def test_the_counters_of_the_device_are_told_to_who_watches(tmp_path: Path) -> None:
    async def night() -> None:
        scene = open_scene(tmp_path, settings=LIMITED, go=False)
        before = counters_of(scene.station.core)
        assert before is None
        await scene.until(lambda: counters_of(scene.station.core) is not None)
        counters = counters_of(scene.station.core)
        assert counters is not None
        assert (counters.leases_refused, counters.adc_overrange, counters.cpu_pct) == (0, 0, 12)
        scene.device._firmware.lease.refused = 3

        def refused() -> int:
            found = counters_of(scene.station.core)
            return found.leases_refused if found is not None else 0

        await scene.until(lambda: refused() == 3)
        await scene.station.close()

    run(night)
