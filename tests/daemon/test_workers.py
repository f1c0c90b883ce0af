"""Fixtures spread over worker processes: real daemons, devices and signals; whatever dies, the others go on and the truth is said."""

import asyncio
import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from tests.daemon.processes import Child, Processes, mount, say_go, write_bench
from tests.device.native import NativeDevice, NativeDevices
from tests.telemetry.watching import Watcher, watching
from tests.waiting import LIMIT_S, act_for, wait

from nightturn.bench.locks import Holder, holder_of, own_root
from nightturn.daemon.control_client import ask, new_request
from nightturn.daemon.control_protocol import GO, MOUNT, PAUSE, STATUS, STOP, Answer
from nightturn.daemon.worker_messages import SILENT_S, STALL_S
from nightturn.demo.broker import Broker, start_broker
from nightturn.errors import DeviceError
from nightturn.storage.paths import ROOT_LOCK
from nightturn.storage.runs import open_run
from nightturn.storage.verify import verify
from nightturn.telemetry.reading import OFFLINE

pytestmark = pytest.mark.alone  # a starved host lets a lease lapse, and then nothing turns without go
PORTS = {"pan-a1": "a.line", "pan-a2": "b.line"}


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    started, why = start_broker(tmp_path / "broker")
    assert started is not None, why
    yield started
    started.stop()


def bench_of(folder: Path, ports: dict[str, str], *, after_restart: str = "stay", mqtt: str = "") -> Path:
    """A rig of a worker for each fixture, with a unit on each."""
    bench = write_bench(folder, ports, mqtt=mqtt, after_restart=after_restart)
    bench.write_text(bench.read_text().replace("[bench]\n", f"[bench]\nworkers = {len(ports)}\n"))
    for fixture in ports:
        mount(folder, fixture)
    return bench


def workers_of(serve: Child) -> list[int]:
    """The processes of the workers, in the order of their start."""
    pid = serve.process.pid
    found: list[int] = []
    for task in Path(f"/proc/{pid}/task").iterdir():
        children = (task / "children").read_text(encoding="ascii").split()
        found += [
            int(child)
            for child in children
            if b"nightturn.daemon.worker" in Path(f"/proc/{child}/cmdline").read_bytes()
        ]
    return sorted(found)


def worker_of(serve: Child, port: str) -> int:
    """The worker that has a line open."""
    device = os.path.realpath(port)
    for pid in workers_of(serve):
        for descriptor in Path(f"/proc/{pid}/fd").iterdir():
            if os.path.realpath(descriptor) == device:
                return pid
    raise AssertionError(f"no worker has {port}")


