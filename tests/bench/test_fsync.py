"""When the tape is made durable: once a second, behind every batch of frames, or never, and what of that turns a shaft."""

import asyncio
from pathlib import Path

import pytest
from tests.simulation.scene import checked, open_scene, run

from nightturn.bench.proof import SYNC_AGE_S_MAX
from nightturn.settings.rig import Fsync
from nightturn.world import Files


class CountedSyncs:
    """Files that count how often tape was synced."""

    def __init__(self) -> None:
        self.tape = 0

    def wrap(self, files: Files) -> Files:
        plain = files.sync

        def sync(path: str) -> None:
            self.tape += path.endswith(".ntj")
            plain(path)

        files.sync = sync  # type: ignore[method-assign]  # the real files, with one door watched
        return files


@pytest.mark.parametrize(("fsync", "oldest_s"), [("1s", 1.2), ("frame", 0.15)])
def test_what_is_not_durable_yet_is_as_old_as_the_setting_says_and_the_state_says_through_where(
    tmp_path: Path, fsync: Fsync, oldest_s: float
) -> None:
    """A batch is 50 ms here; the youngest record of the tick between two is up to 0.1 s old."""
    ages_s: list[float] = []

    async def act() -> None:
        scene = open_scene(tmp_path, fsync=fsync)
        await scene.until(lambda: scene.motion == "turning", 80)
        for _ in range(400):
            await asyncio.sleep(0.01)
            disk = scene.station.core.state.disk
            ages_s.append((scene.world.clock.utc_ns() - disk.durable_utc_ns) / 1e9)
        row = scene.tally.states[scene.station.fixture]
        assert (row.durable_through, row.durable_utc_ns) != (None, None)
        assert 0 <= (row.durable_through or -1) <= scene.station.durable_through
        await scene.station.close()

    run(act)
    assert 0 <= min(ages_s) <= max(ages_s) <= oldest_s
    assert checked(tmp_path)[0].missing == 0


def test_with_never_no_tape_is_synced_nothing_turns_and_a_go_is_refused_in_words(tmp_path: Path) -> None:
    syncs = CountedSyncs()

    async def act() -> None:
        scene = open_scene(tmp_path, fsync="never", wrap_files=syncs.wrap, go=False)
        await asyncio.sleep(30.0)
        assert syncs.tape == 0
        disk = scene.station.core.state.disk
        assert disk.durable_through == (None, None)
        scene.go()
        permission = scene.station.core.state.motion.permission
        assert 'fsync = "never" in bench.toml promises nothing' in permission.refusal
        await asyncio.sleep(30.0)
        assert (syncs.tape, scene.moving, scene.count("motion_announced")) == (0, False, 0)
        row = scene.tally.states[scene.station.fixture]
        assert (row.durable_through, row.durable_utc_ns) == (None, None)
        await scene.station.close()
        assert syncs.tape > 0  # what is closed is made durable

    run(act)
    report = checked(tmp_path)[0]
    assert (report.missing, report.stored > 50_000) == (0, True)


@pytest.mark.parametrize("fsync", ["1s", "frame", "never"])
def test_a_station_proves_that_it_lives_however_it_syncs(tmp_path: Path, fsync: Fsync) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, fsync=fsync, go=False)
        await asyncio.sleep(3 * SYNC_AGE_S_MAX)
        assert scene.station.proof.lacks == ""
        await scene.station.close()

    run(act)
