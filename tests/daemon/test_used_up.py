"""A run that ended by itself, by a protective limit or because its plan was done: no start of a daemon turns its shaft again."""

from functools import partial
from pathlib import Path

import pytest
from tests.daemon.processes import Child, Processes, mount, say_go, write_bench
from tests.daemon.test_one_owner import streams
from tests.device.native import FAST, NativeDevice, NativeDevices
from tests.device.plant import COUNTS_PER_REV
from tests.waiting import LIMIT_S, wait

from nightturn.daemon.control_client import ask, new_request
from nightturn.daemon.control_protocol import GO, STATUS, Answer
from nightturn.storage.runs import list_runs
from nightturn.storage.verify import verify

LIMITED = "[fixture.protect]\ntorque_nm = { max = 0.12 }\n"  # turning back, friction and zero of this plant are beyond it
ENDS = {  # fixture: what ends its run, what its rig file says of a restart
    "pan-a1": ("torque_nm is ", "stay"),
    "pan-a2": ("torque_nm is ", "resume"),
    "pan-a3": ("the planned cycles are done", "stay"),
    "pan-a4": ("the planned cycles are done", "resume"),
}
MOUNTED_AGAIN = ("pan-a3", "pan-a4")  # the friction that these two were left with is within every limit
TURNING_S_MAX = 3 * LIMIT_S


def write_rig(folder: Path, devices: dict[str, NativeDevice]) -> None:
    bench = write_bench(folder, {fixture: device.port for fixture, device in devices.items()})
    head, *parts = bench.read_text(encoding="utf-8").split("\n[[fixture]]\n")
    for number, fixture in enumerate(ENDS):
        why, after_restart = ENDS[fixture]
        part = parts[number].replace('after_restart = "resume"', f'after_restart = "{after_restart}"')
        part = part.replace("cycles = 1000", "cycles = 1")
        parts[number] = part + (LIMITED if why.startswith("torque") else "")
    bench.write_text("\n[[fixture]]\n".join([head, *parts]), encoding="utf-8")


def status_of(folder: Path, fixture: str) -> Answer:
    return ask(folder / "nights", new_request(STATUS, fixture), LIMIT_S)


def streaming(folder: Path, fixture: str) -> bool:
    return "no device" not in status_of(folder, fixture).waits_for


def all_end(folder: Path, devices: dict[str, NativeDevice], serve: Child) -> None:
    """Every run ends by itself; a shaft that a slow machine has stopped meanwhile is let turn again by its operator."""

    def ended() -> bool:
        for fixture in devices:
            if status_of(folder, fixture).state.startswith("locked"):
                ask(folder / "nights", new_request(GO, fixture, "R. Vale", unit="Q-0117"), LIMIT_S)
        return serve.said.count('"run_ended"') == len(devices)

    wait(ended, lambda: serve.said, TURNING_S_MAX)


@pytest.mark.alone  # four shafts turn at once: beside other work leases lapse faster than their operator says go
def test_neither_stay_nor_resume_turns_a_shaft_whose_run_a_limit_or_its_plan_has_ended(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    devices = {fixture: native_device(f"{fixture}.line", build=FAST) for fixture in ENDS}
    write_rig(tmp_path, devices)
    for fixture in ENDS:
        mount(tmp_path, fixture)
    serve = processes.start("serve", "bench.toml")
    for fixture, device in devices.items():
        say_go(tmp_path, device, fixture)
    all_end(tmp_path, devices, serve)
    serve.kill()
    root = tmp_path / "nights"
    for run in list_runs(root):
        assert run.state == "ended"
        assert run.reason.startswith(ENDS[run.fixture][0])
    taken = {fixture: device.state()["next_index"] for fixture, device in devices.items()}

    again = processes.start("serve", "bench.toml")
    again.says("its run has ended", len(ENDS))
    for fixture, device in devices.items():
        answer = ask(root, new_request(GO, fixture, "R. Vale", unit="Q-0117"))
        assert (answer.ok, "no run is open" in answer.problem) == (False, True)
        assert not device.state()["session"]
    for fixture in MOUNTED_AGAIN:
        mount(tmp_path, fixture)
    again.says('"run_open"', len(MOUNTED_AGAIN))
    streams(root, more_bytes=15_000)
    for fixture in MOUNTED_AGAIN:
        wait(partial(streaming, tmp_path, fixture), lambda: again.said)
        assert status_of(tmp_path, fixture).state.startswith("locked")
        assert not devices[fixture].state()["lease"]
    assert again.interrupt() == 0
    assert "motion_resumed" not in again.said
    assert verify(root, run="all").ok
    for fixture, device in devices.items():
        device.end()
        (produced,) = device.produced()
        encoder = produced["encoder"]
        assert encoder[: taken[fixture]].max() - encoder[: taken[fixture]].min() > COUNTS_PER_REV // 2
        assert len(set(encoder[taken[fixture] :].tolist())) == 1  # it stands to the count
