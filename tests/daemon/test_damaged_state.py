"""The daemon on a data root whose side files are damaged: it records, and its log names each file."""

from pathlib import Path

import pytest
from tests.daemon.processes import Processes, mount, write_bench
from tests.device.native import NativeDevices
from tests.waiting import wait

from nightturn.storage.runs import list_runs


@pytest.mark.parametrize("content", [b"\xff\xfe\n", b""], ids=["no UTF-8", "empty"])
def test_damaged_side_files_keep_no_bench_from_recording(
    tmp_path: Path, processes: Processes, native_device: NativeDevices, content: bytes
) -> None:
    bench = write_bench(tmp_path, {"pan-a1": native_device("a.line").port})
    mount(tmp_path, "pan-a1")
    serve = processes.start("serve", str(bench))
    serve.says("run_open")
    folder = tmp_path / "nights" / "journal" / "pan-a1"

    def size() -> int:
        return sum(path.stat().st_size for path in folder.glob("*.ntj"))

    wait(lambda: size() > 30_000, lambda: serve.said)
    serve.kill()
    (run,) = list_runs(tmp_path / "nights")
    (manifest,) = (tmp_path / "nights" / "runs" / "pan-a1").glob("*.json")
    card = tmp_path / "nights" / "mounts" / "pan-a1.jsonl"
    (tmp_path / "nights" / "calibrations").mkdir()
    calibration = tmp_path / "nights" / "calibrations" / "TR-204.jsonl"
    catalogue = tmp_path / "nights" / "catalogue.sqlite"
    for path in (manifest, card, calibration):
        path.write_bytes(content)
    catalogue.write_bytes(b"\xff\xfe\n")  # an empty one is a new one
    again = processes.start("serve", str(bench))
    again.says("run_open")
    for path in (manifest, card, calibration, catalogue):
        assert path.name in again.said
        assert path.with_name(path.name + ".unreadable").exists()
    wait(lambda: size() > 30_000, lambda: again.said)
    assert again.interrupt() == 0
    assert "Traceback" not in again.said
    assert [each.run for each in list_runs(tmp_path / "nights")] == [run.run]
