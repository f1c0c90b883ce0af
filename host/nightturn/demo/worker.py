"""One fixture of the demo in a process of its own: a station on a virtual loop, its rows sent to the parent.

Virtual time waits by itself when the parent is slow, because sending blocks.
"""

import asyncio
import contextlib
import datetime as dt
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path

import msgspec
import numpy as np

from nightturn.bench import runs
from nightturn.bench.locks import PortLocks
from nightturn.bench.logging import set_up_logging
from nightturn.bench.ports import port_for
from nightturn.bench.recovery import recover, start_anew
from nightturn.bench.runs import Pace
from nightturn.bench.station import Cadence, Station
from nightturn.bench.truth import write_truth
from nightturn.bench.virtual_loop import VirtualLoop
from nightturn.bench.virtual_port import VirtualPort
from nightturn.bench.worlds import virtual_world
from nightturn.demo.operator import look_when_parked, say_go
from nightturn.demo.scenario import CARDS
from nightturn.errors import NightturnError
from nightturn.model.records import Emit
from nightturn.model.rows import ALARM_OVER, CYCLES, EVENTS, GAPS, LIVE, RUN_ENDED, STATE, TREND
from nightturn.outlook.watch_outlook import watch_budget
from nightturn.settings.load import append_card, data_root, load_rig
from nightturn.settings.rig import FixtureSettings
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.journal import Journal
from nightturn.unit_history.asked import with_earlier
from nightturn.version import VERSION
from nightturn.world import World

CONTROL_S = 0.5
SYNC_S = 1200.0
LIVE_S = 10.0  # of virtual time: a reader sees the newest of some hundred of them a second
DURABLE_S_MAX = 3600.0
STATUS_MS = 1000
TILE_SAMPLES = 4000
STEP_S = 60.0
STOP_S = 120.0
SENT = frozenset({CYCLES, TREND, EVENTS, GAPS, RUN_ENDED, STATE, LIVE, ALARM_OVER})


class Opened(msgspec.Struct, frozen=True):
    """The fixture's run is open."""

    run: str
    info: dict[str, object]


class Progress(msgspec.Struct, frozen=True):
    """Rows since the last message, and the hour of the night."""

    hour: float
    rows: tuple[Emit, ...]


class Done(msgspec.Struct, frozen=True):
    """The fixture's night is over; `trouble` says why when it ended by an error."""

    samples: int = 0
    trouble: str = ""


Message = Opened | Progress | Done


@dataclass(frozen=True, slots=True)
class Order:
    """What a worker is to do."""

    bench: Path
    fixture: str
    hours: float
    seed: int
    start_utc_ns: int
    fixtures: int
    false_alarms_per_night: float


class Outbound:
    """A sink that collects rows for the parent."""

    def __init__(self) -> None:
        self._rows: list[Emit] = []

    def offer(self, _fixture: str, emit: Emit) -> None:
        """Keep a row that somebody watches."""
        if emit.dataset in SENT:
            self._rows.append(emit)

    def take(self) -> tuple[Emit, ...]:
        """The rows since the last call."""
        rows, self._rows = tuple(self._rows), []
        return rows


def work(order: Order, parent: Connection) -> None:
    """Entry point of the worker's process."""
    set_up_logging(errors_only=True)
    try:
        with asyncio.Runner(loop_factory=VirtualLoop) as runner:
            samples = runner.run(_night(order, parent))
    except NightturnError as error:
        parent.send(Done(trouble=f"{order.fixture}: {error}"))
        return
    parent.send(Done(samples))


async def _night(order: Order, parent: Connection) -> int:
    loop = asyncio.get_running_loop()
    assert isinstance(loop, VirtualLoop)
    rig = load_rig(order.bench)
    root = data_root(order.bench, rig)
    settings = next(each for each in rig.fixture if each.id == order.fixture)
    world = virtual_world(root, loop, order.start_utc_ns)
    outbound = Outbound()
    station, port, run = _station(order, settings, root, world, outbound, parent)
    card = CARDS[settings.id]
    person = [loop.create_task(say_go(station, card.operator, card.unit, port))]
    if settings.plan.park is not None:
        person.append(loop.create_task(look_when_parked(station, card.operator, card.unit)))
    while loop.time() < order.hours * 3600:
        await asyncio.sleep(min(STEP_S, order.hours * 3600 - loop.time() + 1e-6))
        parent.send(Progress(loop.time() / 3600, outbound.take()))
    for each in person:
        each.cancel()
    station.command("stop", "the demo's end")
    with contextlib.suppress(TimeoutError):  # the last shunt check, in virtual time
        await asyncio.wait_for(station.ended.wait(), STOP_S)
    await station.close()
    write_truth(root, station.fixture, run, port.device)
    parent.send(Progress(loop.time() / 3600, outbound.take()))
    return station.core.state.counts.samples


def _station(
    order: Order, settings: FixtureSettings, root: Path, world: World, outbound: Outbound, parent: Connection
) -> tuple[Station, VirtualPort, str]:
    mounted = dt.datetime.fromtimestamp(order.start_utc_ns // 1_000_000_000, tz=dt.UTC).isoformat()
    card = msgspec.structs.replace(CARDS[settings.id], mounted_utc=mounted)
    append_card(root, settings.id, card)
    journal = Journal(world.files, settings.id, world.clock, catalogue=Catalogue(root), host_version=VERSION)
    beginning = start_anew(
        world.files, settings.id, recover(world.files, journal, settings.id), world.clock.utc_ns()
    )
    rng = np.random.default_rng((order.seed, *settings.id.encode()))
    watch = watch_budget(settings, order.fixtures, order.false_alarms_per_night)
    pace = Pace(
        round(CONTROL_S * 1000), STATUS_MS, TILE_SAMPLES, DURABLE_S_MAX, watch_threshold=watch.threshold
    )
    opened = runs.opened(settings, card, order.bench.parent, root, world.clock, rng, beginning, pace)
    opened = with_earlier(root, opened)
    port = port_for(settings, world.clock, PortLocks("nightturn demo"), CONTROL_S)
    assert isinstance(port, VirtualPort)
    parent.send(Opened(opened.run, runs.info(settings, opened)))
    station = Station(settings.id, world, port, journal, [outbound], Cadence(CONTROL_S, SYNC_S, LIVE_S))
    station.start(opened)
    return station, port, opened.run
