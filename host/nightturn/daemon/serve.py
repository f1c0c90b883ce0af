"""The night: one watch per fixture that opens runs when a unit is mounted, and keeps them going."""

import asyncio
import contextlib
import os
import signal
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

import numpy as np
import structlog

from nightturn.bench import runs
from nightturn.bench.ports import port_for
from nightturn.bench.recovery import recover
from nightturn.bench.runs import Beginning, Pace
from nightturn.bench.station import Cadence, Sink, Station
from nightturn.bench.worlds import ThreadOffload, real_world
from nightturn.model.cards import MountCard
from nightturn.settings.load import data_root, load_rig, read_card
from nightturn.settings.rig import FixtureSettings, Rig
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.journal import Journal
from nightturn.storage.recovery import next_record_no
from nightturn.telemetry.publisher import Publisher
from nightturn.version import VERSION
from nightturn.world import World

CARD_POLL_S = 2.0
DRAIN_S = 3.0

log: structlog.stdlib.BoundLogger = structlog.get_logger()


class FixtureWatch:
    """Keeps one fixture's run open from its mount card to its end."""

    def __init__(self, settings: FixtureSettings, folder: Path, root: Path, world: World, sinks: Sequence[Sink]) -> None:
        self.settings = settings
        self._folder = folder
        self._root = root
        self._world = world
        self._sinks = sinks
        self._publisher = next((sink for sink in sinks if isinstance(sink, Publisher)), None)
        self._rng = np.random.default_rng(int.from_bytes(os.urandom(8), "little"))
        self._station: Station | None = None

    async def run(self) -> None:
        """Recover, then open a run for every card, until cancelled."""
        fixture = self.settings.id
        journal = Journal(self._world.files, fixture, self._world.clock, catalogue=Catalogue(self._root))
        found = recover(self._world.files, journal, fixture)
        if found.segments:
            log.info("recovered", fixture=fixture, segments=found.segments, torn_bytes=found.dropped_bytes)
        beginning, ended = found.beginning, None
        while True:
            card = await self._card(ended)
            ended = await self._one_run(card, beginning)
            beginning = Beginning(next_record_no(self._world.files, fixture))

    async def close(self) -> None:
        """Close the run that is open; the next start goes on with it."""
        if self._station is not None:
            await self._station.close()

    async def _card(self, not_this: MountCard | None) -> MountCard:
        """Wait for a mount card, newer than the one whose run has ended."""
        told = False
        while True:
            card = read_card(self._root, self.settings.id)
            if card is not None and card != not_this:
                return card
            if not told:
                why = "no unit is mounted" if card is None else "its run has ended"
                log.info("waiting_for_card", fixture=self.settings.id, why=why, mend="nightturn mount")
                told = True
            await asyncio.sleep(CARD_POLL_S)

    async def _one_run(self, card: MountCard, beginning: Beginning) -> MountCard:
        fixture, world = self.settings.id, self._world
        opened = runs.opened(
            self.settings, card, self._folder, self._root, world.clock, self._rng, beginning, Pace()
        )
        journal = Journal(
            world.files, fixture, world.clock, catalogue=Catalogue(self._root), host_version=VERSION
        )
        station = Station(fixture, world, port_for(self.settings, world.clock), journal, self._sinks, Cadence())
        self._station = station
        if self._publisher is not None:
            self._publisher.announce(fixture, runs.info(self.settings, opened))
        station.start(opened)
        log.info("run_open", fixture=fixture, run=opened.run, unit=card.unit, resumed=opened.resumed)
        while not station.ended.is_set():
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(station.ended.wait(), CARD_POLL_S)
            newest = read_card(self._root, fixture)
            if newest is not None and newest != card and not station.ended.is_set():
                station.command("confirm_travel_zero" if _same_unit(newest, card) else "finish", newest.operator)
                card = newest
        await station.close()
        self._station = None
        return card


def _same_unit(newest: MountCard, card: MountCard) -> bool:
    """Whether a newer card only confirms the travel zero of the unit that is mounted already."""
    return newest.unit == card.unit and newest.variant == card.variant and newest.travel_zero_confirmed


async def serve(bench: Path, rig: Rig, password: str | None) -> None:
    """Run every fixture of the bench until a signal asks to stop; drains and closes cleanly.

    Raises:
        NightturnError: a fixture cannot be set up; nothing keeps running.
    """
    root = data_root(bench, rig)
    root.mkdir(parents=True, exist_ok=True)
    world = real_world(root)
    publisher = _publisher(rig, world, password)
    sinks: list[Sink] = [publisher] if publisher is not None else []
    watches = [FixtureWatch(settings, bench.parent, root, world, sinks) for settings in rig.fixture]
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    publishing = asyncio.create_task(publisher.run()) if publisher is not None else None
    tasks = [asyncio.create_task(watch.run()) for watch in watches]
    stopping = asyncio.create_task(stop.wait())
    waited: list[asyncio.Task[None] | asyncio.Task[Literal[True]]] = [*tasks, stopping]
    done, _ = await asyncio.wait(waited, return_when=asyncio.FIRST_COMPLETED)
    stopping.cancel()
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    for watch in watches:
        await watch.close()
    if publisher is not None and publishing is not None:
        publisher.stop(drain_s=DRAIN_S)
        await publishing
    assert isinstance(world.offload, ThreadOffload)
    world.offload.shutdown()
    for finished in done - {stopping}:
        error = finished.exception()
        if error is not None:
            raise error


def _publisher(rig: Rig, world: World, password: str | None) -> Publisher | None:
    if rig.mqtt is None:
        return None
    return Publisher(
        rig.mqtt,
        lab=rig.bench.lab,
        host=runs.host_name(),
        daemon_boot=os.urandom(4).hex(),
        utc_ns=world.clock.utc_ns,
        version=VERSION,
        password=password,
    )


def main(bench: Path, overrides: Sequence[str]) -> None:
    """Load the rig and serve it.

    Raises:
        ConfigError: the rig cannot be used.
        NightturnError: as `serve`.
    """
    from nightturn.estimation.figures import FIGURES

    rig = load_rig(bench, overrides, figures=[spec.name for spec in FIGURES])
    asyncio.run(serve(bench, rig, os.environ.get("NIGHTTURN_MQTT_PASSWORD")))


