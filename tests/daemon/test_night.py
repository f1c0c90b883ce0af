"""A night that ends while `serve` runs: its verdict in the log, in `status`, in `runs`, and in the exit codes."""

import json
from pathlib import Path

import pytest
from tests.daemon.processes import FIXTURE, HEAD, STAND, VARIANT, Child, Processes, mount, say_go
from tests.device.native import NativeDevice, NativeDevices
from tests.waiting import wait

pytestmark = pytest.mark.alone  # a starved host lets the lease fall back, and the cycle begins anew
CYCLE_S_MAX = 200.0  # a hang guard; a cycle takes 12 s
LIMITS_NM = {"accept": 5.0, "reject": 0.001}
"""Of friction, far beyond and far below what the device's plant has."""


def said_by(processes: Processes, folder: Path, *arguments: str) -> tuple[int, str]:
    child: Child = processes.start(*arguments, folder=folder)
    wait(lambda: child.process.poll() is not None, lambda: child.said)
    return child.process.returncode, child.said


def begun(folder: Path, processes: Processes, device: NativeDevice, word: str) -> Child:
    """A daemon on a bench of its own whose shaft turns, and which says that nothing is decided yet."""
    (folder / "variants").mkdir(parents=True)
    accept = f"[accept]\nfriction_nm = {{ max = {LIMITS_NM[word]} }}\n"
    (folder / "variants" / "pan15.toml").write_text(VARIANT + accept)
    fixture = FIXTURE.format(stand=STAND, fixture="pan-a1", port=device.port, after_restart="resume")
    fixture = fixture.replace("revolutions = 1, speed_rpm = 30.0", "revolutions = 2, speed_rpm = 50.0")
    (folder / "bench.toml").write_text(HEAD + fixture.replace("cycles = 1000", "cycles = 1"))
    mount(folder, "pan-a1")
    serve = processes.start("serve", "bench.toml", folder=folder)
    say_go(folder, device)
    code, said = said_by(processes, folder, "status", "pan-a1")
    assert (code, "night so far: undecided, engineering; cycles: 0, planned: 1" in said) == (0, True), said
    code, said = said_by(processes, folder, "status", "pan-a1", "--json")
    assert json.loads(said)[0]["night_verdict"]["word"] == "undecided"
    return serve


def test_serve_and_runs_end_with_one_on_reject_alone(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    """Both nights at the same time: they mostly wait."""
    folders = {word: tmp_path / word for word in LIMITS_NM}
    nights = {
        word: begun(folder, processes, native_device(f"{word}.line"), word)
        for word, folder in folders.items()
    }
    for serve in nights.values():
        serve.says("run_ended", limit_s=CYCLE_S_MAX)
    for word, serve in nights.items():
        failed = int(word == "reject")
        assert serve.interrupt() == failed, serve.said
        code, said = said_by(processes, folders[word], "runs", "nights", "latest")
        assert code == failed
        assert f"night: {word}, engineering; cycles: 1, planned: 1" in said
        code, said = said_by(processes, folders[word], "runs", "nights")
        assert (code, f"  night: {word}, engineering" in said) == (0, True)
