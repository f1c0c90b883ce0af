"""Four fixtures of one data root through days of virtual time: cuts, seals, cycles, lines that go away, a broker that does too."""

import asyncio
import gc
import os
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from pathlib import Path

import msgspec
import numpy as np
from tests.simulation.scene import CARD, FAST, START_UTC_NS, VARIANT, run

from nightturn.acquisition.reassembly import WAITING_MAX as BLOCKS_MAX
from nightturn.bench import runs
from nightturn.bench.recovery import recover
from nightturn.bench.runs import Pace
from nightturn.bench.safekeeping import SEALS_MAX
from nightturn.bench.shell import KEPT_MAX
from nightturn.bench.station import FACTS_MAX, Cadence, Station
from nightturn.bench.telling import Sink
from nightturn.bench.virtual_loop import VirtualLoop
from nightturn.bench.virtual_port import VirtualPort
from nightturn.bench.worlds import virtual_world
from nightturn.demo.operator import say_go
from nightturn.fixture.owners.epoch import MARKS_MAX
from nightturn.fixture.owners.finishing import WAITING_MAX as FIGURES_MAX
from nightturn.fixture.work import SKIPS_MAX
from nightturn.model.figures import CycleRecord
from nightturn.model.records import Emit
from nightturn.model.rows import GapRow
from nightturn.motion.permission import MotionState
from nightturn.settings.load import append_card
from nightturn.settings.rig import CyclePlan, Exercise, FixtureSettings, Hold, MqttPart, SlowTurn
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.files import APPEND_DESCRIPTORS_MAX
from nightturn.storage.journal import Journal
from nightturn.telemetry.client import IN_FLIGHT
from nightturn.telemetry.message import Message
from nightturn.telemetry.publisher import QUEUE_MAX, Publisher
from nightturn.timebase.line import MAX_KNOTS
from nightturn.virtual.catalogue import from_spec
from nightturn.world import World

HOUR_S = 3600.0
PAGE_BYTES = os.sysconf("SC_PAGE_SIZE")
CONTROL_S, SYNC_S = 0.5, 20.0
LOOK_S = 60.0
PLAN = CyclePlan(
    slow_turn=SlowTurn(revolutions=1, speed_rpm=12.0),
    hold=Hold(torque_nm=5.0, revolutions=1, speed_rpm=12.0),
    exercise=Exercise(strokes=2, angle_deg=180.0, speed_rpm=12.0),
    dwell_s=60.0,
    cycles=10_000,
)
"""Mostly rest, so that days are cheap: a cycle takes some eight minutes."""


@dataclass(frozen=True)
class Stay:
    """How long the bench is watched, and what goes away meanwhile; virtual time since the start.

    Attributes:
        readings: how often the process is looked at, at the end of each `every_s`.
        line: outages of each fixture's line, as a virtual fixture's spec says them.
        broker_s: outages of the broker, from and to.
    """

    readings: int
    every_s: float
    line: str
    broker_s: tuple[tuple[float, float], ...]
    chunk_s: float
    fixtures: int


TWO_DAYS = Stay(
    readings=48,
    every_s=HOUR_S,
    line=",".join(f"outage@{hour}h7m+40s" for hour in range(1, 48, 3)),
    broker_s=((10 * HOUR_S, 14 * HOUR_S), (30 * HOUR_S, 38 * HOUR_S)),
    chunk_s=900.0,
    fixtures=4,
)
SHORT = Stay(
    readings=8,
    every_s=240.0,
    line="outage@8m+40s,outage@18m+40s",
    broker_s=((600.0, 1020.0),),
    chunk_s=240.0,
    fixtures=2,
)


