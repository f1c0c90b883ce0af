"""A data root, a line and a link have one owner; who comes second is refused and harms nothing."""

import os
from pathlib import Path

from tests.benchmarks.live.processes import children, runs
from tests.daemon.processes import Processes, mount, write_bench
from tests.device.native import NativeDevices
from tests.waiting import LIMIT_S, wait

from nightturn.storage.runs import open_run
from nightturn.storage.verify import verify

STREAMS_BYTES = 40_000


def streams(root: Path, more_bytes: int = STREAMS_BYTES) -> None:
    """Wait until so much more is on the newest tape."""

    def size() -> int:
        return sum(tape.stat().st_size for tape in (root / "journal").rglob("*.ntj"))

    begin = size()
    wait(lambda: size() > begin + more_bytes, lambda: f"{root}: nothing is recorded")


def test_a_second_daemon_on_the_root_is_refused_and_the_night_loses_nothing(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    bench = write_bench(tmp_path, {"pan-a1": native_device().port})
    mount(tmp_path, "pan-a1")
    serve = processes.start("serve", str(bench))
    serve.says("run_open")
    streams(tmp_path / "nights")
    (tmp_path / "again").symlink_to(tmp_path / "nights")
    for words in ([], ["--set", "bench.data=again"]):
        second = processes.start("serve", str(bench), *words)
        assert second.process.wait(LIMIT_S) == 4
        assert f"`nightturn serve` (process {serve.process.pid} on " in second.said
        assert "Traceback" not in second.said
    streams(tmp_path / "nights")
    assert serve.interrupt() == 0
    report = verify(tmp_path / "nights", run="all")
    assert report.ok, [problem for run in report.runs for problem in run.problems]
    run = open_run(tmp_path / "nights", "pan-a1")
    assert run.gaps().empty
    assert list(run.samples(columns=["epoch"])["epoch"].unique()) == [0]
    assert "port_not_open" not in serve.said
    assert "line_lost" not in serve.said


def test_a_killed_daemon_leaves_its_root_and_its_line_free(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    bench = write_bench(tmp_path, {"pan-a1": native_device().port})
    mount(tmp_path, "pan-a1")
    serve = processes.start("serve", str(bench))
    serve.says("run_open")
    helpers = children(serve.process.pid)
    assert helpers  # one seals, and holds the root too
    serve.kill()
    wait(lambda: not any(map(runs, helpers)), lambda: f"{helpers} go on without the daemon")
    again = processes.start("serve", str(bench))
    again.says("run_open")
    streams(tmp_path / "nights")
    assert again.interrupt() == 0


def test_another_bench_and_the_link_test_are_kept_off_a_line_by_any_of_its_names(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    device = native_device()
    bench = write_bench(tmp_path, {"pan-a1": device.port})
    mount(tmp_path, "pan-a1")
    serve = processes.start("serve", str(bench))
    serve.says("run_open")
    streams(tmp_path / "nights")
    (tmp_path / "other").mkdir()
    other_name = tmp_path / "other" / "name.line"
    other_name.symlink_to(os.path.realpath(device.port))
    other = write_bench(tmp_path / "other", {"pan-b7": str(other_name)})
    mount(tmp_path / "other", "pan-b7")
    held = f"`nightturn serve` (process {serve.process.pid} on "

    linktest = processes.start("linktest", str(other_name), "--seconds", "0.5")
    assert linktest.process.wait(LIMIT_S) == 3
    assert held in linktest.said
    second = processes.start("serve", str(other))
    second.says("port_not_open")
    assert held in second.said
    streams(tmp_path / "nights")
    assert serve.interrupt() == 0
    streams(tmp_path / "other" / "nights")  # the line is free now, and the one that waited for it takes it
    assert second.interrupt() == 0
    assert open_run(tmp_path / "nights", "pan-a1").gaps().empty
    assert "line_lost" not in serve.said


def test_a_second_virtual_fixture_behind_one_link_is_refused(tmp_path: Path, processes: Processes) -> None:
    link = tmp_path / "a.line"
    first = processes.start("virtual", "pan15?seed=1", "--link", "a.line")
    first.says("a.line")
    target = link.readlink()
    second = processes.start("virtual", "pan15?seed=2", "--link", str(link))
    assert second.process.wait(LIMIT_S) == 3
    assert f"`nightturn virtual` (process {first.process.pid} on " in second.said
    assert link.readlink() == target
    first.kill()
    third = processes.start("virtual", "pan15?seed=3", "--link", "a.line")
    third.says("a.line")
    assert link.exists()  # the one that was killed had left it pointing at nothing
    third.interrupt()
