"""A station whose disk or core fails: nothing happens that is not on the tape, and nothing on the tape is lost."""

import asyncio
from pathlib import Path

import pytest
from tests.bench.failing_files import Disk
from tests.simulation.permission_scene import stays_still
from tests.simulation.scene import checked, open_scene, run, settings_of

from nightturn.bench.recovery import recover
from nightturn.bench.safekeeping import SEAL_AGAIN_S, SEALS_MAX
from nightturn.bench.station import FACTS_MAX, SILENT_S
from nightturn.bench.virtual_port import VirtualPort
from nightturn.bench.worlds import RealClock
from nightturn.errors import StorageError
from nightturn.model import facts
from nightturn.model.records import Frame
from nightturn.storage.files import RealFiles
from nightturn.storage.journal import Journal
from nightturn.transport.port import OnBytes, OnLost
from nightturn.world import Files
from nightturn_protocol import messages as wire

RESUME = settings_of(after_restart="resume")


def test_a_full_tape_has_no_effects_and_the_station_goes_on_when_it_is_mended(tmp_path: Path) -> None:
    async def act() -> None:
        disk = Disk()
        scene = open_scene(tmp_path, settings=RESUME, wrap_files=disk.wrap)
        await scene.until(lambda: scene.moving)
        before = scene.station.core.state.record_no
        disk.full("append", "journal/")
        await asyncio.sleep(3.0)
        assert scene.station.core.state.record_no == before
        assert not scene.moving
        assert (
            scene.device._firmware.lease.state is wire.LeaseState.OFF
        )  # nothing was driven any more when it ran out
        assert scene.station.losses.batches > 10
        disk.mended()
        await scene.until(lambda: scene.count("session_up") == 2)
        await stays_still(scene, 45.0)  # whatever the rig file says: a tape that failed waits for a person
        assert scene.motion == "locked"
        assert scene.count("motion_resumed") == 0
        assert any("batches of records could not be written" in why for why in scene.why_locked)
        scene.go()
        await scene.until(lambda: scene.moving)
        assert scene.count("journal_failed") == 1
        assert scene.gaps == []  # the device's ring brought everything back
        await scene.station.close()

    run(act)
    assert checked(tmp_path)[0].missing == 0


def test_a_disk_that_fills_takes_small_writes_and_fills_again_leaves_nobody_silent(tmp_path: Path) -> None:
    async def act() -> None:
        disk = Disk()
        scene = open_scene(tmp_path, settings=RESUME, wrap_files=disk.wrap)
        await scene.until(lambda: scene.moving)
        assert disk.files is not None
        disk.full("append", "journal/")
        await asyncio.sleep(0.35)
        disk.files.bytes_max = 50  # a control tick fits, nothing else does
        disk.mended()
        await asyncio.sleep(0.35)
        disk.full("append", "journal/")
        await asyncio.sleep(0.35)
        disk.files.bytes_max = None
        disk.mended()
        await scene.until(lambda: scene.motion == "locked", 60)
        await scene.until(lambda: not scene.station.waits_for.startswith("nothing turns: no device"), 60)
        await stays_still(scene, 20.0)
        scene.go()
        await scene.until(lambda: scene.motion == "turning" and scene.moving, 60)
        before = scene.station.core.state.counts.samples
        await asyncio.sleep(2.0)
        assert scene.station.core.state.counts.samples > before + 1500
        assert scene.count("recording_failed") == 0
        await scene.station.close()

    run(act)
    checked(tmp_path)


@pytest.mark.parametrize("outage_s", [2.0, 60.0])
def test_samples_that_a_full_disk_has_cost_say_so(tmp_path: Path, outage_s: float) -> None:
    async def act() -> None:
        disk = Disk()
        scene = open_scene(tmp_path, settings=RESUME, wrap_files=disk.wrap)
        await asyncio.sleep(10.0)
        disk.full("append", "journal/")
        await asyncio.sleep(outage_s)
        disk.mended()
        await asyncio.sleep(20.0)
        causes = [gap.cause for gap in scene.gaps]
        assert causes == (["disk"] if outage_s > 10 else [])
        await scene.station.close()

    run(act)
    checked(tmp_path)


class Mute:
    """A port that stays open and lets nothing through, once told to."""

    def __init__(self, port: VirtualPort) -> None:
        self.name, self.mute, self._port = port.name, False, port
        self._on_bytes: OnBytes | None = None

    def open(self, on_bytes: OnBytes, on_lost: OnLost) -> None:
        self._on_bytes = on_bytes
        self._port.open(self._bytes, on_lost)

    def write(self, content: bytes) -> None:
        self._port.write(content)

    def close(self) -> None:
        self._port.close()

    def _bytes(self, stamp_ns: int, content: bytes) -> None:
        if not self.mute and self._on_bytes is not None:
            self._on_bytes(stamp_ns, content)


