"""A disk that fills, takes small writes and fills again, under a real daemon; and a device that says nothing."""

import signal
from pathlib import Path

import pytest
from tests.daemon.processes import Child, Processes, mount, write_bench
from tests.daemon.steered import FULL, NEARLY_FULL, Steering
from tests.daemon.test_failed_starts import tape_grows
from tests.device.native import NativeDevices
from tests.waiting import act_for

from nightturn.storage.runs import list_runs, open_run
from nightturn.storage.verify import verify

RATE_HZ = 5_000
BEYOND_THE_RING_S = 15.0  # 64 KiB hold some 8 s of this signal, with what the line itself has room for
GROWS_BYTES = 40_000


def takes(tmp_path: Path, said: str) -> None:
    """What the disk takes from now on; everything for an empty word."""
    control, written = tmp_path / "disk", tmp_path / "disk.new"
    written.write_text(said, encoding="utf-8")
    written.replace(control)


def recording(tmp_path: Path, processes: Processes, devices: NativeDevices) -> Child:
    """A daemon that records from a fast fixture, on a disk that the test steers."""
    bench = write_bench(tmp_path, {"pan-a1": devices().port})
    rig = bench.read_text(encoding="utf-8")
    bench.write_text(rig.replace("rate_hz = 1000", f"rate_hz = {RATE_HZ}"), encoding="utf-8")
    mount(tmp_path, "pan-a1")
    serve = processes.start("serve", "bench.toml", steer=Steering(disk=str(tmp_path / "disk")))
    serve.says('"run_open"')
    tape_grows(tmp_path, serve, GROWS_BYTES)
    return serve


@pytest.mark.alone  # a host that gets no processor for 250 ms gives a block up that the ring still has, and blames the line
def test_a_disk_that_is_full_free_for_a_moment_full_and_free_leaves_a_fixture_that_records_and_says_why_it_did_not(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    serve = recording(tmp_path, processes, native_device)
    takes(tmp_path, FULL)
    serve.says('"tape_write_failed"')
    takes(tmp_path, NEARLY_FULL)
    serve.says('"tape_written_again"')
    serve.says('"tape_write_failed"', 2)
    takes(tmp_path, FULL)
    act_for(BEYOND_THE_RING_S, "the disk is full")
    takes(tmp_path, "")
    tape_grows(tmp_path, serve, GROWS_BYTES)
    assert serve.interrupt() == 0
    assert "Traceback" not in serve.said
    root = tmp_path / "nights"
    report = verify(root, run="all")
    assert report.ok, [problem for run in report.runs for problem in run.problems]
    assert len(list_runs(root)) == 1
    run = open_run(root, "pan-a1")
    gaps = run.gaps()
    lost = gaps.groupby("cause")["n_missing"].sum()
    # how much is lost depends on line and machine; that not one sample of it is unexplained is what `verify` has shown
    # a busy machine may be too slow for the full ring behind it, and that has its own cause; but nothing blames the line
    assert set(lost.index) <= {"disk", "overwritten"}
    assert gaps.sort_values("n_missing")["cause"].iloc[-1] == "disk"
    assert "journal_failed" in set(run.events()["kind"])


def test_a_line_that_is_up_and_brings_nothing_for_ten_seconds_is_an_alarm_and_recording_goes_on_behind_it(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    serve = recording(tmp_path, processes, native_device)
    (device,) = native_device.started
    device.process.send_signal(signal.SIGSTOP)
    try:
        serve.says('"recording_failed"')
    finally:
        device.process.send_signal(signal.SIGCONT)
    tape_grows(tmp_path, serve, GROWS_BYTES)
    assert serve.interrupt() == 0
    assert verify(tmp_path / "nights", run="all").ok
    events = open_run(tmp_path / "nights", "pan-a1").events()
    (failed,) = events[events["kind"] == "recording_failed"].to_dict("records")
    assert failed["severity"] == "alarm"
    assert failed["detail"].endswith("although the line is up")
