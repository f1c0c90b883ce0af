"""Figures of cycles that have ended, worked out beside the loop; they come back as facts."""

import asyncio
import sys
from collections.abc import Awaitable, Callable, Sequence
from typing import Protocol

import structlog

from nightturn.errors import StorageError, fault
from nightturn.estimation.jobs import NO_FIGURES, CycleJob, worked_out
from nightturn.model.facts import CYCLE_FINISHED, CycleFinished
from nightturn.storage.child import Child, Wording
from nightturn.world import World

DRAINED_S_MAX = 10.0
"""So long the close of a station waits for figures; what has not come by then the next start works out."""

ANSWER_S_MAX = 10.0
"""Of the process for figures: far more than a job takes, and twice that far less than a cycle waits for its figures."""
COMMAND = (sys.executable, "-P", "-m", "nightturn.bench.figuring_child")
WORDING = Wording(
    "the process that works out figures",
    "figuring_process_ended",
    "the daemon works them out itself",
)

log: structlog.stdlib.BoundLogger = structlog.get_logger()


class Finisher(Protocol):
    """Works out the figures of a cycle away from the loop."""

    def __call__(self, job: CycleJob, /) -> Awaitable[CycleFinished]:
        """The figures, or why there are none."""
        ...


class OffloadFinisher:
    """Figures on the world's thread for them; inline in virtual time."""

    def __init__(self, world: World) -> None:
        self._offload = world.figures or world.offload

    async def __call__(self, job: CycleJob) -> CycleFinished:
        """Work them out there."""
        outcome: list[CycleFinished] = []
        await self._offload(lambda: outcome.append(worked_out(job)))
        return outcome[0]


class ChildFinisher(Child):
    """Figures in a child, which begins with the first cycle's end: a job of some 40 ms shares no interpreter with the loop.

    Where the child cannot do it, the daemon does it on its own thread for figures: a cycle has figures either way.

    Args:
        world: whose thread for figures waits for the child.
        command: what to start, in front of its word.
        answer_s: how long it may take for a job.
    """

    def __init__(
        self, world: World, command: Sequence[str] = COMMAND, *, answer_s: float = ANSWER_S_MAX
    ) -> None:
        super().__init__(command, WORDING, answer_s=answer_s)
        self._offload = world.figures or world.offload

    async def __call__(self, job: CycleJob) -> CycleFinished:
        """Work them out there."""
        outcome: list[CycleFinished] = []
        await self._offload(lambda: outcome.append(self._worked_out(job)))
        return outcome[0]

    def _worked_out(self, job: CycleJob) -> CycleFinished:
        try:
            finished: CycleFinished = self.ask(job)
        except StorageError as error:
            log.warning("figures_in_the_daemon", why=str(error))
            return worked_out(job)
        return finished


class Figuring:
    """The jobs of one station."""

    def __init__(self, fixture: str, finisher: Finisher, tell: Callable[[str, CycleFinished], None]) -> None:
        self._fixture = fixture
        self._finisher = finisher
        self._tell = tell
        self._loop = asyncio.get_running_loop()
        self._jobs: set[asyncio.Task[None]] = set()

    def begin(self, job: CycleJob) -> None:
        """Work out the figures of a cycle; a fact says what became of it."""
        task = self._loop.create_task(self._work_out(job))
        self._jobs.add(task)
        task.add_done_callback(self._jobs.discard)

    async def drained(self) -> None:
        """Wait, bounded, until every job is done, also those that follow from one."""
        until_s = self._loop.time() + DRAINED_S_MAX
        while self._jobs and (left_s := until_s - self._loop.time()) > 0:
            await asyncio.wait(set(self._jobs), timeout=left_s)
        if self._jobs:
            log.error("figures_not_waited_for", fixture=self._fixture, cycles=len(self._jobs))

    async def _work_out(self, job: CycleJob) -> None:
        try:
            fact = await self._finisher(job)
        except Exception as error:  # noqa: BLE001 - whatever a finisher fails by, the cycle is to be closed
            sums, why = job.sums, f"{NO_FIGURES}: {fault(error)}"
            fact = CycleFinished(sums.epoch, sums.cycle_no, sums.sha256(), error=why)
        if fact.error:
            log.error("figures_failed", fixture=self._fixture, cycle=fact.cycle_no, why=fact.error)
        self._tell(CYCLE_FINISHED, fact)
