"""One fixture of the daemon: opens a run when a unit is mounted, and keeps it going."""

import asyncio
import contextlib
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import msgspec
import numpy as np
import structlog

from nightturn.bench import runs
from nightturn.bench.cards import card_in_force
from nightturn.bench.figuring import Finisher
from nightturn.bench.locks import PortLocks
from nightturn.bench.ports import port_for
from nightturn.bench.proof import Proof
from nightturn.bench.recovery import Recovered, recover
from nightturn.bench.runs import Beginning, Pace
from nightturn.bench.station import Cadence, Station
from nightturn.bench.take_up import Start, take_up
from nightturn.bench.telling import Sink
from nightturn.daemon import newer_card
from nightturn.daemon.leaving import unkept_of
from nightturn.daemon.planned import cycle_s_of
from nightturn.daemon.service_manager import Signs
from nightturn.daemon.spoken import Spoken, say_stored
from nightturn.daemon.standing import Standing
from nightturn.errors import CalibrationError, ConfigError, DeviceError, NightturnError, StorageError, fault
from nightturn.model.cards import MountCard
from nightturn.model.facts import Command, RunOpened
from nightturn.model.verdicts import REJECT
from nightturn.outlook.watch_outlook import watch_budget
from nightturn.settings.rig import BenchPart, FixtureSettings
from nightturn.settings.tasks import under_task
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.journal import Journal
from nightturn.storage.sealer import Sealer
from nightturn.unit_history.asked import with_earlier
from nightturn.version import VERSION
from nightturn.world import World

CARD_POLL_S = 2.0
RETRY_S = 10.0
TILES_PER_S = 10  # protective limits act on a tile

log: structlog.stdlib.BoundLogger = structlog.get_logger()


@dataclass(frozen=True, slots=True)
class Shared:
    """What the watches of one daemon share.

    Attributes:
        part: `[bench]` of the rig file.
        bench: the rig file, beside which the variants are.
        root: the data root.
        announce: takes what stands on a fixture whose run opens.
        fixtures: of the rig file, those of other processes too.
    """

    part: BenchPart
    bench: Path
    root: Path
    world: World
    sinks: Sequence[Sink]
    spoken: Spoken
    locks: PortLocks
    sealer: Sealer
    finisher: Finisher
    announce: Callable[[str, Mapping[str, object]], None]
    fixtures: int


class FixtureWatch:
    """Keeps one fixture's run open from its mount card to its end; its troubles end no other fixture's run."""

    def __init__(
        self,
        settings: FixtureSettings,
        place: float,
        shared: Shared,
    ) -> None:
        """Nothing is done before `run`.

        Args:
            settings: of the fixture.
            place: among all, from 0 to below 1, so that what each does in turn does not fall together.
            shared: what all have.
        """
        self.settings = settings
        self._place = place
        self._shared = shared
        watch = watch_budget(settings, shared.fixtures, shared.part.false_alarms_per_night)
        self._threshold = watch.threshold  # some 0.1 s for a plan that no other fixture has
        self._world, self._root, self._spoken = shared.world, shared.root, shared.spoken
        self._standing = Standing(settings.id, shared.world, shared.sinks)
        self._rng = np.random.default_rng(int.from_bytes(os.urandom(8), "little"))
        self._station: Station | None = None
        self._card_trouble = ""
        self._standby = False  # no run is open, and none is about to be
        self._not_recovered = False
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
    def standby(self) -> bool:
        """Whether no run is open, and none is about to be: a card is waited for."""
        return self._standby

    @property
    def signs(self) -> Signs:
        """What the service manager is told of it."""
        settled = self._station is not None or self._standby or self._not_recovered
        return Signs(settled, self.proof, self._spoken.pictures[self.settings.id].word)

    @property
    def proof(self) -> Proof | None:
        """Signs of life of the run that is open."""
        return self._station.proof if self._station is not None else None

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
                self._not_recovered = True
                self._complain("not_recovered", error)
                self._standing.starting(str(error))
                await asyncio.sleep(RETRY_S)
                continue
            self._not_recovered = False
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
        fixture, sealer = self.settings.id, self._shared.sealer
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
        settings = under_task(self.settings, card)
        cycle_s = cycle_s_of(settings, card, self._shared.bench)
        tile_samples = max(self.settings.samples_per_block, self.settings.rate_hz // TILES_PER_S)
        pace = Pace(
            tile_samples=tile_samples,
            fsync=self._shared.part.fsync,
            cut_phase=self._place,
            watch_threshold=self._threshold,
        )
        journal = self._journal()
        start = await self._start(settings, card, journal, beginning, pace)
        opened = start.opened
        station = Station(
            fixture,
            world,
            port_for(settings, world.clock, self._shared.locks),
            journal,
            self._shared.sinks,
            Cadence(fsync=self._shared.part.fsync),
            self._shared.finisher,
        )
        self._shared.announce(fixture, runs.info(settings, opened))
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

    async def _start(
        self,
        settings: FixtureSettings,
        card: MountCard,
        journal: Journal,
        beginning: Beginning,
        pace: Pace,
    ) -> Start:
        """What the station starts with; a run that cannot go on under the settings of now is ended first."""
        files, clock, variants = self._world.files, self._world.clock, self._shared.bench.parent
        made: list[Start] = []

        def opened_for(beginning: Beginning) -> RunOpened:
            return runs.opened(
                settings,
                card,
                variants,
                self._root,
                clock,
                self._rng,
                beginning,
                pace,
                self._shared.part.timezone,
            )

        def make() -> None:
            start = take_up(files, journal, clock, beginning, opened_for)
            made.append(replace(start, opened=with_earlier(self._root, start.opened)))

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


def fixture_failed(error: Exception) -> None:
    """Say that the watch of a fixture has ended, which only a fault makes it do."""
    log.critical("fixture_failed", why=str(error), next="the other fixtures go on; restart to try again")
