"""A start that dies inside its recovery, or between its seal and the first new record: the run is what it was."""

import shutil
from pathlib import Path

import pytest
from tests.daemon.processes import Child, Processes, mount, say_go, write_bench
from tests.daemon.steered import Steering
from tests.daemon.test_commands import status
from tests.daemon.test_failed_starts import tape_grows
from tests.device.native import NativeDevice, NativeDevices
from tests.waiting import LIMIT_S, wait

from nightturn.bench.recovery import recover
from nightturn.bench.runs import Beginning
from nightturn.bench.worlds import RealClock
from nightturn.storage.files import RealFiles
from nightturn.storage.journal import Journal
from nightturn.storage.runs import list_runs, open_run
from nightturn.storage.verify import verify

STAYS = 'motion stays: bench.toml says after_restart = "stay"'
KILLED = -9


def killed_while_turning(bench: Path, processes: Processes, device: NativeDevice) -> None:
    """A bench whose daemon died while the shaft turned, some way off its travel zero."""
    bench.mkdir()
    write_bench(bench, {"pan-a1": device.port}, after_restart="stay")
    mount(bench, "pan-a1")
    serve = processes.start("serve", "bench.toml", folder=bench)
    say_go(bench, device)
    wait(lambda: bool(device.state()["moving"]), lambda: serve.said)
    tape_grows(bench, serve, 8_000)
    serve.kill()
    wait(lambda: not device.state()["moving"], lambda: str(device.state()))


def dies(bench: Path, processes: Processes, steering: Steering) -> None:
    """A start that is killed as asked, before it has opened a run."""
    dying = processes.start("serve", "bench.toml", folder=bench, steer=steering)
    assert dying.process.wait(LIMIT_S) == KILLED, dying.said
    assert "run_open" not in dying.said


def copied(source: Path, target: Path) -> None:
    """What is on the disk, without the socket that a killed daemon leaves."""
    shutil.copytree(source, target, ignore=shutil.ignore_patterns("*.sock"))


def place(bench: Path) -> tuple[object, ...]:
    """What the run is and where its shaft stands, by a recovery of a copy of what is on the disk."""
    copy = bench.with_name(f"{bench.name}-looked-at")
    copied(bench / "nights", copy)
    files = RealFiles(copy)
    found: Beginning = recover(files, Journal(files, "pan-a1", RealClock()), "pan-a1").beginning
    shutil.rmtree(copy)
    assert found.run
    return (
        found.run,
        found.travel_zero,
        found.travel_unknown,
        found.seen,
        found.boot_id,
        found.left,
        found.locks,
        found.cycle_no,
    )


def goes_on_at_rest(bench: Path, device: NativeDevice, serve: Child) -> None:
    """The run records and its shaft stays where it is, because the rig file says so; then the daemon is ended."""
    serve.says("run_open")
    serve.says("motion_stays")
    tape_grows(bench, serve, 15_000)
    shown = status(bench)
    assert shown.state.startswith("locked")
    assert STAYS in shown.waits_for
    assert "travel" not in shown.waits_for  # it is known
    assert not device.state()["lease"]
    assert serve.interrupt() == 0


def test_a_kill_behind_the_seal_and_one_before_the_first_record_change_nothing_about_the_run(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    device, bench = native_device(), tmp_path / "bench"
    killed_while_turning(bench, processes, device)
    (run,) = list_runs(bench / "nights")
    before, taken = place(bench), device.state()["next_index"]
    for steering in (Steering(die_behind_seal=True), Steering(die_before_record=True)):
        dies(bench, processes, steering)
        assert place(bench) == before
    assert device.state()[
        "session"
    ]  # that of the daemon which was killed first: nobody has spoken to it since
    goes_on_at_rest(bench, device, processes.start("serve", "bench.toml", folder=bench))
    (after,) = list_runs(bench / "nights")
    assert (after.run, after.unit) == (run.run, run.unit)
    assert verify(bench / "nights", run="all").ok
    samples = open_run(bench / "nights").samples(columns=["epoch"])
    assert sorted(samples["epoch"].unique()) == [0, 1]
    device.end()
    (produced,) = device.produced()
    assert produced["encoder"][:taken].max() - produced["encoder"][:taken].min() > 0
    assert len(set(produced["encoder"][taken:].tolist())) == 1  # not a count further


@pytest.mark.long
def test_a_start_may_die_behind_any_change_that_it_makes_on_the_disk(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    device, left = native_device(), tmp_path / "left"
    killed_while_turning(left, processes, device)
    before = place(left)
    log = tmp_path / "changes"
    probe = tmp_path / "probe"
    copied(left, probe)
    dies(probe, processes, Steering(die_before_record=True, log=str(log)))
    changes = log.read_text(encoding="utf-8").splitlines()
    assert len(changes) > 20
    for count in range(1, len(changes) + 1):
        bench = tmp_path / f"{count}"
        copied(left, bench)
        dies(bench, processes, Steering(die_after=count))
        assert place(bench) == before, changes[count - 1]
    taken, bench = device.state()["next_index"], tmp_path / f"{len(changes)}"
    goes_on_at_rest(bench, device, processes.start("serve", "bench.toml", folder=bench))
    device.end()
    (produced,) = device.produced()
    assert len(set(produced["encoder"][taken:].tolist())) == 1
