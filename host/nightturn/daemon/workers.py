"""The fixtures of a daemon spread over worker processes; what is one per host stays here.

Here are the lock of the root, the control socket, the publisher, the service manager, signals, exit codes and what is printed. A
worker has the stations of its fixtures with all that they do by themselves: their lines, tapes, syncs and seals. Its loop
never waits for this process, and this one never for it.
"""

import asyncio
import os
from collections.abc import Sequence
from pathlib import Path

from nightturn.bench.logging import say_for
from nightturn.daemon.audience import Audience
from nightturn.daemon.control import of_no_fixture
from nightturn.daemon.control_protocol import Answer, Request
from nightturn.daemon.picture import Picture
from nightturn.daemon.service_manager import Signs
from nightturn.daemon.worker_messages import Info, Item, Order, Row
from nightturn.daemon.worker_process import WorkerProcess
from nightturn.model.records import Emit
from nightturn.model.rows import STARTING, STATE, StandingRow
from nightturn.settings.rig import FixtureSettings, Rig
from nightturn.world import World


def spread(
    fixtures: Sequence[FixtureSettings], workers: int
) -> list[tuple[tuple[FixtureSettings, float], ...]]:
    """Each fixture with its place among all, from 0 to below 1, in turns to each worker: none has two more than another."""
    placed = [(each, place / len(fixtures)) for place, each in enumerate(fixtures)]
    return [tuple(placed[first::workers]) for first in range(min(workers, len(placed)))]


class Workers:
    """All fixtures of a rig, in `[bench] workers` processes.

    Attributes:
        pictures: the newest of each fixture, in the rig's order.
    """

    def __init__(
        self, bench: Path, rig: Rig, root: Path, world: World, audience: Audience, lock: int
    ) -> None:
        """Nothing is started before `begin`.

        Args:
            bench: the rig file.
            rig: one reading of it, for every worker and every life of it.
            root: the data root.
            world: its clock.
            audience: hears of what the fixtures do.
            lock: the open file of the root's lock.
        """
        self.pictures = {each.id: Picture(each.id) for each in rig.fixture}
        self._audience = audience
        self._tasks: list[asyncio.Task[None]] = []
        publishes = audience.publisher is not None
        self._processes = [
            WorkerProcess(
                Order(bench, root, rig.bench, fixtures, publishes, os.getpid(), len(rig.fixture)),
                lock,
                self.pictures,
                self._took,
                self._fixture_gone,
                world.clock.utc_ns,
            )
            for fixtures in spread(rig.fixture, rig.bench.workers)
        ]
        self._of = {name: process for process in self._processes for name in process.order.names}

    async def __call__(self, request: Request) -> Answer:
        """As `control.Control`, by the worker that has the fixture."""
        process = self._of.get(request.fixture)
        return of_no_fixture(request, self.pictures) if process is None else await process.ask(request)

    async def begin(self) -> None:
        """Start the processes, and wait until each can be asked, or has met its end."""
        self._tasks = [asyncio.create_task(process.run()) for process in self._processes]
        await asyncio.gather(*(process.begun.wait() for process in self._processes))

    def start(self) -> list[asyncio.Task[None]]:
        """What keeps the processes alive; each task ends by a fault only."""
        return self._tasks

    async def close(self) -> None:
        """Have every run closed, and wait, bounded, for the end of every process."""
        for task in self._tasks:
            task.cancel()  # what ends from here on is not started again
        await asyncio.gather(*self._tasks, return_exceptions=True)
        await asyncio.gather(*(process.close() for process in self._processes))

    @property
    def signs(self) -> list[Signs]:
        """What the service manager is told."""
        return [signs for process in self._processes for signs in process.signs]

    @property
    def unkept(self) -> list[str]:
        """What is not known to be on the disk; from any thread."""
        return [text for process in self._processes for text in process.unkept]

    @property
    def rejected(self) -> bool:
        """Whether a night that ended meanwhile was rejected."""
        return any(process.rejected for process in self._processes)

    @property
    def troubles(self) -> list[Exception]:
        """What kept runs from being closed."""
        return [process.trouble for process in self._processes if process.trouble is not None]

    def _took(self, item: Item) -> None:
        if isinstance(item, Row):
            self._audience.offer(item.fixture, item.emit)
        elif isinstance(item, Info):
            self._audience.announce(item.fixture, item.info)
        else:
            say_for(item.fields)

    def _fixture_gone(self, fixture: str, row: StandingRow) -> None:
        """Nobody speaks for a fixture any more: say so, before whoever follows says something else."""
        if row.state == STARTING:
            self._audience.begin_again(fixture)
        self._audience.offer(fixture, Emit(STATE, row))
