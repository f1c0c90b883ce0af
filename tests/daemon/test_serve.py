"""The daemon as people run it, on the firmware as a process: real processes, ptys, signals and a real broker."""

import asyncio
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.daemon.processes import Processes, mount, say_go, write_bench
from tests.device.native import NativeDevices
from tests.telemetry.watching import Watcher, watching
from tests.waiting import wait

from nightturn.demo.broker import Broker, start_broker
from nightturn.storage.runs import list_runs, open_run
from nightturn.storage.verify import verify
from nightturn.telemetry.reading import OFFLINE, picture

PORTS = {"pan-a1": "a.line", "pan-a2": "b.line"}


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    started, why = start_broker(tmp_path / "broker")
    assert started is not None, why
    yield started
    started.stop()


def newest(watcher: Watcher, fixture: str) -> dict[str, object]:
    seen = watcher.on(f"/{fixture}/state")
    return seen[-1].values if seen else {}


def word_of(watcher: Watcher, fixture: str) -> str:
    """What a reader makes of a fixture, by the rule."""
    retained = {seen.topic: seen.payload for seen in watcher.seen if seen.topic.endswith("/state")}
    return picture(retained)[f"quillfen/{fixture}"].state


def test_the_daemon_survives_its_fixtures_and_its_fixtures_survive_the_daemon(
    tmp_path: Path, processes: Processes, broker: Broker, native_device: NativeDevices
) -> None:
    devices = {fixture: native_device(name) for fixture, name in PORTS.items()}
    bench = write_bench(tmp_path, {name: device.port for name, device in devices.items()}, mqtt=broker.url)
    for fixture in PORTS:
        mount(tmp_path, fixture)

    async def act() -> None:
        async with watching(broker.port) as watcher:
            serve = processes.start("serve", str(bench))
            for fixture in PORTS:
                await asyncio.to_thread(say_go, tmp_path, devices[fixture], fixture)
            await watcher.until(lambda: all(newest(watcher, f).get("state") == "turning" for f in PORTS))
            assert newest(watcher, "pan-a1")["permitted_by"] == "R. Vale"
            assert watcher.on("/info")
            devices["pan-a1"].kill()
            native_device(PORTS["pan-a1"])
            await watcher.until(lambda: newest(watcher, "pan-a1").get("epoch") == 1)
            await watcher.until(lambda: newest(watcher, "pan-a1").get("state") == "locked")
            assert "the device restarted" in str(newest(watcher, "pan-a1")["waits_for"])
            await watcher.until(lambda: bool(watcher.on("/pan-a2/m/cycle")))
            (cycle, *_) = watcher.on("/pan-a2/m/cycle")
            # A lease that lapsed on a busy machine is given again: this one goes on by itself.
            await watcher.until(lambda: word_of(watcher, "pan-a2") == "turning")
            serve.kill()
            await watcher.until(lambda: {word_of(watcher, fixture) for fixture in PORTS} == {OFFLINE})
            assert newest(watcher, "pan-a2")["state"] != OFFLINE  # nobody was there to say otherwise
            before = len(watcher.seen)
            again = processes.start("serve", str(bench))
            again.says("run_open", 2)
            await watcher.until(
                lambda: any(
                    seen.topic.endswith("/pan-a1/state") and seen.values.get("epoch") == 2
                    for seen in watcher.seen[before:]
                )
            )
            assert newest(watcher, "pan-a2")["daemon_boot"] != cycle.values["daemon_boot"]
            assert again.interrupt() == 0
            await watcher.until(lambda: {newest(watcher, f)["state"] for f in PORTS} == {OFFLINE})
            assert not watcher.on("/ev/run_ended")

    asyncio.run(act())
    assert sorted(run.fixture for run in list_runs(tmp_path / "nights")) == sorted(PORTS)  # both resumed
    report = verify(tmp_path / "nights", run="all")
    assert report.ok, [problem for run in report.runs for problem in run.problems]
    run = open_run(tmp_path / "nights", "pan-a1")
    assert sorted(run.samples(columns=["epoch"])["epoch"].unique()) == [0, 1, 2]
    # the device's; the host's too where its ring could not hold what came meanwhile
    assert list(run.gaps()["cause"]) in (["restart"], ["restart", "restart"])