@dataclass
class Broker:
    """What `telemetry.client.Connection` is to a publisher, in virtual time, with outages by the clock."""

    outages_s: tuple[tuple[float, float], ...]
    connects: int = 0
    connected: bool = False
    expiry: bool = True
    taken: int = 0
    _stopped: bool = False

    def stop(self) -> None:
        """End when nothing is left to serve."""
        self._stopped = True

    def delivered(self) -> None:
        """Nothing waits longer for trouble here."""

    def up(self) -> bool:
        """Whether it is there now."""
        now_s = asyncio.get_running_loop().time()
        return not any(begin_s <= now_s < end_s for begin_s, end_s in self.outages_s)

    async def run(self, serve: Callable[[Callable[[Message], Awaitable[None]]], Awaitable[None]]) -> None:
        """Serve whenever it is up."""
        while not self._stopped:
            if self.up():
                self.connects, self.connected = self.connects + 1, True
                serving = asyncio.ensure_future(serve(self._publish))
                while self.up():
                    await asyncio.wait({serving}, timeout=LOOK_S)
                    if serving.done():
                        self.connected = False
                        return serving.result()
                self.connected = False
                serving.cancel()
                await asyncio.gather(serving, return_exceptions=True)
            await asyncio.sleep(5.0)
        return None

    async def _publish(self, _message: Message) -> None:
        await asyncio.sleep(0.001)
        self.taken += 1


@dataclass
class Counts:
    """A sink that keeps numbers only: what it is told must not look like a leak."""

    cycles: int = 0
    gaps: int = 0
    rows: int = 0

    def offer(self, _fixture: str, emit: Emit) -> None:
        """Count one row."""
        self.rows += 1
        self.cycles += isinstance(emit.row, CycleRecord)
        self.gaps += isinstance(emit.row, GapRow)


@dataclass(frozen=True)
class Reading:
    """What the process holds at one moment, after a full collection."""

    no: int
    rss_bytes: int
    objects: int
    descriptors: int
    cycles: int


@dataclass
class Days:
    """The bench, and what was seen of it; `beyond` are sentences on buffers that were larger than their limit."""

    root: Path
    world: World
    publisher: Publisher
    broker: Broker
    stations: list[Station] = field(default_factory=list)
    ports: list[VirtualPort] = field(default_factory=list)
    counts: Counts = field(default_factory=Counts)
    readings: list[Reading] = field(default_factory=list)
    beyond: list[str] = field(default_factory=list)
    goes: int = 0
    backlog_most: int = 0

    def look(self) -> None:
        """Hold every buffer against its limit."""
        for station in self.stations:
            state, shell, keeping = station.core.state, station._shell, station._keeping
            link, timebase = state.device.link, state.epoch.timebase
            held = {
                "facts": (len(shell.facts), FACTS_MAX),
                "records kept past an outage of the tape": (len(shell.kept), KEPT_MAX),
                "segments to seal": (keeping._sealing + len(keeping._unsealed), SEALS_MAX),
                "cycles that wait for figures": (len(state.finishing.waiting), FIGURES_MAX),
                "blocks left out": (len(state.chunk.skip), SKIPS_MAX),
                "blocks that wait": (len(link.lane.waiting) if link is not None else 0, BLOCKS_MAX),
                "knots": (len(timebase.line.knots) if timebase is not None else 0, MAX_KNOTS),
                "marks of the epoch": (len(state.epoch.marks), MARKS_MAX),
            }
            self.beyond += [
                f"{station.fixture}: {name}: {count}" for name, (count, most) in held.items() if count > most
            ]
        files = self.world.files
        appending = len(files._appending)  # type: ignore[attr-defined]  # the real files
        if appending > APPEND_DESCRIPTORS_MAX:
            self.beyond.append(f"descriptors for appending: {appending}")
        outbox = self.publisher._outbox
        self.backlog_most = max(self.backlog_most, outbox.backlog)
        if len(outbox._queue) > QUEUE_MAX or len(outbox._in_flight) > IN_FLIGHT:
            self.beyond.append(
                f"messages: {len(outbox._queue)} wait, {len(outbox._in_flight)} are on their way"
            )

    def read(self, no: int) -> None:
        """What the process holds now."""
        gc.collect()
        resident = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1]) * PAGE_BYTES
        descriptors = len(list(Path("/proc/self/fd").iterdir()))
        self.readings.append(Reading(no, resident, len(gc.get_objects()), descriptors, self.counts.cycles))

    def go_where_it_waits(self) -> None:
        """The person at the bench: whatever waits for a go gets one."""
        for station in self.stations:
            state = station.core.state
            waits = state.motion.permission.state in {MotionState.LOCKED, MotionState.PAUSED}
            if waits and state.device.streams:
                station.command("go", CARD.operator, CARD.unit)
                station.sync_now()
                self.goes += 1


