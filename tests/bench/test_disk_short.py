"""A disk that runs short: motion ends and says so while everything is still recorded, and never begins by itself."""

import asyncio
from collections.abc import Sequence
from pathlib import Path

import msgspec
import pytest
from tests.bench.failing_files import Disk
from tests.simulation.scene import FAST, checked, open_scene, run

from nightturn.bench.locks import Lock, own_root_or_meet
from nightturn.bench.room import (
    ENOUGH_BYTES,
    FEW_FILES,
    FILES_RESERVE,
    LOW,
    LOW_BYTES,
    RESERVE_BYTES,
    SCANT,
    SHORT,
    Room,
    before_a_night,
)
from nightturn.errors import StorageError
from nightturn.fixture.alarms import lasts
from nightturn.fixture.events import TURNS_ON
from nightturn.model.facts import FAILURE, Failure
from nightturn.storage.files import RealFiles
from nightturn.storage.runs import open_run


def test_motion_ends_below_the_reserve_recording_goes_on_and_only_a_person_lets_it_turn_again(
    tmp_path: Path,
) -> None:
    free = [ENOUGH_BYTES]

    async def act() -> None:
        scene = open_scene(tmp_path, room=lambda: free[0])
        await scene.until(lambda: scene.motion == "turning", 80)
        free[0] = RESERVE_BYTES - 1
        await scene.until(lambda: scene.motion == "locked", 20)
        assert any("less than 1 GB was free" in why for why in scene.why_locked)
        assert scene.count("disk_short") == 1
        seen = scene.station.durable_through
        free[0] = ENOUGH_BYTES - 1  # more than the reserve, not yet enough
        await asyncio.sleep(20.0)
        assert scene.station.core.state.disk.trouble != ""
        assert scene.station.durable_through > seen
        free[0] = ENOUGH_BYTES
        await asyncio.sleep(60.0)
        assert scene.station.core.state.disk.trouble == ""
        assert (scene.motion, scene.moving) == ("locked", False)
        scene.go()
        await scene.until(lambda: scene.motion == "turning", 80)
        assert scene.count("disk_short") == 1
        await scene.station.close()

    run(act)
    (report,) = checked(tmp_path)
    assert report.stored == report.produced  # not a sample is missing for it


ON_THE_RESERVE = msgspec.structs.replace(
    FAST, plan=msgspec.structs.replace(FAST.plan, when_disk_short="go_on")
)


def test_where_the_plan_says_so_cycles_go_on_from_the_reserve_until_little_of_that_is_left_and_nothing_begins(
    tmp_path: Path,
) -> None:
    free = [ENOUGH_BYTES]

    async def act() -> None:
        scene = open_scene(tmp_path, settings=ON_THE_RESERVE, room=lambda: free[0])
        core = scene.station.core
        await scene.until(lambda: scene.motion == "turning", 80)
        free[0] = RESERVE_BYTES - 1
        await scene.until(lambda: scene.count("disk_short") == 1, 5)
        cycles = core.state.run.night.night.cycles
        await scene.until(lambda: core.state.run.night.night.cycles >= cycles + 2, 80)
        assert (scene.motion, scene.count("disk_short"), scene.count("motion_stopped")) == ("turning", 1, 0)
        (said,) = [event.detail for event in scene.events if event.kind == "disk_short"]
        assert said == f"{SHORT}; {TURNS_ON}"
        assert lasts(core.state, "disk_short")
        scene.station.command("pause", "R. Vale")
        await scene.until(lambda: scene.motion == "paused", 20)
        scene.go()
        await asyncio.sleep(20.0)
        assert (scene.motion, scene.moving) == ("paused", False)
        free[0] = ENOUGH_BYTES
        await scene.until(lambda: not core.state.disk.trouble, 5)
        scene.go()
        await scene.until(lambda: scene.motion == "turning", 80)
        free[0] = RESERVE_BYTES - 1
        await scene.until(lambda: scene.count("disk_short") == 2, 5)
        free[0] = LOW_BYTES - 1
        await scene.until(lambda: scene.count("tape_off") == 1, 30)
        assert (scene.motion, scene.moving) == ("locked", False)
        assert scene.why_locked == [LOW]
        free[0] = ENOUGH_BYTES
        await scene.until(lambda: scene.count("tape_on") == 1, 5)
        await asyncio.sleep(5.0)
        assert (scene.motion, scene.moving) == ("locked", False)
        await scene.station.close()

    run(act)
    (report,) = checked(tmp_path)
    assert set(open_run(tmp_path).gaps()["cause"]) == {"disk"}
    assert report.produced == report.stored + report.missing


