"""`status`, `stop`, `pause` and `go` reach the running daemon, and the device does what they say."""

import json
import re
from pathlib import Path

from tests.daemon.processes import Child, Processes, mount, say_go, write_bench
from tests.device.native import NativeDevice, NativeDevices
from tests.waiting import LIMIT_S, wait

from nightturn.bench.locks import own_root, us
from nightturn.daemon.control_client import ask, new_request
from nightturn.daemon.control_protocol import STATUS, Answer
from nightturn.storage.runs import open_run
from nightturn.storage.verify import verify

VALE = ("--operator", "R. Vale")
TRAVEL_ZERO = "--travel-zero"


def asked(processes: Processes, *words: str) -> tuple[int, str]:
    child = processes.start(*words)
    return child.process.wait(LIMIT_S), child.said


def status(tmp_path: Path) -> Answer:
    return ask(tmp_path / "nights", new_request(STATUS, "pan-a1"))


def turning(tmp_path: Path, processes: Processes, device: NativeDevice) -> Child:
    bench = write_bench(tmp_path, {"pan-a1": device.port})
    mount(tmp_path, "pan-a1")
    serve = processes.start("serve", str(bench))
    say_go(tmp_path, device)
    wait(lambda: bool(device.state()["moving"]), lambda: serve.said)
    return serve


def assert_read_before(said: str) -> None:
    """What `go` prints of unit, shaft, guard and plan stands before the permission."""
    read, _, permitted = said.partition("pan-a1: allowed")
    assert permitted
    for words in (
        "Q-0117",
        "of its travel",
        "guard",
        "closed",
        "last permission",
        "1 turns each way at 30 rpm",
    ):
        assert words in read