def settings_of(number: int, stay: Stay) -> FixtureSettings:
    """A fixture of the bench: slow, and its line goes away now and then."""
    return msgspec.structs.replace(
        FAST,
        id=f"pan-a{number}",
        port=f"virtual:pan15?seed={number}&fault={stay.line}",
        rate_hz=100,
        samples_per_block=10,
        chunk_s=stay.chunk_s,
        after_restart="resume",
        plan=PLAN,
    )


def _begun(days: Days, number: int, stay: Stay) -> None:
    """A station as the daemon begins one, with a phase for its cuts."""
    settings, world = settings_of(number, stay), days.world
    append_card(days.root, settings.id, CARD)
    rng = np.random.default_rng(number)
    device = from_spec(settings.port.removeprefix("virtual:")).build(world.clock.monotonic_ns())
    port = VirtualPort(settings.port, device, world.clock, rng, CONTROL_S)
    journal = Journal(world.files, settings.id, world.clock, catalogue=Catalogue(days.root))
    beginning = recover(world.files, journal, settings.id).beginning
    pace = Pace(
        round(CONTROL_S * 1000),
        1000,
        tile_samples=100,
        durable_s_max=3 * SYNC_S,
        cut_phase=number / stay.fixtures,
    )
    opened = runs.opened(settings, CARD, days.root, days.root, world.clock, rng, beginning, pace)
    sinks: list[Sink] = [days.counts, days.publisher]
    station = Station(settings.id, world, port, journal, sinks, Cadence(CONTROL_S, SYNC_S, live_s=10.0))
    days.publisher.announce(settings.id, runs.info(settings, opened))
    station.start(opened)
    days.stations.append(station)
    days.ports.append(port)


def days_of(root: Path, stay: Stay) -> Days:
    """The bench for so long; what the process held is read at the end of each stretch."""
    kept: list[Days] = []

    async def act() -> None:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, VirtualLoop)
        (root / "variants").mkdir(parents=True)
        (root / "variants" / "pan15.toml").write_text(VARIANT)
        world = virtual_world(root, loop, START_UTC_NS)
        broker = Broker(stay.broker_s)
        publisher = Publisher(
            MqttPart(url="mqtt://127.0.0.1:1"),
            lab="quillfen",
            host="days",
            bench="days",
            daemon_boot="days",
            utc_ns=world.clock.utc_ns,
            version="0",
        )
        publisher._connection = broker  # type: ignore[assignment]  # a connection in virtual time
        days = Days(root, world, publisher, broker)
        kept.append(days)
        publishing = loop.create_task(publisher.run())
        for number in range(stay.fixtures):
            _begun(days, number, stay)
        await asyncio.gather(
            *(
                say_go(station, CARD.operator, CARD.unit, port)
                for station, port in zip(days.stations, days.ports, strict=True)
            )
        )
        for no in range(1, stay.readings + 1):
            while loop.time() < no * stay.every_s:
                await asyncio.sleep(LOOK_S)
                days.look()
                days.go_where_it_waits()
            days.read(no)
        for station in days.stations:
            await station.close()
        publisher.stop(drain_s=10.0)
        await publishing

    run(act)
    return kept[0]
