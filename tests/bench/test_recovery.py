"""After a host restart: leftovers are sealed by a core fed from the tape, and the run goes on in the next epoch."""

import asyncio
from collections.abc import Callable
from pathlib import Path

import pytest
from tests.bench.failing_files import FailingFiles
from tests.simulation.scene import CARD, Scene, checked, commands_sent, open_scene, run, settings_of

from nightturn.bench import recovery
from nightturn.bench.recovery import recover, start_anew
from nightturn.bench.runs import Beginning
from nightturn.bench.worlds import RealClock
from nightturn.errors import StorageError
from nightturn.fixture.owners.motion import TravelPhase
from nightturn.model.records import Emit
from nightturn.model.rows import EventRow, RecoveredRow
from nightturn.settings.rig import Encoder
from nightturn.storage.files import RealFiles
from nightturn.storage.journal import Journal
from nightturn.storage.manifest import read_manifest
from nightturn.storage.runs import open_run
from nightturn.virtual.catalogue import from_spec
from nightturn.virtual.device import VirtualDevice
from nightturn.world import Files

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
    first = play(tmp_path, end, 56.0, settings=RESUME)
    second = play(tmp_path, None, 40.0, settings=RESUME, later_s=60.0)
    one, two = first.station.core.state, second.station.core.state
    assert one.run.opened is not None
    assert two.run.opened is not None
    assert two.run.opened.run == one.run.opened.run
    assert two.run.opened.resumed
    assert (one.epoch.no, two.epoch.no) == (0, 1)
    assert two.run.opened.cycles_done == one.motion.planner.cycles_done == 2
    assert two.run.opened.first_record_no > one.record_no
    # the device's clock begins anew in the boot that was named before, so nobody knows how long motion was interrupted
    assert (second.count("motion_resumed"), second.count("motion_started")) == (0, 0)
    (stays,) = [event for event in second.events if event.kind == "motion_stays"]
    assert "it is not known whether it was interrupted for longer than" in stays.detail
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
    opened = scene.station.core.state.run.opened
    assert opened is not None
    second = play(tmp_path, None, 3.0, settings=RESUME, seed=2)  # each seed has run ids of its own
    new = second.station.core.state.run.opened
    assert new is not None
    assert new.run != opened.run
    assert not new.resumed
    manifest = read_manifest(RealFiles(tmp_path), "pan-a1", opened.run)
    assert (manifest.state, manifest.reason) == ("ended", "stopped by R. Vale")
    assert manifest.torque_channel
    assert len(checked(tmp_path)) == 2


def test_what_recovery_puts_on_record_is_news_once_and_what_the_last_daemon_told_is_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stop(scene: Scene) -> None:
        scene.station.command("stop", "R. Vale")
        killed(scene)  # before its end is on the tape

    first = play(tmp_path, stop, 14.0, settings=RESUME)
    opened = first.station.core.state.run.opened
    assert opened is not None
    files = RealFiles(tmp_path)
    news = recover(files, Journal(files, "pan-a1", RealClock()), "pan-a1").news
    assert {each.run for each in news} == {opened.run}
    rows = [each.row for each in news if isinstance(each.row, EventRow)]
    assert [row.kind for row in rows] == ["shunt_check_skipped", "rest_unseen", "run_ended"]
    assert set(rows).isdisjoint(first.events)
    stored = open_run(tmp_path).events()
    assert [row.ts for row in rows] == list(stored["ts"].astype("int64"))[-len(rows) :]
    assert sorted(stored["kind"]) == sorted(first.kinds + [row.kind for row in rows])
    assert recover(files, Journal(files, "pan-a1", RealClock()), "pan-a1").news == ()
    play(tmp_path, stop, 14.0, settings=RESUME, seed=2)
    monkeypatch.setattr(recovery, "NEWS_MAX", 2)
    assert len(recover(files, Journal(files, "pan-a1", RealClock()), "pan-a1").news) == 2