def is_there(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


def said_by(folder: Path, command: str, fixture: str = "", unit: str = "") -> Answer:
    return ask(folder / "nights", new_request(command, fixture, "R. Vale", unit=unit))


def turning(folder: Path, processes: Processes, devices: dict[str, NativeDevice], bench: Path) -> Child:
    """A daemon all of whose shafts turn."""
    serve = processes.start("serve", str(bench))
    serve.says("run_open", len(devices))
    for fixture, device in devices.items():
        say_go(folder, device, fixture)
    for device in devices.values():
        wait(lambda device=device: bool(device.state()["moving"]), lambda: serve.said)  # type: ignore[misc] # bound now
    return serve


def keeps_its_lease(device: NativeDevice) -> None:
    """It goes on as before; between two moves its shaft stands."""
    assert device.state()["lease"]


def newest(watcher: Watcher, fixture: str) -> dict[str, object]:
    seen = watcher.on(f"/{fixture}/state")
    return seen[-1].values if seen else {}


@contextmanager
def stopped(pid: int) -> Iterator[None]:
    """A process that stands still, and goes on afterwards."""
    os.kill(pid, signal.SIGSTOP)
    try:
        yield
    finally:
        os.kill(pid, signal.SIGCONT)


def test_two_fixtures_in_two_workers_record_and_publish_over_one_connection(
    tmp_path: Path, processes: Processes, broker: Broker, native_device: NativeDevices
) -> None:
    devices = {fixture: native_device(name) for fixture, name in PORTS.items()}
    bench = bench_of(tmp_path, {name: device.port for name, device in devices.items()}, mqtt=broker.url)

    async def act() -> None:
        async with watching(broker.port) as watcher:
            serve = await asyncio.to_thread(turning, tmp_path, processes, devices, bench)
            assert len(workers_of(serve)) == 2
            assert worker_of(serve, devices["pan-a1"].port) != worker_of(serve, devices["pan-a2"].port)
            await watcher.until(lambda: all(newest(watcher, f).get("state") == "turning" for f in PORTS))
            await watcher.until(lambda: all(watcher.on(f"/{f}/m/live") for f in PORTS))
            assert all(watcher.on(f"/{fixture}/info") for fixture in PORTS)
            words = {str(seen.values["daemon_boot"]) for seen in watcher.seen if seen.payload}
            assert len(words) == 1  # one daemon, under one name at the broker
            assert serve.said.count("mqtt_connected") == 1
            assert serve.interrupt() == 0, serve.said
            await watcher.until(lambda: {newest(watcher, f)["state"] for f in PORTS} == {OFFLINE})
            assert serve.said.count('"stored"') == 2

    asyncio.run(act())
    report = verify(tmp_path / "nights", run="all")
    assert report.ok, [problem for run in report.runs for problem in run.problems]
    for fixture in PORTS:
        assert open_run(tmp_path / "nights", fixture).gaps().empty
    assert not devices["pan-a1"].state()["energised"]


def test_commands_reach_the_worker_that_has_the_fixture_and_no_other(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    devices = {fixture: native_device(name) for fixture, name in PORTS.items()}
    bench = bench_of(tmp_path, {name: device.port for name, device in devices.items()})
    serve = turning(tmp_path, processes, devices, bench)
    assert said_by(tmp_path, STATUS).fixtures == tuple(PORTS)
    paused = said_by(tmp_path, PAUSE, "pan-a2")
    assert (paused.ok, paused.kept) == (True, True)
    wait(lambda: not devices["pan-a2"].state()["lease"], lambda: serve.said)
    wait(lambda: said_by(tmp_path, STATUS, "pan-a2").state.startswith("paused"), lambda: serve.said)
    keeps_its_lease(devices["pan-a1"])
    other = said_by(tmp_path, GO, "pan-a2", unit="Q-0999")
    assert (other.ok, "pan-a2 has Q-0117 mounted, not Q-0999" in other.problem) == (False, True)
    assert said_by(tmp_path, GO, "pan-a2", unit="Q-0117").ok
    wait(lambda: bool(devices["pan-a2"].state()["moving"]), lambda: serve.said)
    assert said_by(tmp_path, STOP, "pan-a1").ok
    wait(lambda: not devices["pan-a1"].state()["lease"], lambda: serve.said)
    keeps_its_lease(devices["pan-a2"])
    serve.says('"run_ended"')
    wait(lambda: said_by(tmp_path, STATUS, "pan-a1").state == "no run is open", lambda: serve.said)
    request = new_request(MOUNT, "pan-a1", "R. Vale", unit="Q-0118")
    mounted = ask(
        tmp_path / "nights",
        type(request)(
            request.v, request.id, MOUNT, "pan-a1", "R. Vale", "", "Q-0118", "pan15", travel_zero=True
        ),
    )
    assert mounted.ok, mounted.problem
    wait(lambda: "Q-0118" in serve.said, lambda: serve.said)
    unknown = said_by(tmp_path, STOP, "pan-a9")
    assert unknown.problem == "no fixture 'pan-a9' here; this daemon has: pan-a1, pan-a2"
    assert serve.interrupt() == 0, serve.said


@pytest.mark.parametrize("number", [signal.SIGTERM, pytest.param(signal.SIGINT, marks=pytest.mark.long)])
def test_the_end_of_the_daemon_turns_every_drive_off_by_command_and_leaves_no_process(
    tmp_path: Path, processes: Processes, native_device: NativeDevices, number: signal.Signals
) -> None:
    devices = {fixture: native_device(name) for fixture, name in PORTS.items()}
    bench = bench_of(tmp_path, {name: device.port for name, device in devices.items()})
    serve = turning(tmp_path, processes, devices, bench)
    workers = workers_of(serve)
    assert serve.interrupt(number) == 0, serve.said
    assert not any(is_there(pid) for pid in workers)
    assert "first_process_silent" not in serve.said
    for fixture, device in devices.items():
        left = device.state()
        assert (left["session"], left["lease"], left["energised"]) == (0, False, False)
        stopped_by = open_run(tmp_path / "nights", fixture).events().query("kind == 'motion_stopped'")
        assert next(iter(stopped_by["detail"])) == "the daemon ends"
    own_root(tmp_path / "nights", "a test").release()
    assert not (tmp_path / "nights" / "control.sock").exists()


def test_a_killed_worker_is_said_at_once_and_follows_as_after_a_restart_and_nothing_turns_without_go(
    tmp_path: Path, processes: Processes, broker: Broker, native_device: NativeDevices
) -> None:
    devices = {fixture: native_device(name) for fixture, name in PORTS.items()}
    bench = bench_of(tmp_path, {name: device.port for name, device in devices.items()}, mqtt=broker.url)

    async def act() -> None:
        async with watching(broker.port) as watcher:
            serve = await asyncio.to_thread(turning, tmp_path, processes, devices, bench)
            await watcher.until(lambda: newest(watcher, "pan-a1").get("state") == "turning")
            os.kill(worker_of(serve, devices["pan-a1"].port), signal.SIGKILL)
            await watcher.until(lambda: newest(watcher, "pan-a1").get("state") == "starting")
            assert "signal 9 (SIGKILL)" in str(newest(watcher, "pan-a1")["reason"])
            answer = said_by(tmp_path, STATUS, "pan-a1")
            assert (answer.ok, "its worker process has ended" in answer.state) == (True, True)
            assert not said_by(tmp_path, GO, "pan-a1", unit="Q-0117").ok
            wait(lambda: not devices["pan-a1"].state()["energised"], lambda: serve.said)
            await watcher.until(lambda: newest(watcher, "pan-a1").get("state") == "locked")
            assert "`nightturn go pan-a1" in str(newest(watcher, "pan-a1")["waits_for"])
            assert newest(watcher, "pan-a2")["state"] == "turning"
            assert not devices["pan-a1"].state()["energised"]
            await asyncio.to_thread(say_go, tmp_path, devices["pan-a1"])
            await watcher.until(lambda: newest(watcher, "pan-a1").get("state") == "turning")
            assert serve.said.count('"worker_ended"') == 1
            assert serve.interrupt() == 0, serve.said

    asyncio.run(act())
    assert verify(tmp_path / "nights", run="all").ok
    assert "lease_lapsed" in list(open_run(tmp_path / "nights", "pan-a1").events()["kind"])
    assert "lease_lapsed" not in list(open_run(tmp_path / "nights", "pan-a2").events()["kind"])


@pytest.mark.long
def test_a_stop_for_a_worker_that_is_gone_is_the_first_command_of_the_next_one(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    """With after_restart = "resume" its shaft would turn again by itself."""
    devices = {fixture: native_device(name) for fixture, name in PORTS.items()}
    ports = {name: device.port for name, device in devices.items()}
    serve = turning(tmp_path, processes, devices, bench_of(tmp_path, ports, after_restart="resume"))
    os.kill(worker_of(serve, devices["pan-a1"].port), signal.SIGKILL)
    serve.says("worker_ended")
    answer = said_by(tmp_path, STOP, "pan-a1")
    assert (answer.ok, answer.kept) == (True, False)
    assert "the command is the first of the run when it goes on" in answer.state
    serve.says('"run_ended"')
    assert not devices["pan-a1"].state()["energised"]
    keeps_its_lease(devices["pan-a2"])
    assert serve.interrupt() == 0, serve.said
    (ended,) = open_run(tmp_path / "nights", "pan-a1").events().query("kind == 'run_ended'")["detail"]
    assert "R. Vale" in ended


@pytest.mark.long
def test_a_worker_that_dies_again_and_again_is_left_dead_and_the_daemon_ends_with_three(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    device = native_device(PORTS["pan-a1"])
    bench = bench_of(tmp_path, {"pan-a1": device.port, "pan-a2": "virtual:pan15?seed=7"})
    serve = processes.start("serve", str(bench))
    for count in range(1, 6):
        serve.says('"fixture": "pan-a1", "event": "run_open"', count)
        os.kill(worker_of(serve, device.port), signal.SIGKILL)
        serve.says('"worker_ended"', count)
    answer = said_by(tmp_path, STATUS, "pan-a1")
    assert answer.waits_for == "waits for `nightturn serve` again"
    stop = said_by(tmp_path, STOP, "pan-a1")
    assert (stop.ok, "use the emergency stop" in stop.problem) == (False, True)
    assert said_by(tmp_path, STATUS, "pan-a2").state.startswith("locked")
    assert serve.process.poll() is None
    assert serve.interrupt() == 3
    assert "5 times within an hour" in serve.said


def test_workers_whose_first_process_is_killed_close_their_runs_and_leave_nothing_behind(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    devices = {fixture: native_device(name) for fixture, name in PORTS.items()}
    bench = bench_of(tmp_path, {name: device.port for name, device in devices.items()})
    serve = turning(tmp_path, processes, devices, bench)
    workers = workers_of(serve)
    serve.kill()
    wait(lambda: not any(is_there(pid) for pid in workers), lambda: "the workers are still there")
    for fixture, device in devices.items():
        left = device.state()
        assert (left["session"], left["lease"], left["energised"]) == (0, False, False)
        stopped_by = open_run(tmp_path / "nights", fixture).events().query("kind == 'motion_stopped'")
        assert next(iter(stopped_by["detail"])) == "the daemon ends"
    own_root(tmp_path / "nights", "a test").release()
    again = processes.start("serve", str(bench))
    again.says("run_open", 2)
    assert "port_not_open" not in again.said
    assert again.interrupt() == 0
    assert verify(tmp_path / "nights", run="all").ok


@pytest.mark.long
def test_workers_pause_what_turns_while_the_first_process_stands_still_and_only_go_ends_that(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    devices = {fixture: native_device(name) for fixture, name in PORTS.items()}
    ports = {name: device.port for name, device in devices.items()}
    serve = turning(tmp_path, processes, devices, bench_of(tmp_path, ports, after_restart="resume"))
    with stopped(serve.process.pid):
        act_for(SILENT_S + 2 * STALL_S, "nobody could say stop for so long")
    for device in devices.values():
        wait(lambda device=device: not device.state()["lease"], lambda: "it turns on")  # type: ignore[misc] # bound now
    serve.says("first_process_silent", 2)
    for fixture in PORTS:
        wait(lambda: said_by(tmp_path, STATUS, fixture).state.startswith("paused"), lambda: serve.said)  # noqa: B023 - used at once
    say_go(tmp_path, devices["pan-a1"])
    wait(lambda: bool(devices["pan-a1"].state()["moving"]), lambda: serve.said)
    assert serve.interrupt() == 0, serve.said
    assert open_run(tmp_path / "nights", "pan-a2").gaps().empty


def test_a_go_that_its_worker_reads_too_late_turns_nothing_and_a_stop_is_never_too_late(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    devices = {fixture: native_device(name) for fixture, name in PORTS.items()}
    ports = {name: device.port for name, device in devices.items()}
    serve = turning(tmp_path, processes, devices, bench_of(tmp_path, ports))
    assert said_by(tmp_path, PAUSE, "pan-a1").ok
    wait(lambda: said_by(tmp_path, STATUS, "pan-a1").state.startswith("paused"), lambda: serve.said)
    with (
        stopped(worker_of(serve, devices["pan-a1"].port)),
        pytest.raises(DeviceError, match="emergency stop"),
    ):
        said_by(tmp_path, GO, "pan-a1", unit="Q-0117")
    answer = said_by(tmp_path, STATUS, "pan-a1")  # it reads what came before first
    assert not answer.state.startswith(("allowed", "announced", "turning")), answer.state
    assert "signal 9" not in serve.said
    with (
        stopped(worker_of(serve, devices["pan-a2"].port)),
        pytest.raises(DeviceError, match="emergency stop"),
    ):
        said_by(tmp_path, STOP, "pan-a2")
    serve.says('"run_ended"')
    assert not devices["pan-a1"].state()["energised"]
    assert serve.interrupt() == 0, serve.said


def test_a_line_that_a_worker_holds_is_nobody_elses_and_the_first_process_is_named(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    device = native_device(PORTS["pan-a1"])
    bench = bench_of(tmp_path, {"pan-a1": device.port, "pan-a2": "virtual:pan15?seed=7"})
    serve = processes.start("serve", str(bench))
    serve.says("run_open", 2)
    wait(lambda: worker_of(serve, device.port) > 0, lambda: serve.said)
    linktest = processes.start("linktest", device.port, "--seconds", "0.5")
    assert linktest.process.wait(LIMIT_S) == 3
    assert f"`nightturn serve` (process {serve.process.pid} on " in linktest.said
    second = processes.start("serve", str(bench))
    assert second.process.wait(LIMIT_S) == 4
    held: Holder = holder_of(tmp_path / "nights" / ROOT_LOCK)
    assert held.pid == serve.process.pid
    assert serve.interrupt() == 0


def test_two_names_of_one_device_are_refused_over_workers_too(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    """The rig file names two devices when it is read; then one of the names changes."""
    one, other = native_device(PORTS["pan-a1"]), native_device(PORTS["pan-a2"])
    name = tmp_path / "name.line"
    name.symlink_to(os.path.realpath(other.port))
    bench = bench_of(tmp_path, {"pan-a1": one.port, "pan-a2": str(name)})
    serve = processes.start("serve", str(bench))
    serve.says("run_open", 2)
    other.kill()
    serve.says("line_lost")
    name.unlink()
    name.symlink_to(os.path.realpath(one.port))
    serve.says("is the line of pan-a1 too; two names of one device cannot both be used")
    assert serve.interrupt() == 0
    assert open_run(tmp_path / "nights", "pan-a1").gaps().empty
