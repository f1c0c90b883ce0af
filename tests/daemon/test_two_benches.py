"""Two benches of one lab on one host and one broker: each is its own client, and both are seen."""

import asyncio
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.daemon.processes import Processes, mount, write_bench
from tests.daemon.test_one_owner import streams
from tests.device.native import NativeDevices
from tests.telemetry.watching import Watcher, watching

from nightturn.demo.broker import Broker, start_broker

BENCHES = {"cellar": "pan-a1", "attic": "pan-b1"}


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    started, why = start_broker(tmp_path)
    assert started is not None, why
    yield started
    started.stop()


def hosts(watcher: Watcher) -> dict[str, list[str]]:
    """What each daemon has said of itself, by its host's name."""
    found: dict[str, list[str]] = {}
    for seen in watcher.seen:
        if "/host/" in seen.topic and seen.topic.endswith("/state"):
            found.setdefault(seen.topic.split("/")[4], []).append(str(seen.values["state"]))
    return found


def test_two_daemons_of_one_lab_keep_their_connections_and_both_are_seen(
    tmp_path: Path, processes: Processes, native_device: NativeDevices, broker: Broker
) -> None:
    for name, fixture in BENCHES.items():
        (tmp_path / name).mkdir()
        write_bench(tmp_path / name, {fixture: native_device(f"{name}.line").port}, mqtt=broker.url)
        mount(tmp_path / name, fixture)

    async def act() -> None:
        async with watching(broker.port) as watcher:
            daemons = [processes.start("serve", "bench.toml", folder=tmp_path / name) for name in BENCHES]
            for fixture in BENCHES.values():
                await watcher.until(lambda fixture=fixture: bool(watcher.on(f"/{fixture}/state")))  # type: ignore[misc]  # bound now
            for name in BENCHES:  # seconds: two clients of one name throw each other out several times in one
                await asyncio.to_thread(streams, tmp_path / name / "nights")
            assert sorted(hosts(watcher).values()) == [["online"], ["online"]]
            for daemon in daemons:
                assert daemon.interrupt() == 0
            await watcher.until(lambda: sorted(hosts(watcher).values()) == [["online", "offline"]] * 2)

    asyncio.run(act())
    said = (tmp_path / "mosquitto.log").read_text(encoding="utf-8")
    assert "already connected" not in said
    clients = re.findall(r"New client connected from \S+ as (nightturn-\S+)", said)
    assert len(clients) == len(set(clients)) == len(BENCHES)