def test_settings_that_end_a_run_make_news_of_its_end(tmp_path: Path) -> None:
    play(tmp_path, killed, 14.0, settings=RESUME)
    other = settings_of(after_restart="resume", rate_hz=2000)
    kept: list[Emit] = []

    class Kept:
        def offer(self, _fixture: str, emit: Emit) -> None:
            kept.append(emit)

    second = play(tmp_path, killed, 2.0, settings=other, seed=2, sinks=[Kept()])
    assert second.ended_before is not None
    told = [each.row for each in kept if isinstance(each.row, RecoveredRow)]
    ends = [each.row for each in told if isinstance(each.row, EventRow) and each.row.kind == "run_ended"]
    assert [each.run for each in told if each.row in ends] == [second.ended_before.run]


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
    play(tmp_path, killed, 14.0)
    second = play(tmp_path, None, 40.0, later_s=20.0)
    assert second.station.core.state.counts.samples > 38_000
    assert commands_sent(second.station.core.state) <= 2  # the two OFF
    assert second.count("motion_started") == 0
    (why,) = second.why_locked
    assert why == 'the host restarted; motion stays: bench.toml says after_restart = "stay"'


@pytest.mark.parametrize(
    ("later_s", "why"), [(0.0, "interrupted"), (150.0, "interrupted for longer than 120 s")]
)
def test_an_outage_that_was_long_or_of_an_unknown_length_leaves_motion_to_a_person(
    tmp_path: Path, later_s: float, why: str
) -> None:
    play(tmp_path, killed, 14.0, settings=RESUME)
    for _ in range(2):  # nor does a second restart forget why
        again = play(tmp_path, killed, 25.0, settings=RESUME, later_s=later_s)
        assert (again.motion, again.count("motion_started")) == ("locked", 0)
        assert why in again.why_locked[0]


def test_a_permission_that_was_not_used_ends_with_the_host(tmp_path: Path) -> None:
    first = play(tmp_path, killed, 7.0, settings=RESUME)
    assert first.motion in {"allowed", "announced"}
    second = play(tmp_path, None, 30.0, settings=RESUME, later_s=10.0)
    assert (second.motion, second.count("motion_started")) == ("locked", 0)
    assert second.why_locked == ["the host restarted, and the permission of R. Vale has lapsed"]


def test_a_pause_outlives_the_host(tmp_path: Path) -> None:
    def pause(scene: Scene) -> None:
        scene.station.command("pause", "R. Vale")
        killed(scene)

    play(tmp_path, pause, 14.0, settings=RESUME)
    second = play(tmp_path, None, 30.0, settings=RESUME, later_s=20.0)
    assert (second.motion, second.count("motion_started")) == ("locked", 0)
    assert second.why_locked == ["paused by R. Vale"]


@pytest.mark.parametrize("same_boot", [True, False])
def test_without_an_absolute_encoder_only_the_same_boot_keeps_the_turn_count_over_a_host_restart(
    tmp_path: Path, same_boot: bool
) -> None:
    indexed = settings_of(encoder=Encoder(counts_per_rev=2**20, reference="index"), after_restart="resume")

    def device(entropy: int) -> VirtualDevice:
        return from_spec("pan15?seed=7").build(1_000_000_000, entropy)

    play(tmp_path, killed, 14.0, settings=indexed, device=device(1))
    second = play(tmp_path, killed, 25.0, settings=indexed, device=device(1 if same_boot else 2))
    assert (second.station.core.state.motion.travel is TravelPhase.UNKNOWN) != same_boot
    assert ("travel unknown since" in second.station.waits_for) != same_boot
    assert second.count("motion_started") == 0
    third = play(tmp_path, killed, 25.0, settings=indexed, device=device(3))
    assert "travel unknown since" in third.station.waits_for
    assert third.count("motion_started") == 0


def test_a_wall_clock_that_went_back_over_a_restart_gives_no_earlier_time(tmp_path: Path) -> None:
    play(tmp_path, killed, 30.0, settings=RESUME)
    play(tmp_path, None, 10.0, settings=RESUME)  # each scene begins at the same UTC: half a minute back
    frame = open_run(tmp_path).samples(columns=["epoch", "index"])
    assert frame.index.is_monotonic_increasing
    checked(tmp_path)


class FullTape(FailingFiles):
    """A disk that takes no tape."""

    def __init__(self, inner: Files) -> None:
        super().__init__(inner)
        self.fails = lambda operation, path: operation == "append" and "journal/" in path


def begun(root: Path) -> Beginning:
    """Where a start that recovers and then fails would have gone on."""
    files = RealFiles(root)
    return recover(files, Journal(files, "pan-a1", RealClock()), "pan-a1").beginning