def test_without_a_card_nothing_moves_and_one_line_says_so(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    device = native_device()
    bench = write_bench(tmp_path, {"pan-a1": device.port})
    serve = processes.start("serve", str(bench))
    serve.says("waiting_for_card")
    assert serve.said.count("no unit is mounted") == 1
    assert list_runs(tmp_path / "nights") == []
    assert not device.state()["session"]  # nobody has even spoken to it
    mount(tmp_path, "pan-a1")
    serve.says("run_open")
    assert serve.interrupt(signal.SIGINT) == 0
    (run,) = list_runs(tmp_path / "nights")
    assert run.fixture == "pan-a1"


def test_a_card_that_cannot_be_used_ends_no_other_fixtures_run(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    bench = write_bench(tmp_path, {fixture: native_device(name).port for fixture, name in PORTS.items()})
    mount(tmp_path, "pan-a1")
    mount(tmp_path, "pan-a2")
    (tmp_path / "nights" / "mounts" / "pan-a2.jsonl").write_text(
        '{"unit":"Q-1","variant":"no-such","operator":"R","mounted_utc":"2026-05-04T18:00:00Z"}\n'
    )
    serve = processes.start("serve", str(bench))
    serve.says("run_open")
    serve.says("run_not_opened")
    assert "no-such" in serve.said
    mount(tmp_path, "pan-a2")
    serve.says("run_open", 2)
    assert serve.interrupt() == 0
    assert {run.fixture for run in list_runs(tmp_path / "nights")} == {"pan-a1", "pan-a2"}


def test_another_unit_ends_the_run_at_the_next_standstill_and_begins_one(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    bench = write_bench(tmp_path, {"pan-a1": native_device().port})
    mount(tmp_path, "pan-a1")
    serve = processes.start("serve", str(bench))
    serve.says("run_open")
    mount(tmp_path, "pan-a1", unit="Q-0121")
    serve.says("run_ended")
    serve.says("run_open", 2)
    assert serve.interrupt() == 0
    runs = list_runs(tmp_path / "nights")
    assert len(runs) == 2
    assert verify(tmp_path / "nights", run="all").ok


def test_a_virtual_fixture_gives_its_link_back_and_serves_tcp(tmp_path: Path, processes: Processes) -> None:
    virtual = processes.start("virtual", "pan15?seed=1", "--link", "a.line")
    wait((tmp_path / "a.line").is_symlink, lambda: virtual.said)
    virtual.says("a.line")
    virtual.interrupt()
    assert not (tmp_path / "a.line").is_symlink()
    tcp = processes.start("virtual", "pan15?seed=1", "--tcp", "127.0.0.1:0")
    tcp.says("socket://127.0.0.1:")
    address = tcp.said.strip().splitlines()[-1]
    bench = write_bench(tmp_path, {"pan-a1": address})
    mount(tmp_path, "pan-a1")
    serve = processes.start("serve", str(bench))
    serve.says("run_open")
    wait(lambda: any((tmp_path / "nights" / "journal").rglob("*.ntj")), lambda: serve.said)
    segment = next((tmp_path / "nights" / "journal").rglob("*.ntj"))
    wait(lambda: segment.stat().st_size > 40_000, lambda: serve.said)  # it streams
    assert serve.interrupt() == 0
    assert "Traceback" not in serve.said


def test_a_plan_that_check_refuses_is_not_served_either(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    bench = write_bench(tmp_path, {"pan-a1": native_device().port})
    mount(tmp_path, "pan-a1")
    serve = processes.start("serve", str(bench), "--set", "fixture.pan-a1.plan.slow_turn.revolutions=20")
    serve.says("run_not_opened")
    assert "range_deg: [-2400, 2400] is exceeded by" in serve.said
    assert serve.interrupt() == 0
    assert list_runs(tmp_path / "nights") == []
