"""Fixtures that recover at once, in a daemon whose threads take turns as often as they can."""

import shutil
from pathlib import Path

import pytest
from tests.daemon.processes import Processes, mount, write_bench
from tests.daemon.steered import Steering
from tests.daemon.test_failed_starts import tape_grows
from tests.device.native import NativeDevices

from nightturn.storage.runs import list_runs

FIXTURES = ("pan-a1", "pan-a2")
SWITCH_S = 1e-6
STARTS, STARTS_LONG = 3, 20


@pytest.mark.parametrize("starts", [STARTS, pytest.param(STARTS_LONG, marks=pytest.mark.long)])
def test_two_fixtures_that_recover_at_once_crash_no_daemon(
    tmp_path: Path, processes: Processes, native_device: NativeDevices, starts: int
) -> None:
    left = tmp_path / "left"
    left.mkdir()
    write_bench(left, {fixture: native_device(f"{fixture}.line").port for fixture in FIXTURES})
    for fixture in FIXTURES:
        mount(left, fixture)
    serve = processes.start("serve", "bench.toml", folder=left)
    serve.says('"run_open"', len(FIXTURES))
    tape_grows(left, serve, 30_000)
    tape_grows(left, serve, 30_000, fixture="pan-a2")
    serve.kill()
    runs = {run.run for run in list_runs(left / "nights")}
    for number in range(starts):
        bench = tmp_path / f"{number}"
        shutil.copytree(left, bench, ignore=shutil.ignore_patterns("*.sock"))
        write_bench(bench, {fixture: f"{fixture}.none" for fixture in FIXTURES})  # recovery needs no device
        again = processes.start("serve", "bench.toml", folder=bench, steer=Steering(switch_s=SWITCH_S))
        again.says('"recovered"', len(FIXTURES))
        again.says('"run_open"', len(FIXTURES))
        assert again.interrupt() == 0, again.said
        assert {run.run for run in list_runs(bench / "nights")} == runs
