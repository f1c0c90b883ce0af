"""Starts that fail between recovery and the first record: the run and its "stay" are what they were."""

from pathlib import Path

import numpy as np
import pytest
from tests.daemon.processes import Child, Processes, mount, write_bench
from tests.device.native import NativeDevices
from tests.waiting import wait

from nightturn.daemon.control_client import ask, new_request
from nightturn.storage.runs import list_runs, open_run
from nightturn.storage.verify import verify

LINE = "a.line"


def tape_grows(folder: Path, serve: Child, by_bytes: int, fixture: str = "pan-a1") -> None:
    """Wait until so much more is on the tape of the fixture."""

    def size() -> int:
        return sum(path.stat().st_size for path in (folder / "nights" / "journal" / fixture).glob("*.ntj"))

    before = size()
    wait(lambda: size() > before + by_bytes, lambda: serve.said)


@pytest.mark.parametrize("failed_starts", [pytest.param(1, marks=pytest.mark.long), 3])  # three hold one
def test_after_a_mistake_in_the_rig_file_the_run_goes_on_and_its_shaft_stays(
    tmp_path: Path, processes: Processes, native_device: NativeDevices, failed_starts: int
) -> None:
    device = native_device(LINE)
    bench = write_bench(tmp_path, {"pan-a1": device.port}, after_restart="stay")
    mount(tmp_path, "pan-a1")
    serve = processes.start("serve", str(bench))
    serve.says("run_open")
    tape_grows(tmp_path, serve, 30_000)
    serve.kill()
    good = bench.read_text(encoding="utf-8")
    bench.write_text(good.replace("revolutions = 1", "revolutions = 20"), encoding="utf-8")
    for _ in range(failed_starts):
        failed = processes.start("serve", str(bench))
        failed.says("run_not_opened")
        failed.kill()
    bench.write_text(good, encoding="utf-8")
    again = processes.start("serve", str(bench))
    again.says("run_open")
    tape_grows(tmp_path, again, 30_000)
    assert again.interrupt() == 0
    assert len(list_runs(tmp_path / "nights")) == 1
    assert verify(tmp_path / "nights", run="all").ok
    frame = open_run(tmp_path / "nights").samples(columns=["epoch", "encoder"])
    resumed = frame[frame["epoch"] == frame["epoch"].max()]["encoder"]
    assert len(resumed) > 1000
    assert np.ptp(resumed) < 2**20 / 360  # less than a degree


def test_a_stop_told_to_a_run_that_is_refused_is_its_first_command_when_it_opens(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    bench = write_bench(tmp_path, {"pan-a1": native_device(LINE).port})
    mount(tmp_path, "pan-a1")
    serve = processes.start("serve", str(bench))
    serve.says("run_open")
    tape_grows(tmp_path, serve, 30_000)
    serve.kill()
    variant = tmp_path / "variants" / "pan15.toml"
    good = variant.read_text(encoding="utf-8")
    variant.write_text("no variant", encoding="utf-8")
    again = processes.start("serve", str(bench))
    again.says("waiting_for_card")
    stop = ask(tmp_path / "nights", new_request("stop", "pan-a1", "R. Vale"))
    assert stop.ok
    assert "its first when it is open" in stop.state
    variant.write_text(good, encoding="utf-8")
    mount(tmp_path, "pan-a1")
    again.says("run_open")
    again.says("run_ended")
    assert again.interrupt() == 0
    (run,) = list_runs(tmp_path / "nights")
    assert open_run(tmp_path / "nights").events()["kind"].tolist().count("run_ended") == 1
    assert run.state == "ended"
