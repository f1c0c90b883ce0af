"""How many fixtures one host carries live: real stations on ptys, with tape, Parquet, figures and MQTT.

    python tests/benchmarks/live_load.py [--fixtures 16] [--rate 10000] [--seconds 60] [--json]

The devices are virtual fixtures in a process of their own. Prints CPU share and memory of the host process, samples
stored and lost, and the time from a cycle's last block to its MQTT message, each with its bound beside it. Everything
stays on loopback. A command, not a test.
"""

import argparse
import asyncio
import contextlib
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from nightturn.bench import runs
from nightturn.bench.locks import PortLocks
from nightturn.bench.logging import set_up_logging
from nightturn.bench.ports import port_for
from nightturn.bench.runs import Beginning, Pace
from nightturn.bench.sinks import Tally
from nightturn.bench.station import Cadence, Station
from nightturn.bench.telling import Sink
from nightturn.bench.worlds import real_world, shut_down
from nightturn.daemon.virtual_server import serve_pty
from nightturn.demo.broker import start_broker
from nightturn.model.cards import MountCard
from nightturn.settings.load import load_rig
from nightturn.settings.rig import MqttPart
from nightturn.storage.journal import Journal
from nightturn.telemetry.publisher import Publisher
from nightturn.version import VERSION
from nightturn.world import World

HEAD = 'schema = 1\n[bench]\nlab = "quillfen"\ndata = "nights"\n'
FIXTURE = """
[[fixture]]
id = "load-{number}"
port = "{port}"
rate_hz = {rate}
chunk_s = 30
[fixture.transducer]
serial = "TR-{number}"
factor_nm_per_v = 4.0
[fixture.encoder]
counts_per_rev = 1048576
reference = "absolute"
[fixture.travel]
range_deg = [-3600, 3600]
[fixture.plan]
slow_turn = {{ revolutions = 1, speed_rpm = 30.0 }}
hold = {{ torque_nm = 5.0, revolutions = 1, speed_rpm = 30.0 }}
exercise = {{ strokes = 2, angle_deg = 90, speed_rpm = 60 }}
"""
VARIANT = "schema = 1\nrated_torque_nm = 15.0\npole_pairs = 16\nslots = 36\n"
OPEN_S = 3.0


async def serve_all(folder: Path, count: int) -> None:
    """The child: every virtual fixture on one loop."""
    tasks = [
        serve_pty(f"pan15?seed={number}", folder / f"line-{number}", lambda _name: None)
        for number in range(count)
    ]
    await asyncio.gather(*tasks)


async def run_host(folder: Path, count: int, seconds: float) -> dict[str, float]:
    """The host: stations for `seconds`, then figures of merit."""
    root = folder / "nights"
    root.mkdir()
    world = real_world(root)
    broker, _ = start_broker(folder / "broker")
    assert broker is not None, "this benchmark needs mosquitto or amqtt"
    part = MqttPart(url=broker.url, protocol=broker.protocol)
    publisher = Publisher(
        part,
        lab="quillfen",
        host="load",
        bench="load",
        daemon_boot="load",
        utc_ns=world.clock.utc_ns,
        version=VERSION,
    )
    publishing = asyncio.create_task(publisher.run())
    tally = Tally()
    stations = await start_stations(folder, root, world, [tally, publisher])
    await asyncio.sleep(OPEN_S)
    cpu_s, begin_s = time.process_time(), time.monotonic()
    lag_s = await _lag(seconds)
    share = (time.process_time() - cpu_s) / (time.monotonic() - begin_s)
    outcome = figures_of_merit(stations, tally, publisher) | {
        "fixtures": count,
        "cpu_share_pct": 100 * share,
        "loop_lag_p99_ms": 1000 * lag_s,
    }
    for station in stations:
        station.command("stop", "benchmark")
        await station.close()
    publisher.stop(drain_s=2.0)
    await publishing
    broker.stop()
    shut_down(world)
    return outcome


async def start_stations(folder: Path, root: Path, world: World, sinks: Sequence[Sink]) -> list[Station]:
    """A station per fixture of the rig, staggered over one control period."""
    rig, rng = load_rig(folder / "bench.toml"), np.random.default_rng(1)
    card = MountCard(
        travel_zero_confirmed=True,
        unit="Q-0001",
        variant="pan15",
        operator="bench",
        mounted_utc="2026-01-01T00:00:00Z",
    )
    stations = []
    for settings in rig.fixture:
        journal = Journal(world.files, settings.id, world.clock)
        opened = runs.opened(settings, card, folder, root, world.clock, rng, Beginning(1), Pace())
        port = port_for(settings, world.clock, PortLocks("load"))
        station = Station(settings.id, world, port, journal, sinks, Cadence())
        station.start(opened)
        stations.append(station)
        await asyncio.sleep(0.1 / len(rig.fixture))
    return stations


def figures_of_merit(stations: Sequence[Station], tally: Tally, publisher: Publisher) -> dict[str, float]:
    """What was stored, lost and published, and the memory it took."""
    counts = [station.core.state.counts for station in stations]
    return {
        "rss_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        "samples": sum(each.samples for each in counts),
        "samples_lost": sum(each.missing for each in counts),
        "gaps": sum(each.gaps for each in counts),
        "cycles": sum(len(rows) for rows in tally.cycles.values()),
        "messages": publisher.counters.published,
        "dropped": publisher.counters.dropped,
    }


async def _lag(seconds: float) -> float:
    """The 99th percentile of how late the loop wakes."""
    late, end_s = [], time.monotonic() + seconds
    while time.monotonic() < end_s:
        due_s = time.monotonic() + 0.02
        await asyncio.sleep(0.02)
        late.append(time.monotonic() - due_s)
    return float(np.percentile(late, 99))


def main() -> None:
    """Parse, run, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fixtures", type=int, default=16)
    parser.add_argument("--rate", type=int, default=10_000)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--serve", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    set_up_logging(errors_only=True)
    if given.serve is not None:
        with contextlib.suppress(KeyboardInterrupt):
            asyncio.run(serve_all(given.serve, given.fixtures))
        return
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "variants").mkdir()
        (folder / "variants" / "pan15.toml").write_text(VARIANT)
        parts = [
            FIXTURE.format(number=number, port=folder / f"line-{number}", rate=given.rate)
            for number in range(given.fixtures)
        ]
        (folder / "bench.toml").write_text(HEAD + "".join(parts))
        command = [sys.executable, __file__, "--serve", str(folder), "--fixtures", str(given.fixtures)]
        child = subprocess.Popen(command, env={**os.environ, "OPENBLAS_NUM_THREADS": "1"})
        try:
            lines = [folder / f"line-{number}" for number in range(given.fixtures)]
            while not all(line.exists() for line in lines):
                assert child.poll() is None, "the fixtures ended before their lines were there"
                time.sleep(0.1)
            outcome = asyncio.run(run_host(folder, given.fixtures, given.seconds))
        finally:
            child.terminate()
            child.wait()
    report(outcome, as_json=given.json)


def report(outcome: dict[str, float], *, as_json: bool) -> None:
    """Table or JSON, bounds beside."""
    bounds = {"samples_lost": "0", "cpu_share_pct": "< 100", "rss_mb": "< 400", "dropped": "0"}
    if as_json:
        print(json.dumps({"outcome": outcome, "bounds": bounds}))
        return
    for name, value in outcome.items():
        print(f"{name:18} {value:14.1f}   {bounds.get(name, '')}")


if __name__ == "__main__":
    main()