def test_a_line_that_is_up_and_brings_nothing_is_an_alarm_and_is_opened_anew(tmp_path: Path) -> None:
    async def act() -> None:
        ports: list[Mute] = []

        def wrap(port: VirtualPort) -> Mute:
            ports.append(Mute(port))
            return ports[0]

        scene = open_scene(tmp_path, wrap=wrap)
        await asyncio.sleep(5.0)
        station = scene.station
        station._take(
            [facts.host(1, facts.LINK, facts.LinkFact(opened=False, reason="what only the core hears"))]
        )
        ports[0].mute = True
        await scene.until(lambda: scene.count("recording_failed") == 1, SILENT_S + 1)
        assert "although the line is up" in next(
            e.detail for e in scene.events if e.kind == "recording_failed"
        )
        ports[0].mute = False
        await scene.until(lambda: scene.count("session_up") == 2, 30)
        await asyncio.sleep(15.0)
        assert scene.count("recording_failed") == 1
        await station.close()

    run(act)


def test_a_command_given_while_the_tape_was_full_is_carried_out_afterwards(tmp_path: Path) -> None:
    async def act() -> None:
        disk = Disk()
        scene = open_scene(tmp_path, settings=RESUME, wrap_files=disk.wrap)
        await scene.until(lambda: scene.moving)
        disk.full("append", "journal/")
        scene.station.command("stop", "R. Vale")
        await asyncio.sleep(1.0)
        assert not scene.station.ended.is_set()
        disk.mended()
        await scene.until(scene.station.ended.is_set, 2.0)
        assert scene.station.run_ended is not None
        assert scene.station.run_ended.reason == "stopped by R. Vale"
        await scene.station.close()

    run(act)


def test_a_segment_that_cannot_be_begun_spoils_no_chunk(tmp_path: Path) -> None:
    async def act() -> None:
        disk = Disk()
        scene = open_scene(tmp_path, settings=settings_of(chunk_s=10.0), wrap_files=disk.wrap)
        await asyncio.sleep(5.0)
        first = scene.station._journal.path
        assert disk.files is not None
        disk.files.fails = lambda asked, path: asked == "append" and "journal/" in path and path != first
        await asyncio.sleep(10.0)
        assert scene.station._journal.path == first
        assert scene.station._shell.unrotated is not None
        disk.mended()
        await asyncio.sleep(20.0)
        assert scene.station._journal.path != first
        await scene.station.close()

    run(act)
    assert checked(tmp_path)[0].missing == 0


def test_a_sync_that_fails_stops_motion_and_a_fresh_segment_ends_the_trouble(tmp_path: Path) -> None:
    async def act() -> None:
        disk = Disk()
        scene = open_scene(tmp_path, settings=RESUME, wrap_files=disk.wrap)
        await asyncio.sleep(12.0)
        disk.full("sync", "journal/")
        await scene.until(lambda: scene.count("motion_stopped") == 1, 2.0)
        assert "sync failed" in scene.station.core.state.motion.permission.text
        assert scene.count("sync_failed") >= 1
        await asyncio.sleep(30.0)
        assert (scene.motion, scene.moving) == ("locked", False)
        assert "sync failed" in scene.station.waits_for
        disk.mended()
        await scene.until(lambda: not scene.station.core.state.disk.trouble, 80)
        scene.go()
        await scene.until(lambda: scene.motion == "turning", 80)
        assert scene.count("motion_resumed") == 0
        await scene.station.close()

    run(act)
    assert checked(tmp_path)[0].missing == 0


def test_a_disk_that_fails_leaves_motion_to_a_person(tmp_path: Path) -> None:
    async def act() -> None:
        disk = Disk()
        scene = open_scene(tmp_path, settings=RESUME, wrap_files=disk.wrap)
        await scene.until(lambda: scene.moving)
        disk.full("sync", "journal/")
        await scene.until(lambda: scene.motion == "locked", 130.0)
        disk.mended()
        await asyncio.sleep(60.0)
        assert (scene.motion, scene.moving) == ("locked", False)
        assert all("No space left on device" in why for why in scene.why_locked)
        scene.go()
        await scene.until(lambda: scene.motion == "turning", 80)
        await scene.station.close()

    run(act)


def test_a_seal_that_fails_is_told_and_made_up_for_at_the_next_start(tmp_path: Path) -> None:
    async def act() -> None:
        disk = Disk()
        scene = open_scene(tmp_path, settings=settings_of(chunk_s=10.0), wrap_files=disk.wrap)
        disk.full("append", "raw/")
        await asyncio.sleep(25.0)
        assert scene.count("seal_failed") == scene.station._keeping.failed_seals == 2
        assert scene.motion == "turning"  # the tape is durable
        await scene.station.close()

    run(act)
    assert not (tmp_path / "raw").exists()

    async def again() -> None:
        scene = open_scene(tmp_path)
        assert scene.count("run_resumed") == 1
        await asyncio.sleep(2.0)
        await scene.station.close()

    run(again)
    (report,) = checked(tmp_path)
    assert report.stored == report.produced > 20_000