def test_what_turns_on_the_reserve_stops_at_once_when_a_sync_fails(tmp_path: Path) -> None:
    free = [ENOUGH_BYTES]

    async def act() -> None:
        scene = open_scene(tmp_path, settings=ON_THE_RESERVE, room=lambda: free[0])
        await scene.until(lambda: scene.motion == "turning", 80)
        free[0] = RESERVE_BYTES - 1
        await scene.until(lambda: scene.count("disk_short") == 1, 5)
        assert scene.motion == "turning"
        scene.station._fact(FAILURE, Failure("sync", "input/output error"))
        assert scene.motion == "stopping"
        assert scene.why_locked == ["sync failed: input/output error"]
        await scene.station.close()

    run(act)


def test_a_line_that_is_lost_while_samples_are_off_brings_no_more_than_a_moment_of_them_and_the_gap_stays_the_disk_s(
    tmp_path: Path,
) -> None:
    free = [LOW_BYTES - 1]

    async def act() -> None:
        scene = open_scene(tmp_path, room=lambda: free[0], go=False)
        await scene.until(lambda: scene.count("tape_off") == 1, 30)
        await asyncio.sleep(10.0)
        scene.station._line.lost("pulled out")
        await scene.until(lambda: scene.count("session_up") == 2, 30)
        samples = scene.station.core.state.counts.samples
        await asyncio.sleep(30.0)
        assert scene.station.core.state.counts.samples - samples < 10_000
        free[0] = ENOUGH_BYTES
        await scene.until(lambda: scene.count("tape_on") == 1, 5)
        await asyncio.sleep(5.0)
        assert scene.count("tape_off") == 1
        await scene.station.close()

    run(act)
    (report,) = checked(tmp_path)
    assert set(open_run(tmp_path).gaps()["cause"]) == {"disk"}
    assert report.produced == report.stored + report.missing


def test_with_room_for_little_else_the_samples_of_a_shaft_that_rests_stop_and_go_on_by_themselves(
    tmp_path: Path,
) -> None:
    free = [ENOUGH_BYTES]
    index: list[int] = []

    async def act() -> None:
        scene = open_scene(tmp_path, room=lambda: free[0])
        await scene.until(lambda: scene.motion == "turning", 80)
        free[0] = LOW_BYTES - 1
        await scene.until(lambda: scene.count("tape_off") == 1, 30)
        assert (scene.motion, scene.moving) == ("locked", False)
        await asyncio.sleep(2.0)
        index.append(scene.station.core.state.watch.index)
        before = scene.station.core.state.record_no
        await asyncio.sleep(60.0)
        assert scene.station.core.state.watch.index == index[0]
        assert scene.station.core.state.record_no > before
        assert scene.station.core.state.device.streams
        scene.guard(closed=False)  # an event is still recorded
        await scene.until(lambda: scene.count("guard_opened") >= 1, 5)
        scene.guard(closed=True)
        assert "samples are not recorded" in scene.station.waits_for
        free[0] = RESERVE_BYTES
        await scene.until(lambda: scene.count("tape_on") == 1, 5)
        await scene.until(lambda: scene.station.core.state.watch.index > index[0] + 60_000, 5)
        free[0] = ENOUGH_BYTES
        await asyncio.sleep(5.0)
        assert (scene.count("tape_off"), scene.count("tape_on"), scene.moving) == (1, 1, False)
        await scene.station.close()

    run(act)
    (report,) = checked(tmp_path)
    gaps = open_run(tmp_path).gaps()
    assert list(gaps["cause"]) == ["disk"]
    assert 55_000 < report.missing < 70_000
    assert report.produced == report.stored + report.missing


def test_a_quota_is_found_out_before_the_tape_meets_it(tmp_path: Path) -> None:
    """What the disk says to be free is not what this user may have: the room that is kept ahead shows it, a minute early."""
    disk = Disk()

    async def act() -> None:
        scene = open_scene(tmp_path, wrap_files=disk.wrap)
        await scene.until(lambda: scene.motion == "turning", 80)
        disk.full("reserve", "journal")
        await scene.until(lambda: scene.count("tape_off") == 1, 200)
        assert (scene.motion, scene.moving, scene.station.losses.batches) == ("locked", False, 0)
        (said,) = [event.detail for event in scene.events if event.kind == "disk_short"]
        assert said.startswith("the disk keeps no room for the next 4 MB of tape: No space left on device")
        await asyncio.sleep(10.0)
        disk.mended()
        await scene.until(lambda: scene.count("tape_on") == 1, 20)
        index = scene.station.core.state.watch.index
        await scene.until(lambda: scene.station.core.state.watch.index > index + 1000, 20)
        assert scene.station.core.state.disk.trouble == ""
        await scene.station.close()

    run(act)
    (report,) = checked(tmp_path)
    assert list(open_run(tmp_path).gaps()["cause"]) == ["disk"]
    assert report.produced == report.stored + report.missing


