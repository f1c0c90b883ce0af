"""A daemon that dies: what `runs` and `verify` say of its run before, after, and once another has gone on with it."""

from pathlib import Path

import pytest
from tests.cli.terminal import typed
from tests.daemon.processes import Processes, mount, write_bench
from tests.daemon.test_failed_starts import tape_grows
from tests.device.native import NativeDevices
from tests.waiting import wait

from nightturn.storage.runs import list_runs


def test_a_run_whose_daemon_was_killed_is_interrupted_and_its_tape_mentioned(
    tmp_path: Path, processes: Processes, native_device: NativeDevices, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = write_bench(tmp_path, {"pan-a1": native_device().port}, after_restart="stay")
    mount(tmp_path, "pan-a1")
    nights = tmp_path / "nights"
    serve = processes.start("serve", str(bench))
    serve.says("run_open")
    tape_grows(tmp_path, serve, 30_000)
    assert [run.state for run in list_runs(nights)] == ["running"]
    code, out, _ = typed(["verify", str(nights)], capsys)
    assert (code, "not sealed yet; a daemon is recording it" in " ".join(out.split())) == (0, True)
    serve.kill()
    # the process that seals holds the root until it has seen that its daemon is gone
    wait(lambda: [run.state for run in list_runs(nights)] == ["interrupted"], lambda: str(list_runs(nights)))
    code, out, _ = typed(["verify", str(nights)], capsys)
    assert code == 0
    words = " ".join(out.split())
    assert "1 segment of tape with " in words
    assert "the next start of `nightturn serve` seals it" in words
    assert out.splitlines()[-1] == "everything that is sealed is there or explained"
    again = processes.start("serve", str(bench))
    again.says("run_open")
    tape_grows(tmp_path, again, 30_000)
    assert [run.state for run in list_runs(nights)] == ["running"]
    assert again.interrupt() == 0
    assert [run.state for run in list_runs(nights)] == ["interrupted"]  # the next start goes on with it
    code, out, _ = typed(["verify", str(nights)], capsys)
    assert (code, "not sealed" in out) == (0, False)