@pytest.mark.parametrize("failed_starts", [1, 5])
@pytest.mark.parametrize("end", [killed, None], ids=["killed", "closed"])
def test_a_run_survives_any_number_of_failed_starts(
    tmp_path: Path, end: Callable[[Scene], None] | None, failed_starts: int
) -> None:
    first = play(tmp_path, end, 30.0)
    one = first.station.core.state
    found = [begun(tmp_path) for _ in range(failed_starts)]
    assert len(set(found)) == 1
    assert found[0].run == one.run.opened.run  # type: ignore[union-attr]  # a station has opened its run
    assert found[0].travel_zero == one.motion.planner.travel_zero is not None
    assert (found[0].cycle_no, found[0].cycles_done) == (one.cycle_no + 1, one.motion.planner.cycles_done)
    second = play(tmp_path, None, 20.0)
    two = second.station.core.state
    assert two.run.opened is not None
    assert (two.run.opened.run, two.run.opened.resumed, two.epoch.no) == (found[0].run, True, 1)
    assert two.counts.samples > 15_000
    assert commands_sent(two) <= 2  # the two OFF: "stay" holds
    assert second.count("state_lost") == 0
    (report,) = checked(tmp_path)
    assert len(report.unsealed) == 1


@pytest.mark.parametrize("tape", ["sealed", "gone"])
@pytest.mark.parametrize("after_restart", ["stay", "resume"])
def test_a_running_run_with_nothing_to_restore_goes_on_and_waits_for_a_person(
    tmp_path: Path, tape: str, after_restart: str
) -> None:
    settings = settings_of(after_restart=after_restart)
    first = play(tmp_path, None, 60.0, settings=settings)
    one = first.station.core.state
    begun(tmp_path)
    for path in (tmp_path / "journal").rglob("*.ntj"):
        if tape == "gone" or path.parent.name != "sealed":
            path.unlink()
    second = play(tmp_path, killed, 20.0, settings=settings)
    third = play(tmp_path, None, 20.0, settings=settings)  # and a restart does not forget it
    for scene in (second, third):
        state = scene.station.core.state
        assert state.run.opened is not None
        assert one.run.opened is not None
        assert (state.run.opened.run, state.run.opened.resumed) == (one.run.opened.run, True)
        assert state.motion.travel is TravelPhase.UNKNOWN
        assert commands_sent(state) <= 2
        assert not scene.moving
        assert scene.count("state_lost") == 1
        assert state.counts.samples > 15_000
    assert second.station.core.state.run.opened.first_record_no > 0  # type: ignore[union-attr]  # see above
    cycles = list(open_run(tmp_path).cycles()["cycle_no"])
    assert cycles == sorted(set(cycles))
    frame = open_run(tmp_path).samples(columns=["epoch"])
    assert frame.index.is_monotonic_increasing
    assert sorted(frame["epoch"].unique())[-2:] == [
        second.station.core.state.epoch.no,
        third.station.core.state.epoch.no,
    ]


def test_a_run_given_up_for_one_of_its_own_is_not_gone_on_with(tmp_path: Path) -> None:
    first = play(tmp_path, killed, 10.0)
    files = RealFiles(tmp_path)
    found = recover(files, Journal(files, "pan-a1", RealClock()), "pan-a1")
    anew = start_anew(files, "pan-a1", found, 1_780_000_000_000_000_000)
    second = play(tmp_path, None, 5.0, beginning=anew, seed=2)
    third = begun(tmp_path)
    assert first.station.core.state.run.opened is not None
    assert second.station.core.state.run.opened is not None
    assert third.run == second.station.core.state.run.opened.run != first.station.core.state.run.opened.run
    given_up = read_manifest(files, "pan-a1", first.station.core.state.run.opened.run)
    assert (given_up.state, given_up.reason) == (
        "ended",
        "the run was given up and another one begun",
    )
    assert given_up.ended_utc_ns == 1_780_000_000_000_000_000


def test_a_run_whose_tape_cannot_be_begun_is_no_run_to_go_on_with(tmp_path: Path) -> None:
    async def act() -> None:
        with pytest.raises(StorageError):
            open_scene(tmp_path, wrap_files=FullTape)

    run(act)
    assert begun(tmp_path) == Beginning(first_record_no=1)
