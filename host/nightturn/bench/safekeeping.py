"""Syncs and seals in the background; what became of them comes back as facts."""

import asyncio
from collections import deque
from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from functools import partial
from typing import Any

import msgspec
import structlog

from nightturn.bench.ledger import Ledger
from nightturn.bench.room import UNREAD, Room
from nightturn.errors import NightturnError, StorageError
from nightturn.model.device import Findings
from nightturn.model.facts import Failure, Synced
from nightturn.model.nights import NightVerdict
from nightturn.model.records import Emit
from nightturn.model.rows import ChunkPlan, StateRow
from nightturn.storage.journal import Journal
from nightturn.world import World

SEALS_MAX = 8  # under way or waiting to be tried again; more are left for recovery
SEAL_AGAIN_S = 10.0
LOOK_PERIOD_S = 0.5  # how often the room on the disk is asked for at most

log: structlog.stdlib.BoundLogger = structlog.get_logger()


@dataclass(frozen=True, slots=True)
class Finished:
    """A segment to seal: its plan, its rows, what is known of the device that filled it, and the night's verdict so far."""

    path: str
    plan: ChunkPlan
    rows: list[Emit]
    findings: Findings
    night_verdict: NightVerdict | None


class Safekeeping:
    """Slow work of one station's journal: one job for syncs and at most `SEALS_MAX` for seals.

    Syncs and seals wait for nothing but their own kind. A sync that is still under way when the next one is due is followed
    by it at once.

    A seal beyond that is refused: its segment stays in the journal, durable, and recovery seals it when the run has
    ended or the daemon starts next. Nothing of it is lost, only its rows in memory are let go.

    Attributes:
        ledger: keeps the manifest of the run, once there is one.
        failed_seals: segments that were not sealed at the first attempt.
        refused_seals: segments left for recovery.
        sync_ended_s: loop's time at which a sync last ended, well or with an error.
    """

    def __init__(
        self, fixture: str, world: World, journal: Journal, tell: Callable[[Synced | Failure], None]
    ) -> None:
        self.ledger: Ledger | None = None
        self.failed_seals = 0
        self.refused_seals = 0
        self._fixture = fixture
        self._world = world
        self._journal = journal
        self._tell = tell
        self._loop = asyncio.get_running_loop()
        self.sync_ended_s = self._loop.time()
        self._jobs: set[asyncio.Task[None]] = set()
        self._syncing = False
        self._sync_again = False
        self._syncs = world.syncs or world.offload
        self._seals = world.seals or world.offload
        self._room = Room()
        self._look_s = 0.0
        self._short, self._unread = "", False  # what the newest look said
        self._sealing = 0
        self._unsealed: deque[Finished] = deque()
        self._seal_again_s = 0.0
        self._stood: StateRow | None = None
        self._writing_stood = False
        self._told: dict[str, str] = {}

    def sync(self) -> None:
        """Begin a sync, as `follow`; a seal that failed is tried again now and then."""
        self.follow()
        self.tend()

    def follow(self) -> None:
        """Begin a sync of what was just written; behind one that is under way another one."""
        self._sync_again = self._syncing
        if not self._syncing:
            self._syncing = True
            self._begin(self._sync())

    def tend(self) -> None:
        """Try a seal that failed again, now and then."""
        if self._unsealed and self._loop.time() >= self._seal_again_s:
            self._seal_again_s = self._loop.time() + SEAL_AGAIN_S
            self._sealing += 1
            self._begin(self._seal(self._unsealed.popleft(), again=True))

    def seal(self, finished: Finished) -> None:
        """Begin to seal a segment; one that fails is tried again while the station runs, then by recovery."""
        if self._sealing + len(self._unsealed) >= SEALS_MAX:
            self.refused_seals += 1
            why = f"{SEALS_MAX} segments wait to be sealed; {finished.path} and what follows remains for recovery at the next start"
            if self._told.get("seals") is None:
                self._told["seals"] = why
                log.error("seal_refused", fixture=self._fixture, why=why)
                self._tell(Failure("seal", why))
            return
        self._sealing += 1
        self._begin(self._seal(finished, again=False))

    def stands(self, row: StateRow) -> None:
        """Have the manifest say what motion does now; of several rows that wait the last one is written, whatever the clock says.

        One job at a time: two threads could write them in the other order.
        """
        self._stood = row
        if not self._writing_stood:
            self._writing_stood = True
            self._begin(self._write_stood())

    async def drained(self) -> None:
        """Wait until nothing is under way."""
        while self._jobs:
            await asyncio.wait(set(self._jobs))

    async def _seal(self, finished: Finished, *, again: bool) -> None:
        def seal_now() -> None:
            self._journal.seal(finished.path, finished.plan, finished.rows)
            if self.ledger is not None:
                self.ledger.met(finished.findings, finished.plan, finished.night_verdict)

        try:
            await self._seals(seal_now)
        except (NightturnError, OSError) as error:
            self.failed_seals += not again
            self._unsealed.append(finished)
            self._seal_again_s = self._loop.time() + SEAL_AGAIN_S
            self._failed("seal", error)
        else:
            self._told.pop("seals", None)
            self._told.pop("seal", None)
        finally:
            self._sealing -= 1

    async def _write_stood(self) -> None:
        try:
            while self._stood is not None and self.ledger is not None:
                row, self._stood = self._stood, None
                await self._world.offload(partial(self.ledger.stands, row))
        except (NightturnError, OSError) as error:
            self._failed("manifest", error)
        else:
            self._told.pop("manifest", None)
        finally:
            self._writing_stood = False

    async def _sync(self) -> None:
        try:
            while await self._sync_once() and self._sync_again:
                self._sync_again = False
        finally:
            self._syncing = False

    async def _sync_once(self) -> bool:
        """Whether the disk took it; after one that it did not take the cadence comes again, and no other at once."""
        outcome: list[Synced] = []

        def sync_now() -> None:
            outcome.append(self._with_room(self._journal.sync()))

        try:
            await self._syncs(sync_now)
        except (StorageError, OSError) as error:
            self._failed("sync", error)
            return False
        finally:
            self.sync_ended_s = self._loop.time()
        self._told.pop("sync", None)
        self._tell(outcome[0])
        return True

    def _with_room(self, synced: Synced) -> Synced:
        """What was synced, and what the room on the disk says; asked here, because a disk that hangs hangs this too."""
        if self._loop.time() >= self._look_s:
            self._look_s = self._loop.time() + LOOK_PERIOD_S
            try:
                world = self._world
                self._short, self._unread = self._room.look(world.room(), world.files_left()), False
            except OSError as error:  # the sync has succeeded, whatever this says
                self._short, self._unread = f"{UNREAD}: {error}", True
        if not self._short:
            return synced
        return msgspec.structs.replace(synced, short=self._short, unread=self._unread, low=self._room.low)

    def _begin(self, work: Coroutine[Any, Any, None]) -> None:
        task = self._loop.create_task(work)
        self._jobs.add(task)
        task.add_done_callback(self._jobs.discard)

    def _failed(self, what: str, error: Exception) -> None:
        """Told once as long as it stays the same."""
        if self._told.get(what) != str(error):
            self._told[what] = str(error)
            log.error("not_kept", what=what, fixture=self._fixture, why=str(error))
            self._tell(Failure(what, str(error)))
