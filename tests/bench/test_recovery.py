"""After a host restart: leftovers are sealed by a core fed from the tape, and the run goes on in the next epoch."""

import asyncio
from collections.abc import Callable
from pathlib import Path

import pytest
from tests.simulation.scene import CARD, Scene, checked, open_scene, run, settings_of

from nightturn.bench.recovery import recover
from nightturn.bench.worlds import RealClock
from nightturn.settings.rig import Encoder
from nightturn.storage.files import RealFiles
from nightturn.storage.journal import Journal
from nightturn.storage.manifest import read_manifest
from nightturn.storage.runs import open_run
from nightturn.virtual.catalogue import from_spec
from nightturn.virtual.device import VirtualDevice

RESUME = settings_of(after_restart="resume", chunk_s=20.0)


def killed(scene: Scene) -> None:
    """What a kill -9 leaves: no timer fires any more, nothing is closed."""
    for timer in scene.station._timers.values():
        timer.cancel()
    scene.station._line.stop()


def play(root: Path, act: Callable[[Scene], None] | None, seconds: float, **scene_of: object) -> Scene:
    """A station for some seconds; then `act` ends it, or it closes."""
    kept: list[Scene] = []

    async def played() -> None:
        scene = open_scene(root, **scene_of)  # type: ignore[arg-type]  # keywords passed on
        kept.append(scene)
        await asyncio.sleep(seconds)
        if act is None:
            await scene.station.close()
        else:
            act(scene)

    run(played)
    return kept[0]


@pytest.mark.parametrize("end", [killed, None], ids=["killed", "closed"])
def test_a_run_goes_on_with_its_number_in_the_next_epoch(
    tmp_path: Path, end: Callable[[Scene], None] | None
) -> None:
    first = play(tmp_path, end, 47.0, settings=RESUME)
    second = play(tmp_path, None, 30.0, settings=RESUME)
    one, two = first.station.core.state, second.station.core.state
    assert one.opened is not None
    assert two.opened is not None
    assert two.opened.run == one.opened.run
    assert two.opened.resumed
    assert (one.epoch, two.epoch) == (0, 1)
    assert two.opened.cycles_done == one.planner.cycles_done == 2
    assert two.opened.first_record_no > one.record_no
    (gap,) = [gap for gap in second.gaps if not gap.exact]
    assert gap.epoch == 1
    assert gap.ts_from <= gap.ts_to
    frame = open_run(tmp_path).samples(columns=["epoch", "index"])
    assert frame.index.is_monotonic_increasing
    assert sorted(frame["epoch"].unique()) == [0, 1]
    cycles = open_run(tmp_path).cycles()
    assert list(cycles["cycle_no"]) == sorted(set(cycles["cycle_no"]))
    assert (cycles["status"] == "incomplete").any()  # the one that the restart cut
    checked(tmp_path)


def test_a_torn_tail_is_cut_off_and_what_was_whole_is_kept(tmp_path: Path) -> None:
    scene = play(tmp_path, killed, 15.0, settings=RESUME)
    (path,) = (tmp_path / "journal" / "pan-a1").glob("*.ntj")
    content = path.read_bytes()
    path.write_bytes(content[:-3] if len(content) % 2 else content[:-101])
    play(tmp_path, None, 5.0, settings=RESUME)
    (report,) = checked(tmp_path)
    assert report.stored == report.produced > 0.95 * scene.station.core.state.counts.samples


def test_recovery_twice_is_recovery_once(tmp_path: Path) -> None:
    play(tmp_path, killed, 12.0, settings=RESUME)
    files = RealFiles(tmp_path)
    once = recover(files, Journal(files, "pan-a1", RealClock()), "pan-a1")
    again = recover(files, Journal(files, "pan-a1", RealClock()), "pan-a1")
    assert once.segments == 1
    assert again.segments == 0
    assert again.beginning.first_record_no == once.beginning.first_record_no
    checked(tmp_path)


def test_a_run_that_ended_is_not_opened_again_and_its_manifest_says_so(tmp_path: Path) -> None:
    def stop(scene: Scene) -> None:
        scene.station.command("stop", "R. Vale")
        killed(scene)  # before anything is sealed

    scene = play(tmp_path, stop, 12.0, settings=RESUME)
    opened = scene.station.core.state.opened
    assert opened is not None
    second = play(tmp_path, None, 3.0, settings=RESUME, seed=2)  # each seed has run ids of its own
    new = second.station.core.state.opened
    assert new is not None
    assert new.run != opened.run
    assert not new.resumed
    manifest = read_manifest(RealFiles(tmp_path), "pan-a1", opened.run)
    assert (manifest.state, manifest.reason) == ("ended", "stopped by R. Vale")
    assert manifest.torque_channel
    assert len(checked(tmp_path)) == 2


def test_an_ended_run_leaves_no_segment_behind_whose_number_the_next_would_use(tmp_path: Path) -> None:
    for seed in (1, 2):

        async def act(seed: int = seed) -> None:
            scene = open_scene(tmp_path, seed=seed)
            await asyncio.sleep(3.0)
            scene.station.command("stop", CARD.operator)
            await scene.station.close()

        run(act)
        assert list((tmp_path / "journal" / "pan-a1").glob("*.ntj")) == []
    reports = checked(tmp_path)
    assert [report.unsealed for report in reports] == [(), ()]


def test_with_stay_a_restarted_host_records_and_moves_nothing(tmp_path: Path) -> None:
    play(tmp_path, killed, 10.0)
    second = play(tmp_path, None, 40.0)
    assert second.station.core.state.counts.samples > 38_000
    assert second.station.core.state.planner.command_no <= 2  # the two OFF
    assert second.count("motion_released") == 0


@pytest.mark.parametrize("same_boot", [True, False])
def test_without_an_absolute_encoder_a_restarted_host_knows_no_turn_count(
    tmp_path: Path, same_boot: bool
) -> None:
    indexed = settings_of(encoder=Encoder(counts_per_rev=2**20, reference="index"), after_restart="resume")

    def device(entropy: int) -> VirtualDevice:
        return from_spec("pan15?seed=7").build(1_000_000_000, entropy)

    play(tmp_path, killed, 10.0, settings=indexed, device=device(1))
    second = play(tmp_path, killed, 25.0, settings=indexed, device=device(1 if same_boot else 2))
    assert "the turn count is unknown" in second.station.core.state.planner.reason
    third = play(tmp_path, killed, 25.0, settings=indexed, device=device(3))
    assert "the turn count is unknown" in third.station.core.state.planner.reason


def test_a_wall_clock_that_went_back_over_a_restart_gives_no_earlier_time(tmp_path: Path) -> None:
    play(tmp_path, killed, 30.0, settings=RESUME)
    play(tmp_path, None, 10.0, settings=RESUME)  # each scene begins at the same UTC: half a minute back
    frame = open_run(tmp_path).samples(columns=["epoch", "index"])
    assert frame.index.is_monotonic_increasing
    checked(tmp_path)
