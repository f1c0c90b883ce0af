"""Figures of cycles that have ended, and courses of figures, worked out beside the loop; they come back as facts."""

import asyncio
import sys
from collections.abc import Awaitable, Callable, Sequence
from typing import Protocol, TypeVar

import structlog

from nightturn.errors import StorageError, fault
from nightturn.estimation.jobs import NO_FIGURES, CycleJob, worked_out
from nightturn.model.facts import CYCLE_FINISHED, TREND_FITTED, CycleFinished, TrendFitted
from nightturn.storage.child import Child, Wording
from nightturn.trend.fits import NOT_FITTED, FitJob, fitted
from nightturn.world import World

DRAINED_S_MAX = 10.0
"""So long the close of a station waits for figures; what has not come by then the next start works out."""

ANSWER_S_MAX = 5.0
"""Of the process for figures: far more than a job takes, and far less than a cycle waits for its figures."""
BUSY_NS = 60 * 10**9
"""So long the daemon works figures out itself behind a job that was not answered: others keep every core of the host busy."""
COMMAND = (sys.executable, "-P", "-m", "nightturn.bench.figuring_child")
WORDING = Wording(
    "the process that works out figures",
    "figuring_process_ended",
    "the daemon works them out itself",
)

Job = TypeVar("Job", CycleJob, FitJob)
Fact = TypeVar("Fact", CycleFinished, TrendFitted)

log: structlog.stdlib.BoundLogger = structlog.get_logger()


class Finisher(Protocol):
    """Works out away from the loop what takes long."""

    def figures(self, job: CycleJob, /) -> Awaitable[CycleFinished]:
        """The figures of a cycle, or why there are none."""
        ...

    def course(self, job: FitJob, /) -> Awaitable[TrendFitted]:
        """The course of a figure, or why there is none."""
        ...


class OffloadFinisher:
    """On the world's thread for figures; inline in virtual time."""

    def __init__(self, world: World) -> None:
        self._offload = world.figures or world.offload

    async def figures(self, job: CycleJob) -> CycleFinished:
        """Work them out there."""
        outcome: list[CycleFinished] = []
        await self._offload(lambda: outcome.append(worked_out(job)))
        return outcome[0]

    async def course(self, job: FitJob) -> TrendFitted:
        """Fit it there."""
        outcome: list[TrendFitted] = []
        await self._offload(lambda: outcome.append(fitted(job)))
        return outcome[0]


class ChildFinisher(Child):
    """In a child, which begins with the daemon: a job of some 40 ms shares no interpreter with the loop.

    It is there before anything turns, because its start takes a second of CPU time, and what a start takes in front of the first cycle's job
    counts for the job: cycles that end together would find no child that answers.

    Where the child cannot do it, the daemon does it on its own thread for figures: a cycle has figures either way.

    Args:
        world: whose thread for figures waits for the child.
        command: what to start, in front of its word.
        answer_s: how long it may take for a job.
    """

    def __init__(
        self, world: World, command: Sequence[str] = COMMAND, *, answer_s: float = ANSWER_S_MAX
    ) -> None:
        super().__init__(command, WORDING, at_once=True, answer_s=answer_s)
        self._offload = world.figures or world.offload
        self._clock = world.clock
        self._busy_until_ns = 0

    async def figures(self, job: CycleJob) -> CycleFinished:
        """Work them out there."""
        outcome: list[CycleFinished] = []
        await self._offload(lambda: outcome.append(self._answered(job, worked_out)))
        return outcome[0]

    async def course(self, job: FitJob) -> TrendFitted:
        """Fit it there."""
        outcome: list[TrendFitted] = []
        await self._offload(lambda: outcome.append(self._answered(job, fitted)))
        return outcome[0]

    def _answered(self, job: Job, here: Callable[[Job], Fact]) -> Fact:
        if self._clock.monotonic_ns() < self._busy_until_ns:
            return here(job)
        try:
            fact: Fact = self.ask(job)
        except (StorageError, TimeoutError) as error:
            log.warning("figures_in_the_daemon", why=str(error))
            if isinstance(error, TimeoutError):
                self._busy_until_ns = self._clock.monotonic_ns() + BUSY_NS
            return here(job)
        return fact


class Figuring:
    """The jobs of one station."""

    def __init__(
        self,
        fixture: str,
        finisher: Finisher,
        tell: Callable[[str, CycleFinished | TrendFitted], None],
    ) -> None:
        self._fixture = fixture
        self._finisher = finisher
        self._tell = tell
        self._loop = asyncio.get_running_loop()
        self._jobs: set[asyncio.Task[None]] = set()

    def begin(self, job: CycleJob | FitJob) -> None:
        """Work out the figures of a cycle, or the course of one; a fact says what became of it."""
        work = self._work_out(job) if isinstance(job, CycleJob) else self._fit(job)
        task = self._loop.create_task(work)
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
            fact = await self._finisher.figures(job)
        except Exception as error:  # noqa: BLE001 - whatever a finisher fails by, the cycle is to be closed
            sums, why = job.sums, f"{NO_FIGURES}: {fault(error)}"
            fact = CycleFinished(sums.epoch, sums.cycle_no, sums.sha256(), error=why)
        if fact.error:
            log.error("figures_failed", fixture=self._fixture, cycle=fact.cycle_no, why=fact.error)
        self._tell(CYCLE_FINISHED, fact)

    async def _fit(self, job: FitJob) -> None:
        try:
            fact = await self._finisher.course(job)
        except Exception as error:  # noqa: BLE001 - whatever a finisher fails by, the course is not waited for
            why = f"{NOT_FITTED}: {fault(error)}"
            fact = TrendFitted(job.figure, job.direction, job.cycle_no, error=why)
        if fact.error:
            log.error("course_failed", fixture=self._fixture, figure=fact.figure, why=fact.error)
        self._tell(TREND_FITTED, fact)
