"""The daemon is told to end while the shaft turns: the drive goes off by command before the line does."""

import signal
from pathlib import Path

import pytest
from tests.daemon.processes import Child, Processes, mount, say_go, write_bench
from tests.device.native import NativeDevice, NativeDevices
from tests.waiting import wait

from nightturn.storage.runs import open_run


def turning(tmp_path: Path, processes: Processes, device: NativeDevice) -> Child:
    """A daemon whose shaft turns."""
    bench = write_bench(tmp_path, {"pan-a1": device.port}, after_restart="stay")
    mount(tmp_path, "pan-a1")
    serve = processes.start("serve", str(bench))
    say_go(tmp_path, device)
    wait(lambda: bool(device.state()["moving"]), lambda: serve.said)
    return serve


def kept_events(tmp_path: Path, processes: Processes) -> list[str]:
    """What happened, with what the device had kept for the next daemon."""
    serve = processes.start("serve", str(tmp_path / "bench.toml"))
    serve.says("run_open")
    (segment,) = (tmp_path / "nights" / "journal" / "pan-a1").glob("*.ntj")
    wait(
        lambda: segment.stat().st_size > 40_000, lambda: serve.said
    )  # it streams: events came at its opening
    assert serve.interrupt() == 0
    return list(open_run(tmp_path / "nights", "pan-a1").events()["kind"])


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_the_drive_goes_off_by_command_and_no_lease_has_to_lapse(
    tmp_path: Path, processes: Processes, native_device: NativeDevices, number: signal.Signals
) -> None:
    device = native_device()
    serve = turning(tmp_path, processes, device)
    assert serve.interrupt(number) == 0
    left = device.state()
    assert (left["session"], left["lease"], left["energised"]) == (0, False, False)
    events = kept_events(tmp_path, processes)
    assert "lease_lapsed" not in events
    stopped = open_run(tmp_path / "nights", "pan-a1").events().query("kind == 'motion_stopped'")
    assert next(iter(stopped["detail"])) == "the daemon ends"


def test_a_killed_daemon_leaves_that_to_the_lease(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    device = native_device()
    turning(tmp_path, processes, device).kill()
    wait(lambda: not device.state()["moving"], lambda: str(device.state()))
    assert "lease_lapsed" in kept_events(tmp_path, processes)