def test_a_seal_that_failed_after_its_move_is_completed_at_the_next_try(tmp_path: Path) -> None:
    async def act() -> None:
        disk = Disk()
        scene = open_scene(tmp_path, settings=settings_of(chunk_s=30.0), wrap_files=disk.wrap)
        disk.full("sync_dir", "/sealed")
        await asyncio.sleep(32.0)
        assert scene.count("seal_failed") == 1
        assert list((tmp_path / "journal" / "pan-a1" / "sealed").glob("*.ntj"))  # it has been moved
        disk.mended()
        await asyncio.sleep(SEAL_AGAIN_S + 2)
        assert not scene.station._keeping._unsealed
        assert scene.station.core.state.disk.trouble == ""
        await scene.station.close()

    run(act)
    assert checked(tmp_path)[0].chunks >= 2


def test_seals_beyond_their_bound_are_counted_and_left_for_recovery(tmp_path: Path) -> None:
    async def act() -> None:
        disk = Disk()
        scene = open_scene(tmp_path, settings=settings_of(chunk_s=10.0), wrap_files=disk.wrap)
        disk.full("append", "raw/")
        await asyncio.sleep(10.0 * (SEALS_MAX + 3) + 5.0)
        keeping = scene.station._keeping
        assert keeping._sealing + len(keeping._unsealed) == SEALS_MAX
        assert keeping.refused_seals == 3
        assert any("remains for recovery" in event.detail for event in scene.events)
        await scene.station.close()

    run(act)
    assert not list((tmp_path / "journal" / "pan-a1").glob("sealed/*.ntj"))
    files = RealFiles(tmp_path)
    assert recover(files, Journal(files, "pan-a1", RealClock()), "pan-a1").segments > SEALS_MAX + 3
    (report,) = checked(tmp_path)
    assert report.stored == report.produced > 100_000


def test_a_run_that_cannot_begin_its_tape_leaves_nothing_behind(tmp_path: Path) -> None:
    async def act() -> None:
        disk = Disk()

        def wrap(files: Files) -> Files:
            disk.wrap(files)
            counted: list[str] = []
            assert disk.files is not None

            def second_append(operation: str, path: str) -> bool:
                if operation == "append" and "journal/" in path:
                    counted.append(path)
                return len(counted) >= 2 and operation == "append"

            disk.files.fails = second_append
            return disk.files

        with pytest.raises(StorageError):
            open_scene(tmp_path, wrap_files=wrap)

    run(act)
    assert list((tmp_path / "journal" / "pan-a1").iterdir()) == []


def test_facts_beyond_their_bound_are_counted_not_silently_dropped(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path)
        station = scene.station
        station._shell.stepping = True
        station._step([Frame(1, b"x")] * FACTS_MAX)
        station._step([Frame(1, b"y")] * 3)
        station._shell.stepping = False
        assert station.losses.facts == 3
        assert len(station._shell.facts) == FACTS_MAX
        await station.close()

    run(act)


def test_a_core_that_fails_ends_its_station_and_leaves_the_line(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path)
        await scene.until(lambda: scene.moving)

        def broken(_record: object) -> list[object]:
            raise ZeroDivisionError("a fault of the core")

        scene.station.core.handle = broken  # type: ignore[method-assign,assignment]  # what a bug would do
        await scene.until(scene.station.ended.is_set, 1.0)
        assert isinstance(scene.station.crashed, ZeroDivisionError)
        await asyncio.sleep(2.0)
        assert not scene.moving
        await scene.station.close()

    run(act)


def test_closing_drains_and_may_be_asked_for_twice(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path)
        await asyncio.sleep(3.0)
        await asyncio.gather(scene.station.close(), scene.station.close())
        assert scene.station._keeping._jobs == set()
        await asyncio.sleep(5.0)  # no timer is left that writes

    run(act)
    (report,) = checked(tmp_path)
    assert report.stored > 2800
    assert report.unsealed != ()  # what the next start goes on from


def test_a_slow_seal_does_not_hold_up_syncs(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=settings_of(chunk_s=10.0))
        gate = asyncio.Event()
        scene.station._keeping._begin(gate_wait(gate))
        await scene.until(lambda: scene.motion == "turning", 20.0)
        await asyncio.sleep(8.0)
        assert scene.motion == "turning"
        gate.set()
        await scene.station.close()

    async def gate_wait(gate: asyncio.Event) -> None:
        await gate.wait()

    run(act)


def test_what_was_not_asked_for_is_an_event(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path)
        scene.station.command("dance")
        scene.station._fact("rumour", facts.Command("x"))
        assert scene.kinds[-2:] == ["command_unknown", "fact_unknown"]
        await scene.station.close()

    run(act)
