"""Guard, travel and what is recorded of motion, from one run to the next, through the daemon and its commands."""

import json
import os
import signal
from pathlib import Path

from tests.daemon.processes import Child, Processes, say_go, write_bench
from tests.daemon.test_commands import TRAVEL_ZERO, VALE, asked, status
from tests.device.native import NativeDevices
from tests.waiting import wait

from nightturn.motion.interlocks import UNTRIED
from nightturn.storage.runs import list_runs, open_run

VIRTUAL = "pan15?seed=7"


class GuardBySignal:
    """The guard of a `nightturn virtual`."""

    def __init__(self, virtual: Child) -> None:
        self._virtual = virtual

    def make(self, words: str) -> None:
        number = {"guard open": signal.SIGUSR1, "guard closed": signal.SIGUSR2}[words]
        os.kill(self._virtual.process.pid, number)


def card(unit: str, *more: str) -> tuple[str, ...]:
    return ("mount", "bench.toml", "pan-a1", "--unit", unit, "--variant", "pan15", *VALE, *more)


def test_a_virtual_guard_is_tried_by_signals(tmp_path: Path, processes: Processes) -> None:
    virtual = processes.start("virtual", VIRTUAL, "--link", "a.line")
    wait((tmp_path / "a.line").is_symlink, lambda: virtual.said)
    write_bench(tmp_path, {"pan-a1": "a.line"})
    assert asked(processes, *card("Q-0117", TRAVEL_ZERO))[0] == 0
    serve = processes.start("serve", "bench.toml")
    serve.says("run_open")
    wait(lambda: UNTRIED in status(tmp_path).waits_for, lambda: status(tmp_path).waits_for)
    code, said = asked(processes, "go", "pan-a1", "--unit", "Q-0117", *VALE)
    assert (code, f"refused: {UNTRIED}" in said) == (1, True)
    say_go(tmp_path, GuardBySignal(virtual))
    wait(lambda: status(tmp_path).state.startswith("turning"), lambda: status(tmp_path).state)
    assert serve.interrupt() == 0


def test_travel_is_counted_on_to_the_next_unit_until_the_device_starts_anew(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    device = native_device()
    write_bench(tmp_path, {"pan-a1": device.port})
    code, said = asked(processes, *card("Q-0117"))
    assert (code, "travel unknown: no run has counted it" in said) == (2, True)
    code, said = asked(processes, *card("Q-0117", TRAVEL_ZERO))
    assert (code, "travel counts again from where the shaft next begins to turn" in said) == (0, True)
    serve = processes.start("serve", "bench.toml")
    say_go(tmp_path, device)
    wait(lambda: bool(device.state()["moving"]), lambda: serve.said)
    assert asked(processes, "stop", "pan-a1", *VALE)[0] == 0
    serve.says("run_ended")

    code, said = asked(processes, *card("Q-0121"))
    assert (code, "travel counts on: the shaft was at " in said) == (0, True)
    serve.says("run_open", 2)
    say_go(tmp_path, device, unit="Q-0121")
    wait(lambda: bool(device.state()["moving"]), lambda: serve.said)

    device.reset_by_watchdog()  # its encoder tells one turn
    wait(lambda: "travel unknown since " in status(tmp_path).waits_for, lambda: status(tmp_path).waits_for)
    code, said = asked(processes, "go", "pan-a1", "--unit", "Q-0121", *VALE)
    assert (code, "check the cable" in said) == (1, True)
    code, said = asked(processes, *card("Q-0122"))
    assert (code, "travel unknown since " in said, "check the cable, then `--travel-zero`" in said) == (
        2,
        True,
        True,
    )
    code, said = asked(processes, *card("Q-0122", TRAVEL_ZERO, "--json"))
    assert (code, "before, travel unknown since " in json.loads(said)["travel"]) == (0, True)
    serve.says("run_open", 3)
    say_go(tmp_path, device, unit="Q-0122")
    wait(lambda: bool(device.state()["moving"]), lambda: serve.said)
    assert serve.interrupt() == 0


def test_without_a_daemon_status_and_runs_say_what_was_recorded_last(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    device = native_device()
    write_bench(tmp_path, {"pan-a1": device.port})
    assert asked(processes, *card("Q-0117", TRAVEL_ZERO))[0] == 0
    serve = processes.start("serve", "bench.toml")
    say_go(tmp_path, device)
    root = tmp_path / "nights"
    wait(lambda: [run.motion for run in list_runs(root)] == ["turning"], lambda: str(list_runs(root)))
    assert status(tmp_path).state.startswith("turning")
    serve.kill()
    code, said = asked(processes, "status")
    assert (code, "was turning" in said, "no daemon answers on" in said) == (3, True, True)
    (run,) = list_runs(root)
    assert (run.state, run.motion, run.motion_text) == (
        "interrupted",
        "turning",
        "turning, permitted by R. Vale",
    )
    assert "was turning" in asked(processes, "runs", "nights")[1]

    again = processes.start("serve", "bench.toml")
    again.says("run_open")
    wait(lambda: list_runs(root)[0].motion != "turning", lambda: str(list_runs(root)))
    assert asked(processes, "stop", "pan-a1", *VALE)[0] == 0
    again.says("run_ended")
    assert again.interrupt() == 0
    (run,) = list_runs(root)
    assert (run.state, run.motion) == ("ended", "ended")
    assert "stopped by R. Vale (by command)" in set(open_run(root, "pan-a1").events()["detail"])
