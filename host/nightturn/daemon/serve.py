"""The night: one watch per fixture that opens runs when a unit is mounted, and keeps them going."""

import asyncio
import contextlib
import os
import sqlite3
from collections.abc import Sequence
from contextlib import ExitStack, nullcontext
from pathlib import Path

import msgspec
import numpy as np
import structlog

from nightturn.bench import runs
from nightturn.bench.cards import card_in_force
from nightturn.bench.locks import PortLocks, own_root, us
from nightturn.bench.logging import set_up_logging
from nightturn.bench.ports import port_for
from nightturn.bench.recovery import Recovered, recover
from nightturn.bench.runs import Beginning, Pace
from nightturn.bench.station import Cadence, Station
from nightturn.bench.take_up import Start, take_up
from nightturn.bench.telling import Sink
from nightturn.bench.worlds import real_world, shut_down
from nightturn.daemon import newer_card
from nightturn.daemon.control import Control
from nightturn.daemon.control_socket import ControlSocket, socket_path
from nightturn.daemon.leaving import Leaving, unkept_of
from nightturn.daemon.old_files import clear_old
from nightturn.daemon.planned import cycle_s_of
from nightturn.daemon.publishing import publish, publisher_of
from nightturn.daemon.spoken import Spoken, say_stored
from nightturn.daemon.standing import Standing
from nightturn.daemon.terminal import Terminal, on_terminal
from nightturn.daemon.wiring import say_unwired
from nightturn.errors import CalibrationError, ConfigError, DeviceError, NightturnError, StorageError, fault
from nightturn.estimation.figures import FIGURES
from nightturn.model.cards import MountCard
from nightturn.model.facts import Command, RunOpened
from nightturn.model.verdicts import REJECT
from nightturn.settings.load import data_root, load_rig
from nightturn.settings.rig import FixtureSettings, Retention, Rig
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.child_sealer import ChildSealer
from nightturn.storage.journal import Journal
from nightturn.storage.sealer import Sealer
from nightturn.telemetry.publisher import Publisher
from nightturn.version import VERSION
from nightturn.world import World

COMMAND = "nightturn serve"
CARD_POLL_S = 2.0
DRAIN_S = 3.0
GOODBYE_S = 5.0
RETRY_S = 10.0
TILES_PER_S = 10  # protective limits act on a tile

log: structlog.stdlib.BoundLogger = structlog.get_logger()


