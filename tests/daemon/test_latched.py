"""What the device has latched or remembers from when no host was there waits for a person, whatever the rig file says."""

from pathlib import Path

from tests.daemon.processes import Child, Processes, mount, say_go, write_bench
from tests.daemon.test_commands import VALE, asked, status, turning
from tests.daemon.test_failed_starts import tape_grows
from tests.device.native import NativeDevice, NativeDevices
from tests.waiting import wait

from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import read_manifest
from nightturn.storage.runs import list_runs, open_run
from nightturn.storage.verify import verify

LIMITED = "[fixture.protect]\ntorque_nm = { max = 12.0 }\n"
TRIP = "the device reports: torque trip"
KNOCKED = 20  # samples


def knock(device: NativeDevice) -> None:
    """Torque far beyond every limit, for some samples."""
    for words in ("adc saturated", "adc free"):
        device.make(words)
        device.takes(device.state()["next_index"] + KNOCKED)


def told(tmp_path: Path, kind: str) -> list[str]:
    events = open_run(tmp_path / "nights", "pan-a1").events()
    return list(events[events["kind"] == kind]["detail"])


def stays(tmp_path: Path, device: NativeDevice, serve: Child) -> str:
    """A daemon that records; its shaft stays, and this is what it waits for."""
    serve.says('"run_open"')
    tape_grows(tmp_path, serve, 8_000)
    wait(lambda: "no device" not in status(tmp_path).waits_for, lambda: status(tmp_path).waits_for)
    shown = status(tmp_path)
    assert shown.state.startswith("locked")
    state = device.state()
    assert (state["lease"], state["moving"]) == (False, False)
    return shown.waits_for


def test_a_torque_trip_that_the_device_has_latched_outlives_restarts_until_go_clears_it_by_name(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    device = native_device()
    serve = turning(tmp_path, processes, device)  # after_restart = "resume"
    serve.kill()
    wait(lambda: not device.state()["moving"], lambda: str(device.state()))
    knock(device)
    for start in range(2):
        serve = processes.start("serve", "bench.toml")
        assert TRIP in stays(tmp_path, device, serve)
        if start == 0:
            serve.kill()
    code, said = asked(processes, "go", "pan-a1", "--unit", "Q-0117", *VALE)
    assert code == 0, said
    assert TRIP in said.partition("pan-a1: allowed")[0]  # what it clears is read before
    wait(lambda: bool(device.state()["moving"]), lambda: serve.said)
    assert serve.interrupt() == 0
    assert verify(tmp_path / "nights", run="all").ok
    assert told(tmp_path, "torque_trip")
    assert told(tmp_path, "motion_resumed") == []
    cleared = told(tmp_path, "motion_allowed")[-1]
    assert cleared.startswith("permitted by R. Vale, who cleared: ")
    assert TRIP in cleared


def test_an_overload_from_before_any_host_locks_motion_until_a_person_has_answered(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    device = native_device()
    knock(device)
    bench = write_bench(tmp_path, {"pan-a1": device.port})
    with bench.open("a", encoding="utf-8") as rig:
        rig.write(LIMITED)
    mount(tmp_path, "pan-a1")
    serve = processes.start("serve", "bench.toml")
    serve.says('"overload_remembered"')
    waits_for = stays(tmp_path, device, serve)
    assert "(limit 12 N·m) while this run recorded nothing" in waits_for
    say_go(tmp_path, device)
    wait(lambda: bool(device.state()["moving"]), lambda: serve.said)
    assert serve.interrupt() == 0
    root = tmp_path / "nights"
    assert verify(root, run="all").ok
    assert told(tmp_path, "torque_trip")
    (sentence,) = told(tmp_path, "overload_remembered")
    assert sentence in waits_for
    (allowed,) = told(tmp_path, "motion_allowed")
    assert allowed.startswith("permitted by R. Vale, who cleared: ")
    assert sentence in allowed
    events = open_run(root, "pan-a1").events()
    (row,) = events[events["kind"] == "overload_remembered"].to_dict("records")
    (run,) = list_runs(root)
    (remembered,) = read_manifest(RealFiles(root), "pan-a1", run.run).torque_remembered
    assert remembered.limit_nm == 12.0
    assert remembered.torque_max_nm > 12.0
    assert remembered.beyond_ts == row["ts"].value
