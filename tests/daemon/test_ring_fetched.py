"""A daemon that is killed and started again: what the device's ring still holds is fetched, and the rest counted exactly."""

from pathlib import Path

import pytest
from tests.daemon.processes import Child, Processes, mount, write_bench
from tests.daemon.test_failed_starts import tape_grows
from tests.device.native import FAST, NativeDevices

from nightturn.storage.runs import open_run
from nightturn.storage.verify import verify


def streams(folder: Path, serve: Child) -> None:
    """Wait until blocks have come for some seconds: nothing else fills a tape that fast."""
    tape_grows(folder, serve, 30_000)
    tape_grows(folder, serve, 30_000)


@pytest.mark.parametrize(("rate_hz", "block"), [(1000, 50), (10_000, 100)], ids=["ring-11-s", "ring-1-s"])
def test_after_a_kill_the_gap_is_what_the_ring_could_not_hold(
    tmp_path: Path, processes: Processes, native_device: NativeDevices, rate_hz: int, block: int
) -> None:
    device = native_device(build=FAST)
    bench = write_bench(tmp_path, {"pan-a1": device.port}, after_restart="stay")
    text = bench.read_text(encoding="utf-8").replace("rate_hz = 1000\n", f"rate_hz = {rate_hz}\n")
    bench.write_text(text.replace("samples_per_block = 50", f"samples_per_block = {block}"), encoding="utf-8")
    mount(tmp_path, "pan-a1")
    nights = tmp_path / "nights"
    serve = processes.start("serve", str(bench))
    serve.says("run_open")
    streams(tmp_path, serve)
    serve.kill()
    again = processes.start("serve", str(bench))
    again.says("run_open")
    streams(tmp_path, again)
    assert again.interrupt() == 0
    (boot,) = device.end()
    (report,) = verify(nights, run="all").runs
    assert report.problems == []
    assert report.missing_by_time == 0
    run = open_run(nights)
    gaps = run.gaps()
    # A host that other tests keep waiting while it fetches a ring of a second may be the cause of a gap itself.
    assert set(gaps["cause"]) <= {"restart", "host"}
    assert int(gaps["n_missing"].sum()) == report.missing == report.produced - report.stored
    # The device counts a block that left its ring unsent. One that it had sent to the daemon that died may leave the ring as well
    # where that holds a second only; of eleven seconds nothing does before the next daemon asks.
    if rate_hz == 1000:
        assert (report.missing == 0) == (boot.overwritten_unsent == 0), (report.missing, boot)
    assert [text.split(",")[0] for text in run.events()["detail"] if text.startswith("session")] == [
        "session new",
        "session resumed",
    ]