class FixtureWatch:
    """Keeps one fixture's run open from its mount card to its end; its troubles end no other fixture's run."""

    def __init__(
        self,
        settings: FixtureSettings,
        timezone: str,
        bench: Path,
        root: Path,
        world: World,
        sinks: Sequence[Sink],
        spoken: Spoken,
        locks: PortLocks,
        sealer: Sealer,
        place: float,
    ) -> None:
        self.settings = settings
        self._timezone = timezone
        self._bench = bench
        self._root = root
        self._world = world
        self._sinks = sinks
        self._spoken = spoken
        self._locks = locks
        self._sealer = sealer
        self._place = place  # among the fixtures, from 0 to below 1
        self._standing = Standing(settings.id, world, sinks)
        self._publisher = next((sink for sink in sinks if isinstance(sink, Publisher)), None)
        self._rng = np.random.default_rng(int.from_bytes(os.urandom(8), "little"))
        self._station: Station | None = None
        self._card_trouble = ""
        self._standby = False  # no run is open, and none is about to be
        self._first: Command | None = None
        self.rejected = False  # a night that ended here
        self.card: MountCard | None = None
        self.met: MountCard | None = None  # as `newer_card.Holder` says it
        self._standing.starting()

    @property
    def station(self) -> Station | None:
        """The run that is open."""
        return self._station

    @property
    def unkept(self) -> str:
        """What of this fixture is not known to be on the disk, as a sentence; empty when all is."""
        if self._station is not None:
            return unkept_of(self._station, self._world.clock)
        return "" if self._standby else f"{self.settings.id}: no run is open; its tape is being recovered"

    def when_open(self, name: str, by: str) -> bool:
        """Have a command be the first of a run that is about to be opened, a stop before others; whether there is one."""
        if self._station is not None or self._standby:
            return False
        if self._first is None or self._first.name != "stop":
            self._first = Command(name, by)
        return True

    async def run(self) -> None:
        """Recover, then open a run for every card, until cancelled.

        Raises:
            DeviceError: the core has failed, which is a fault of this program; the tape shows at which record.
        """
        beginning = await self._recovered()
        ended = newer_card.used_up(beginning.used_card)
        why = "its run has ended"
        while True:
            card = await self._card(ended, why, beginning.recorded.card)
            try:
                ended = await self._one_run(card, beginning)
            except (ConfigError, CalibrationError) as error:
                self._complain("run_not_opened", error)
                ended = card  # a newer card may name what can be used
                why = "this card with this rig file was refused; after a correction in the rig file, serve again"
                continue
            except StorageError as error:
                self._complain("run_not_opened", error)
                await asyncio.sleep(RETRY_S)
            why = "its run has ended"
            beginning = await self._recovered()
            ended = newer_card.used_up(beginning.used_card) or ended

    async def close(self) -> None:
        """Close the run that is open; the next start goes on with it."""
        if self._station is not None:
            await self._closed(self._station)

    async def _recovered(self) -> Beginning:
        """Where the tape goes on; what an earlier daemon or run left unsealed is sealed first."""
        fixture = self.settings.id
        while True:
            try:
                found = await self._recover_once()
            except (StorageError, OSError) as error:
                self._complain("not_recovered", error)
                self._standing.starting(str(error))
                await asyncio.sleep(RETRY_S)
                continue
            if found.segments:
                log.info(
                    "recovered", fixture=fixture, segments=found.segments, torn_bytes=found.dropped_bytes
                )
            return found.beginning

    async def _recover_once(self) -> Recovered:
        files, fixture, journal = self._world.files, self.settings.id, self._journal()
        found: list[Recovered] = []

        def find() -> None:
            found.append(recover(files, journal, fixture))
            self._standing.found()

        await self._world.offload(find)
        self._standing.recovered(found[0].news)
        self._standing.ended(found[0].ended)
        return found[0]

    def _journal(self) -> Journal:
        files, clock, catalogue = self._world.files, self._world.clock, Catalogue(self._root)
        fixture, sealer = self.settings.id, self._sealer
        return Journal(files, fixture, clock, catalogue=catalogue, host_version=VERSION, sealer=sealer)

    async def _card(self, not_this: MountCard | None, why_not: str, own: str) -> MountCard:
        """Wait for a mount card other than the one that is done with; a run that goes on has its `own`."""
        told = False
        while True:
            card = self._newest_card(msgspec.json.decode(own, type=MountCard) if own else None)
            if card is not None and card != not_this:
                return card
            if not told:
                why = "no unit is mounted" if card is None else why_not
                self._spoken.waits_for_card(self.settings.id, why)
                self._standing.no_run(why)
                told = True
            self._standby = (
                not own
            )  # what is told to a run that goes on waits for it, however long it is refused
            if not own:
                self._first = None
            await asyncio.sleep(CARD_POLL_S)
            self._standby = False

    def _newest_card(self, own: MountCard | None) -> MountCard | None:
        try:
            card = card_in_force(self._root, self.settings.id, own)
        except NightturnError as error:
            if str(error) != self._card_trouble:
                self._card_trouble = str(error)
                self._complain("card_not_read", error)
            return own
        self._card_trouble = ""
        return card

    async def _one_run(self, card: MountCard, beginning: Beginning) -> MountCard:
        fixture, world = self.settings.id, self._world
        cycle_s = cycle_s_of(self.settings, card, self._bench)
        tile_samples = max(self.settings.samples_per_block, self.settings.rate_hz // TILES_PER_S)
        pace = Pace(tile_samples=tile_samples, cut_phase=self._place)
        journal = self._journal()
        start = await self._start(card, journal, beginning, pace)
        opened = start.opened
        station = Station(
            fixture, world, port_for(self.settings, world.clock, self._locks), journal, self._sinks, Cadence()
        )
        if self._publisher is not None:
            self._publisher.announce(fixture, runs.info(self.settings, opened))
        station.start(opened, start.segment, start.setting)
        self._station, self.card, self.met = station, card, None
        if self._first is not None and opened.run == (beginning.run or opened.run):
            station.command(self._first.name, self._first.by)
        self._first = None  # a run that ended on the way has taken along what it was told
        self._spoken.run_opened(fixture, opened.run, card.unit, cycle_s, resumed=opened.resumed)
        await self._until_ended(station)
        await self._closed(station)
        self._station = None
        if station.crashed is not None:
            raise DeviceError(f"{fixture}: the core failed: {fault(station.crashed)}") from station.crashed
        ended = station.run_ended
        log.info("run_ended", fixture=fixture, run=opened.run, why=ended.reason if ended is not None else "")
        night = ended.night_verdict if ended is not None else None
        self.rejected = self.rejected or (night is not None and night.word == REJECT)
        return self.card  # the one in force at the end

    async def _closed(self, station: Station) -> None:
        """Close a station, and say what is stored of its run."""
        await station.let_go()
        await station.close()
        await say_stored(self._spoken, self.settings.id, station, self._world, self._root)

    async def _start(self, card: MountCard, journal: Journal, beginning: Beginning, pace: Pace) -> Start:
        """What the station starts with; a run that cannot go on under the settings of now is ended first."""
        files, clock, variants = self._world.files, self._world.clock, self._bench.parent
        made: list[Start] = []

        def opened_for(beginning: Beginning) -> RunOpened:
            return runs.opened(
                self.settings, card, variants, self._root, clock, self._rng, beginning, pace, self._timezone
            )

        def make() -> None:
            made.append(take_up(files, journal, clock, beginning, opened_for))

        await self._world.offload(make)
        (start,) = made
        self._standing.recovered(start.news)
        self._standing.ended(start.ended)
        if beginning.run and start.opened.run != beginning.run:
            why = start.opened.changed
            what = "run_ended_by_settings" if why else "run_ended_by_card"
            log.warning(
                what, fixture=self.settings.id, run=beginning.run, why=why or f"{card.unit} was mounted"
            )
        return start

    async def _until_ended(self, station: Station) -> None:
        """Hand newer cards to the run."""
        while not station.ended.is_set():
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(station.ended.wait(), CARD_POLL_S)
            newest = self._newest_card(self.card)
            if newest is not None:
                self.take_card(newest)

    def take_card(self, newest: MountCard) -> int | None:
        """Put a newer card on the tape of the run that is open, as `newer_card.take`."""
        return newer_card.take(self, newest)

    def _complain(self, what: str, error: Exception) -> None:
        log.error(what, fixture=self.settings.id, why=str(error))


async def serve(bench: Path, rig: Rig, password: str | None, terminal: Terminal | None) -> bool:
    """Run every fixture of the bench until a signal asks to stop; drains and closes cleanly, in bounded time.

    Returns whether the night's verdict on a run that ended meanwhile is reject.

    Raises:
        NightturnError: a fixture cannot be set up; nothing keeps running.
    """
    watches: list[FixtureWatch] = []
    with (
        Leaving(lambda: [text for watch in watches if (text := watch.unkept)]) as leaving,  # first of all
        ExitStack() as closing,
    ):
        say_unwired(rig)
        root = data_root(bench, rig)
        owned = own_root(root, COMMAND)  # until the process ends: something may write at its very end
        try:
            Catalogue(root)
        except (OSError, sqlite3.Error) as error:
            why = f"{root}: cannot be written: {error}; choose another `data` in [bench]"
            raise StorageError(why) from error
        world = real_world(root)
        sealer = closing.enter_context(ChildSealer(root, owned.descriptor))
        publisher = publisher_of(rig, root, world, password)
        spoken = Spoken(each.id for each in rig.fixture)
        sinks: list[Sink] = [spoken, *([publisher] if publisher is not None else [])]
        locks, zone = PortLocks(COMMAND), rig.bench.timezone
        watches += [
            FixtureWatch(
                each, zone, bench, root, world, sinks, spoken, locks, sealer, place / len(rig.fixture)
            )
            for place, each in enumerate(rig.fixture)
        ]
        control = ControlSocket(
            socket_path(root),
            rig.bench.control_group,
            Control({watch.settings.id: watch for watch in watches}, root, world),
        )
        await control.open()
        owned.note(us(COMMAND, str(control.path)))
        with terminal.drawn(spoken.pictures) if terminal is not None else nullcontext():
            return await _until_asked(leaving, control, watches, publisher, world, root, rig.retention)


async def _until_asked(
    leaving: Leaving,
    control: ControlSocket,
    watches: Sequence[FixtureWatch],
    publisher: Publisher | None,
    world: World,
    root: Path,
    rule: Retention,
) -> bool:
    """Everything runs until the end is asked for, or no fixture can go on; then it is closed in this order."""
    publishing = asyncio.create_task(publish(publisher)) if publisher is not None else None
    tasks = [asyncio.create_task(watch.run()) for watch in watches]
    clearing = asyncio.create_task(clear_old(world, root, rule))
    stopping = asyncio.create_task(leaving.asked.wait())
    watching = asyncio.create_task(_all_ended(tasks))
    await asyncio.wait({stopping, watching}, return_when=asyncio.FIRST_COMPLETED)
    leaving.begin()
    await control.close()  # first of all: what is let go of now must not be asked to turn again
    for task in (stopping, watching, clearing, *tasks):
        task.cancel()
    outcomes = await asyncio.gather(*tasks, return_exceptions=True)
    await asyncio.gather(*(watch.close() for watch in watches))
    if publisher is not None and publishing is not None:
        publisher.stop(drain_s=DRAIN_S)
        await asyncio.wait({publishing}, timeout=DRAIN_S + GOODBYE_S)
        publishing.cancel()
    shut_down(world)
    for outcome in outcomes:
        if isinstance(outcome, Exception):
            raise outcome
    return any(watch.rejected for watch in watches)


async def _all_ended(tasks: Sequence[asyncio.Task[None]]) -> None:
    """Wait until every fixture has ended, which only a fault makes it do; each is told at once."""
    for task in asyncio.as_completed(tasks):
        try:
            await task
        except Exception as error:  # noqa: BLE001 - raised again by `serve` when the others have been closed
            _fixture_failed(error)


def _fixture_failed(error: Exception) -> None:
    log.critical("fixture_failed", why=str(error), next="the other fixtures go on; restart to try again")


def main(bench: Path, overrides: Sequence[str], *, as_json: bool = False) -> bool:
    """Load the rig and serve it, speaking to a person on a terminal, else in JSON lines; returns what `serve` does.

    Raises:
        ConfigError: the rig cannot be used.
        NightturnError: as `serve`.
    """
    rig = load_rig(bench, overrides, figures=FIGURES)
    zone = rig.bench.timezone
    terminal = None if as_json else on_terminal(zone)
    set_up_logging(as_json=as_json, show=terminal.show if terminal is not None else None, timezone=zone)
    return asyncio.run(serve(bench, rig, os.environ.get("NIGHTTURN_MQTT_PASSWORD"), terminal))