def test_a_pause_keeps_the_run_until_go_names_its_unit_and_a_stop_ends_it_once(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    device = native_device()
    serve = turning(tmp_path, processes, device)
    code, said = asked(processes, "status")
    assert (code, "turning" in said) == (0, True)

    code, said = asked(processes, "pause", "pan-a1", *VALE, "--reason", "a noise", "--json")
    answer = json.loads(said)
    assert (code, answer["ok"], answer["kept"]) == (0, True, True)
    assert answer["state"] == "stopping: paused by R. Vale (a noise)"
    assert answer["waits_for"] == "waits until the shaft is at rest"
    wait(lambda: not device.state()["moving"], lambda: str(device.state()))
    wait(lambda: status(tmp_path).state.startswith("paused"), lambda: serve.said)
    assert re.fullmatch(
        r"paused since \d{4}-\d\d-\d\d \d\d:\d\d:\d\d [+-]\d\d:\d\d; "
        r"`nightturn go pan-a1 --unit Q-0117 --operator NAME` ends the wait",
        status(tmp_path).waits_for,
    )
    wait(lambda: not device.state()["lease"], lambda: str(device.state()))  # no longer renewed, it runs out

    code, said = asked(processes, "go", "pan-a1", "--unit", "Q-0121", *VALE)
    assert (code, "has Q-0117 mounted, not Q-0121" in said) == (1, True)
    assert not device.state()["lease"]
    code, said = asked(processes, "go", "pan-a1", "--unit", "Q-0117", *VALE)
    assert code == 0, said
    assert_read_before(said)
    wait(lambda: bool(device.state()["moving"]), lambda: serve.said)
    code, said = asked(processes, "go", "pan-a1", "--unit", "Q-0117", *VALE)
    assert (code, "it is turning already; stop it first" in said) == (1, True)

    code, said = asked(processes, "stop", "pan-a1", *VALE)
    assert code == 0, said
    assert "pan-a1: ended: stopped by R. Vale (kept)" in said
    serve.says("run_ended")
    code, said = asked(processes, "stop", "pan-a1", *VALE)
    assert (code, "no run is open" in said) == (0, True)
    code, said = asked(processes, "go", "pan-a1", "--unit", "Q-0117", *VALE)
    assert (code, "no run is open" in said) == (1, True)
    state = device.state()
    assert (state["moving"], state["lease"], state["session"]) == (False, False, 0)

    assert serve.interrupt() == 0
    assert verify(tmp_path / "nights", run="all").ok
    details = open_run(tmp_path / "nights", "pan-a1").events()["detail"]
    for words in ("paused by R. Vale (a noise)", "permitted by R. Vale", "stopped by R. Vale (by command)"):
        assert words in set(details)


def test_status_says_what_the_device_counts(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    bench = write_bench(tmp_path, {"pan-a1": native_device().port})
    mount(tmp_path, "pan-a1")
    serve = processes.start("serve", str(bench))
    serve.says("run_open")
    wait(lambda: status(tmp_path).counters is not None, lambda: serve.said)
    code, said = asked(processes, "status", "pan-a1")
    assert code == 0, said
    assert "device counts, since it started" in said
    assert "motion leases refused" in said
    assert "not reported" not in said  # this board measures its load too
    code, said = asked(processes, "status", "pan-a1", "--json")
    (shown,) = json.loads(said)
    names = {"leases_refused", "adc_overrange", "encoder_errors", "tx_stalls", "cpu_pct"}
    assert set(shown["counters"]) == names
    assert all(isinstance(value, int) for value in shown["counters"].values())


def test_a_command_for_nobody_and_to_nobody_says_so(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    bench = write_bench(tmp_path, {"pan-a1": native_device().port})
    code, said = asked(processes, "stop", "pan-a1", *VALE)
    assert (code, "no daemon runs on this data root" in said) == (3, True)
    serve = processes.start("serve", str(bench))
    serve.says("waiting_for_card")
    code, said = asked(processes, "stop", "pan-b7", *VALE)
    assert (code, "no fixture 'pan-b7' here; this daemon has: pan-a1" in said) == (1, True)
    code, said = asked(processes, "status", "--json", "--data", str(tmp_path / "nights"))
    assert json.loads(said)[0]["state"] == "no run is open"
    assert json.loads(said)[0]["counters"] is None
    code, said = asked(processes, "status", "pan-a1")
    assert (code, said.count("not reported")) == (0, 5)
    assert (tmp_path / "nights" / "control.sock").stat().st_mode & 0o777 == 0o600
    bench.write_text(bench.read_text().replace("rate_hz", "rate_herz"))  # stop works while somebody edits
    code, said = asked(processes, "stop", "pan-a1", *VALE)
    assert (code, "no run is open" in said) == (0, True)
    serve.process.kill()
    serve.process.wait()
    code, said = asked(processes, "stop", "pan-a1", *VALE)
    assert (code, "use the emergency stop" in said) == (3, True)


def test_a_daemon_that_hangs_is_a_case_for_the_emergency_stop(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    import signal

    serve = turning(tmp_path, processes, native_device())
    serve.process.send_signal(signal.SIGSTOP)
    code, said = asked(processes, "stop", "pan-a1", *VALE)
    serve.process.send_signal(signal.SIGCONT)
    assert (code, said) == (3, "nightturn: the daemon does not answer; use the emergency stop\n")


def test_a_run_that_is_being_recovered_does_not_get_past_a_stop(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    device = native_device()
    turning(tmp_path, processes, device).kill()
    wait(lambda: not device.state()["moving"], lambda: str(device.state()))
    again = processes.start("serve", str(tmp_path / "bench.toml"))
    lock = tmp_path / "nights" / "nightturn.lock"
    wait(
        lambda: str(again.process.pid) in lock.read_text() and "control.sock" in lock.read_text(),
        lambda: again.said,
    )
    code, said = asked(processes, "stop", "pan-a1", *VALE)
    assert code == 0, said
    again.says("run_ended")
    assert not device.state()["moving"]
    assert again.interrupt() == 0


def test_a_card_is_written_by_the_daemon_that_owns_the_root(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    bench = write_bench(tmp_path, {"pan-a1": native_device().port})
    serve = processes.start("serve", str(bench))
    serve.says("waiting_for_card")
    card = ("mount", str(bench), "pan-a1", "--unit", "Q-0117", "--variant", "pan15", *VALE, TRAVEL_ZERO)
    code, said = asked(processes, *card, "--json")
    assert (code, json.loads(said)["card"]["operator"]) == (0, "R. Vale")
    serve.says("run_open")
    assert serve.interrupt() == 0
    code, said = asked(processes, *card)
    assert (code, "mounted by R. Vale" in said) == (0, True)
    assert len((tmp_path / "nights" / "mounts" / "pan-a1.jsonl").read_bytes().splitlines()) == 2


def test_a_card_is_not_written_behind_the_back_of_who_owns_the_root(
    tmp_path: Path, processes: Processes
) -> None:
    bench = write_bench(tmp_path, {"pan-a1": "a.line"})
    owned = own_root(tmp_path / "nights", "nightturn demo")
    card = ("mount", str(bench), "pan-a1", "--unit", "Q-0117", "--variant", "pan15", *VALE, TRAVEL_ZERO)
    code, said = asked(processes, *card)
    assert (code, "`nightturn demo` (process" in said) == (4, True)
    assert not (tmp_path / "nights" / "mounts").exists()
    owned.note(us("nightturn serve", str(tmp_path / "gone.sock")))
    code, said = asked(processes, *card)
    assert (code, "cannot be reached" in said) == (3, True)
    owned.release()