@pytest.mark.parametrize(
    ("free", "said"),
    [
        ((ENOUGH_BYTES, ENOUGH_BYTES - 1, RESERVE_BYTES), ("", "", "")),
        ((ENOUGH_BYTES - 1, RESERVE_BYTES, ENOUGH_BYTES), (SCANT, SCANT, "")),
        ((RESERVE_BYTES - 1, RESERVE_BYTES, ENOUGH_BYTES - 1), (SHORT, SHORT, SHORT)),
        ((RESERVE_BYTES, RESERVE_BYTES - 1, ENOUGH_BYTES), (SCANT, SHORT, "")),
        ((LOW_BYTES - 1, LOW_BYTES, RESERVE_BYTES, ENOUGH_BYTES), (LOW, LOW, SHORT, "")),
        ((LOW_BYTES - 1, ENOUGH_BYTES), (LOW, "")),
    ],
)
def test_the_reserve_has_a_hysteresis_and_a_start_wants_enough(
    free: Sequence[int], said: Sequence[str]
) -> None:
    room = Room()
    assert tuple(room.look(each, FILES_RESERVE) for each in free) == tuple(said)


def test_a_start_between_the_two_bounds_records_and_turns_nothing_until_there_is_enough(
    tmp_path: Path,
) -> None:
    """A restart must not turn what the daemon before it had ended for want of room."""
    free = [ENOUGH_BYTES - 1]

    async def act() -> None:
        scene = open_scene(tmp_path, room=lambda: free[0])
        await asyncio.sleep(80.0)
        assert not scene.moving
        assert scene.count("motion_announced") == scene.count("sync_failed") == 0
        assert any("less than 1.5 GB was free" in why for why in scene.why_locked)
        free[0] = ENOUGH_BYTES
        await scene.until(lambda: not scene.station.core.state.disk.trouble, 5)
        scene.go()
        await scene.until(lambda: scene.motion == "turning", 80)
        await scene.station.close()

    run(act)
    assert checked(tmp_path)[0].missing == 0


def test_room_that_cannot_be_read_ends_motion_by_its_own_name_and_is_no_failed_sync(tmp_path: Path) -> None:
    broken = [False]

    def room() -> int:
        if broken[0]:
            raise OSError(5, "input/output error")
        return ENOUGH_BYTES

    async def act() -> None:
        scene = open_scene(tmp_path, room=room)
        await scene.until(lambda: scene.motion == "turning", 80)
        broken[0] = True
        await scene.until(lambda: scene.motion == "locked", 20)
        seen = scene.station.durable_through
        await asyncio.sleep(5.0)
        assert scene.station.durable_through > seen
        assert (scene.count("room_unread"), scene.count("sync_failed"), scene.count("disk_short")) == (
            1,
            0,
            0,
        )
        assert any("cannot be read" in why and "input/output error" in why for why in scene.why_locked)
        broken[0] = False
        await scene.until(lambda: not scene.station.core.state.disk.trouble, 5)
        assert (scene.motion, scene.moving) == ("locked", False)
        await scene.station.close()

    run(act)


def test_few_files_more_keep_motion_back_whatever_is_free_and_without_any_nothing_is_begun(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert Room().look(ENOUGH_BYTES, FILES_RESERVE - 1) == FEW_FILES
    assert Room().look(LOW_BYTES - 1, 0) == LOW
    monkeypatch.setattr(RealFiles, "room", lambda _: ENOUGH_BYTES)
    monkeypatch.setattr(RealFiles, "files_left", lambda _: 0)
    assert before_a_night(tmp_path, "1s") == FEW_FILES
    with pytest.raises(StorageError, match="takes no file more, whatever is free on it"):
        own_root_or_meet(tmp_path, "serve", lambda _: False)
    monkeypatch.undo()
    found = own_root_or_meet(tmp_path, "serve", lambda _: False)  # it was given back
    assert isinstance(found, Lock)
    found.release()


def test_before_a_night_only_a_disk_that_keeps_motion_back_is_spoken_of(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    free = [ENOUGH_BYTES]
    monkeypatch.setattr(RealFiles, "room", lambda _self: free[0])
    assert before_a_night(tmp_path / "not" / "made yet", "1s") == ""
    free[0] = 1_200_000_000
    assert before_a_night(tmp_path, "frame") == "1.2 GB free; nothing begins to turn with less than 1.5 GB"
    assert before_a_night(tmp_path, "never").startswith('fsync = "never" in bench.toml promises nothing')


def test_the_real_files_say_what_the_disk_takes(tmp_path: Path) -> None:
    assert 0 < RealFiles(tmp_path).room() < 1 << 60
