"""The night in virtual time: a process per fixture; here, in real time, rows become MQTT messages and a tally."""

import multiprocessing
import os
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from multiprocessing.connection import Connection, wait
from pathlib import Path

from nightturn.bench import runs
from nightturn.bench.locks import own_root
from nightturn.bench.sinks import Tally
from nightturn.demo.alarms import NightAlarms
from nightturn.demo.broker import Broker, start_broker
from nightturn.demo.worker import Done, Message, Opened, Order, Progress, work
from nightturn.errors import NightturnError
from nightturn.settings.load import data_root, load_rig
from nightturn.settings.rig import MqttPart, Rig
from nightturn.storage.catalogue import Catalogue
from nightturn.telemetry.publisher import Publisher
from nightturn.telemetry.thread import PublisherThread
from nightturn.version import VERSION

HANDOVER_MAX = 2000
HANDOVER_WAIT_S = 5.0
CONNECT_S = 5.0
DRAIN_S = 10.0

OnProgress = Callable[[float, Tally], None]


@dataclass(frozen=True, slots=True)
class Night:
    """What a demo night left behind."""

    rig: Rig
    bench: Path
    root: Path
    tally: Tally
    run_ids: dict[str, str]
    broker: str
    published: int
    real_s: float
    samples: int


@dataclass(slots=True)
class Watched:
    """What the parent knows of its workers: how far each is, hours behind the night's begin, and what became of it."""

    hours: dict[str, float]
    start_utc_ns: int
    run_ids: dict[str, str] = field(default_factory=dict)
    samples: int = 0
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class Listeners:
    """Who hears of the fixtures."""

    tally: Tally
    publisher: PublisherThread | None
    alarms: NightAlarms


def run_night(bench: Path, hours: float, seed: int, on_progress: OnProgress) -> Night:
    """Run the fixtures of a rig file through `hours` of virtual time.

    Raises:
        NightturnError: the rig cannot be used, the folder not written, or a fixture's night broke off.
    """
    started_s = time.monotonic()
    rig = load_rig(bench)
    root = data_root(bench, rig)
    owned = own_root(root, "nightturn demo")
    try:
        return _in_root(bench, rig, root, hours, seed, on_progress, started_s)
    finally:
        owned.release()


def _in_root(
    bench: Path, rig: Rig, root: Path, hours: float, seed: int, on_progress: OnProgress, started_s: float
) -> Night:
    Catalogue(root)  # made once, before three processes want it
    tally = Tally()
    broker, broker_line = start_broker(bench.parent / "broker")
    boot = os.urandom(4).hex()
    publisher = _publisher(rig, root, broker, boot) if broker is not None else None
    watched = Watched({settings.id: 0.0 for settings in rig.fixture}, time.time_ns() - round(hours * 3600e9))
    alarms = NightAlarms(root, watched.start_utc_ns, list(watched.hours), boot, publisher)
    try:
        if publisher is not None:
            publisher.start()
            publisher.wait_connected(CONNECT_S)
        _fixtures(bench, rig, hours, seed, watched, Listeners(tally, publisher, alarms), on_progress)
    finally:
        alarms.close()
        if publisher is not None:
            publisher.stop(drain_s=DRAIN_S)
            publisher.join(DRAIN_S * 2)
        if broker is not None:
            broker.stop()
    if watched.trouble:
        raise NightturnError(watched.trouble)
    published = publisher.counters.published if publisher is not None else 0
    real_s = time.monotonic() - started_s
    return Night(rig, bench, root, tally, watched.run_ids, broker_line, published, real_s, watched.samples)


def _publisher(rig: Rig, root: Path, broker: Broker, boot: str) -> PublisherThread:
    publisher = Publisher(
        MqttPart(url=broker.url, protocol=broker.protocol),
        lab=rig.bench.lab,
        host=runs.host_id(root),
        bench=runs.bench_word(root),
        daemon_boot=boot,
        utc_ns=time.time_ns,
        version=VERSION,
    )
    return PublisherThread(publisher)


def _fixtures(
    bench: Path,
    rig: Rig,
    hours: float,
    seed: int,
    watched: Watched,
    listeners: Listeners,
    on_progress: OnProgress,
) -> None:
    """Start a process per fixture and take what they send until all are done."""
    context = multiprocessing.get_context("spawn")
    lines: dict[Connection, str] = {}
    workers = []
    for fixture in watched.hours:
        here, there = context.Pipe(duplex=False)
        order = Order(
            bench,
            fixture,
            hours,
            seed,
            watched.start_utc_ns,
            len(rig.fixture),
            rig.bench.false_alarms_per_night,
        )
        worker = context.Process(target=work, args=(order, there), name=f"nightturn-{fixture}", daemon=True)
        worker.start()
        there.close()
        lines[here] = fixture
        workers.append(worker)
    try:
        while lines:
            for line in wait(list(lines)):
                assert isinstance(line, Connection)
                if not _take(line, lines[line], watched, listeners):
                    del lines[line]
            so_far = min(watched.hours.values())
            listeners.alarms.until(so_far)
            on_progress(so_far, listeners.tally)
            if listeners.publisher is not None:
                listeners.publisher.wait_below(HANDOVER_MAX, HANDOVER_WAIT_S)
    finally:
        for worker in workers:
            if lines:
                worker.terminate()
            worker.join()


def _take(line: Connection, fixture: str, watched: Watched, listeners: Listeners) -> bool:
    """One message of a worker; False when it was its last."""
    try:
        message: Message = line.recv()
    except EOFError:
        message = Done(trouble=f"{fixture}: the fixture's process ended without a word")
    if isinstance(message, Opened):
        watched.run_ids[fixture] = message.run
        listeners.alarms.announce(fixture, message.info)
        if listeners.publisher is not None:
            listeners.publisher.announce(fixture, message.info)
    elif isinstance(message, Progress):
        watched.hours[fixture] = message.hour
        for emit in message.rows:
            listeners.tally.offer(fixture, emit)
            listeners.alarms.offer(fixture, emit)
            if listeners.publisher is not None:
                listeners.publisher.offer(fixture, emit)
    else:
        watched.samples += message.samples
        watched.trouble = watched.trouble or message.trouble
        return False
    return True
