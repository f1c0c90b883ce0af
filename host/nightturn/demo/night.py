"""The night in virtual time: fixtures on a virtual loop, MQTT on a real one in a second thread."""

import asyncio
import datetime as dt
import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np

from nightturn.bench import runs
from nightturn.bench.ports import port_for
from nightturn.bench.recovery import recover
from nightturn.bench.runs import Pace
from nightturn.bench.sinks import Tally
from nightturn.bench.station import Cadence, Sink, Station
from nightturn.bench.truth import write_truth
from nightturn.bench.virtual_loop import VirtualLoop
from nightturn.bench.virtual_port import VirtualPort
from nightturn.bench.worlds import virtual_world
from nightturn.demo.scenario import CARDS
from nightturn.settings.load import append_card, data_root, load_rig
from nightturn.settings.rig import FixtureSettings, MqttPart, Rig
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.journal import Journal
from nightturn.telemetry.broker import start_broker
from nightturn.telemetry.publisher import Publisher
from nightturn.telemetry.thread import PublisherThread
from nightturn.version import VERSION
from nightturn.world import World

CONTROL_S = 0.5
SYNC_S = 1200.0
DURABLE_S_MAX = 3600.0
TILE_SAMPLES = 2000
HANDOVER_MAX = 2000
HANDOVER_WAIT_S = 5.0
DRAIN_S = 5.0
STEP_S = 60.0

OnProgress = Callable[[float, Tally], None]


@dataclass(frozen=True, slots=True)
class Night:
    """What a demo night left behind."""

    rig: Rig
    root: Path
    tally: Tally
    run_ids: dict[str, str]
    broker: str
    published: int
    real_s: float
    samples: int


def run_night(bench: Path, hours: float, seed: int, on_progress: OnProgress) -> Night:
    """Run the fixtures of a rig file through `hours` of virtual time.

    Raises:
        NightturnError: the rig cannot be used or the folder not written.
    """
    started_s = time.monotonic()
    rig = load_rig(bench)
    root = data_root(bench, rig)
    root.mkdir(parents=True, exist_ok=True)
    start_utc_ns = time.time_ns() - round(hours * 3600e9)
    tally = Tally()
    broker, broker_line = start_broker(bench.parent / "broker")
    publisher = _publisher(rig, broker.url, start_utc_ns) if broker is not None else None
    try:
        if publisher is not None:
            publisher.start()
        with asyncio.Runner(loop_factory=VirtualLoop) as runner:
            run_ids = runner.run(_fixtures(bench, rig, root, start_utc_ns, hours, seed, tally, publisher, on_progress))
    finally:
        if publisher is not None:
            publisher.stop(drain_s=DRAIN_S)
            publisher.join(DRAIN_S * 2)
        if broker is not None:
            broker.stop()
    samples = sum(state.samples for state in tally.states.values())
    published = publisher.counters.published if publisher is not None else 0
    return Night(rig, root, tally, run_ids, broker_line, published, time.monotonic() - started_s, samples)


def _publisher(rig: Rig, url: str, utc_ns: int) -> PublisherThread:
    part = MqttPart(url=url)
    publisher = Publisher(
        part,
        lab=rig.bench.lab,
        host=runs.host_name(),
        daemon_boot=os.urandom(4).hex(),
        utc_ns=lambda: utc_ns,
        version=VERSION,
    )
    return PublisherThread(publisher)


async def _fixtures(
    bench: Path,
    rig: Rig,
    root: Path,
    start_utc_ns: int,
    hours: float,
    seed: int,
    tally: Tally,
    publisher: PublisherThread | None,
    on_progress: OnProgress,
) -> dict[str, str]:
    loop = asyncio.get_running_loop()
    assert isinstance(loop, VirtualLoop)
    world = virtual_world(root, loop, start_utc_ns)
    sinks: list[Sink] = [tally, *([publisher] if publisher is not None else [])]
    rng = np.random.default_rng(seed)
    stations: list[Station] = []
    ports: list[VirtualPort] = []
    run_ids: dict[str, str] = {}
    for number, settings in enumerate(rig.fixture):
        await asyncio.sleep(number * CONTROL_S / len(rig.fixture))  # staggered, so that cycles do not end together
        station, port, run = _station(settings, bench, root, world, sinks, rng, start_utc_ns, publisher)
        stations.append(station)
        ports.append(port)
        run_ids[settings.id] = run
    while loop.time() < hours * 3600:
        await asyncio.sleep(min(STEP_S, hours * 3600 - loop.time() + 1e-6))
        on_progress(loop.time() / 3600, tally)
        if publisher is not None:
            publisher.wait_below(HANDOVER_MAX, HANDOVER_WAIT_S)
    for station, port in zip(stations, ports, strict=True):
        station.command("stop", "the demo's end")
        await station.close()
        write_truth(root, station.fixture, run_ids[station.fixture], port.device)
    return run_ids


def _station(
    settings: FixtureSettings,
    bench: Path,
    root: Path,
    world: World,
    sinks: list[Sink],
    rng: np.random.Generator,
    start_utc_ns: int,
    publisher: PublisherThread | None,
) -> tuple[Station, VirtualPort, str]:
    mounted = dt.datetime.fromtimestamp(start_utc_ns // 1_000_000_000, tz=dt.UTC).isoformat()
    card = msgspec.structs.replace(CARDS[settings.id], mounted_utc=mounted)
    append_card(root, settings.id, card)
    journal = Journal(
        world.files, settings.id, world.clock, catalogue=Catalogue(root), host_version=VERSION
    )
    beginning = recover(world.files, journal, settings.id).beginning
    if beginning.run:
        beginning = runs.Beginning(first_record_no=beginning.first_record_no)
    pace = Pace(round(CONTROL_S * 1000), TILE_SAMPLES, DURABLE_S_MAX)
    opened = runs.opened(settings, card, bench.parent, root, world.clock, rng, beginning, pace)
    port = port_for(settings, world.clock, CONTROL_S)
    assert isinstance(port, VirtualPort)
    if publisher is not None:
        publisher.announce(settings.id, runs.info(settings, opened))
    station = Station(settings.id, world, port, journal, sinks, Cadence(CONTROL_S, SYNC_S))
    station.start(opened)
    return station, port, opened.run
