"""The alarms of a running host: rows of fixtures and words of people in, the log on the disk, changed alarms to its sinks.

A sink like any other: `offer` never waits. Lines of the log are put on the disk beside the loop, in their order; a person's word is
answered when it is kept there.
"""

import asyncio
from collections.abc import Mapping, Sequence

import structlog

from nightturn.alarms import conditions as known
from nightturn.alarms.feed import Feed
from nightturn.alarms.words import Begun, Given, Moved, Sign
from nightturn.bench.telling import Sink
from nightturn.errors import StorageError
from nightturn.model.alarms import HOST, AlarmRow
from nightturn.model.clocks import NS_PER_S
from nightturn.model.quantities import fixed
from nightturn.model.records import Emit
from nightturn.model.rows import ALARM
from nightturn.storage.alarm_log import AlarmLog, Placed, write
from nightturn.version import VERSION
from nightturn.world import World

TICK_S = 1.0
PENDING_MAX = 20_000
"""Lines that wait for a disk that takes none."""
STEP_NS = 500_000_000
WALL = "the host's wall clock moved by {} s"
BEHIND = "the host's wall clock shows {} s less than the log of alarms, so it is wrong or was"

log: structlog.stdlib.BoundLogger = structlog.get_logger()


class AlarmDesk:
    """Runs the core of the alarms; whoever makes it owns the data root.

    Attributes:
        dropped: lines of the log that a disk did not take in time.
        kept: number of the newest line that is on the disk.
    """

    def __init__(self, world: World, fixtures: Sequence[str], boot: str, sinks: Sequence[Sink] = ()) -> None:
        """Read the log and go on where it ends; its open alarms go to the sinks at once.

        Raises:
            StorageError: the log cannot be read or written.
        """
        self._world = world
        self._log = AlarmLog(world.files)
        self._feed = Feed()
        self._sinks = tuple(sinks)
        self._pending: list[Placed] = []
        self._again = self._lost = False
        self._writing = asyncio.Lock()
        self._wake = asyncio.Event()
        self.dropped = 0
        self.kept = self._log.lines
        clock = world.clock
        utc_ns = clock.utc_ns()
        self._begun_ts, self._begun_ns = max(utc_ns, self._log.ts), clock.monotonic_ns()
        self._step_ns = 0
        self._begin(tuple(fixtures), boot, self._log.ts - utc_ns)

    @property
    def now_ts(self) -> int:
        """The time of the alarms, UTC ns: the wall clock's as the daemon began, and from there on one that never steps."""
        return self._begun_ts + self._world.clock.monotonic_ns() - self._begun_ns

    @property
    def rows(self) -> list[AlarmRow]:
        """The open alarms."""
        return self._log.alarms.rows()

    @property
    def head(self) -> str:
        """The hash of the log's newest line."""
        return self._log.head

    def offer(self, fixture: str, emit: Emit) -> None:
        """A row of a fixture."""
        self._signs(self._feed.row(fixture, emit.row))

    def announce(self, fixture: str, info: Mapping[str, object]) -> None:
        """What stands on a fixture whose run opens."""
        self._feed.info(fixture, info)

    def begin_again(self, fixture: str) -> None:
        """Whoever spoke for a fixture is gone and another one follows: what it said is settled by what that one says."""
        self._feed.begin_again(fixture)

    def host(self, condition: str, *, there: bool, said: str = "") -> None:
        """What the daemon knows of its host."""
        self._signs(self._feed.host(condition, there=there, said=said))

    def say(self, given: Given) -> str:
        """A person's word; why it changes nothing, or an empty text."""
        self._roll()
        ts = self.now_ts
        taken = self._log.alarms.handle(ts, given)
        if not taken.refusal:
            self._put(ts, given)
        self._moved(ts, taken.moved)
        return taken.refusal

    async def asked(self, given: Given) -> tuple[str, bool]:
        """A person's word over the control socket: why it changes nothing, and whether it is on the disk."""
        refusal = self.say(given)
        if refusal:
            return refusal, False
        line = self._log.lines
        await self.keep()
        return "", self.kept >= line and not self._lost

    def tick(self) -> None:
        """Time has passed."""
        ts = self.now_ts
        step_ns = self._world.clock.utc_ns() - ts
        if abs(step_ns - self._step_ns) >= STEP_NS:
            moved_s = (step_ns - self._step_ns) / NS_PER_S
            self._step_ns = step_ns
            self.host(known.CLOCK, there=True, said=WALL.format(fixed(moved_s, 1, signed=True)))
        self._roll()
        self._moved(ts, self._log.alarms.advance(ts))

    async def run(self) -> None:
        """Tick once a second and keep the log on the disk, until cancelled."""
        while True:
            self.tick()
            await self.keep()
            self._wake.clear()
            try:
                async with asyncio.timeout(TICK_S):
                    await self._wake.wait()
            except TimeoutError:
                continue

    async def keep(self) -> None:
        """Put what waits on the disk; a disk that takes nothing is tried again with the next tick."""
        async with self._writing:
            if not self._pending:
                return
            waiting, again = list(self._pending), self._again
            try:
                await self._world.offload(lambda: write(self._world.files, waiting, again=again))
            except (StorageError, OSError) as error:
                self._again = True
                _not_written(error, len(waiting))
                return
            self._again = False
            del self._pending[: len(waiting)]
            self.kept = waiting[-1].n

    def keep_now(self) -> None:
        """The same where no loop runs.

        Raises:
            StorageError: the lines could not be kept.
        """
        if self._pending:
            write(self._world.files, self._pending, again=self._again)
            self.kept = self._pending[-1].n
            self._pending.clear()

    def _begin(self, fixtures: tuple[str, ...], boot: str, behind_ns: int) -> None:
        for row in self._log.alarms.rows():
            self._tell(row)
        self.say(Begun(boot, VERSION, fixtures))
        self._feed.begin(self._log.alarms.causes())
        gone = [each for each in self._log.alarms.causes() if each.fixture not in {*fixtures, HOST}]
        self._signs(
            [Sign(each.fixture, each.condition, there=False) for each in gone]
        )  # of no fixture any more
        if self._log.trouble:
            self.host(known.LOG_BROKEN, there=True, said=self._log.trouble)
        if behind_ns > STEP_NS:
            self.host(known.CLOCK, there=True, said=BEHIND.format(fixed(behind_ns / NS_PER_S, 0)))

    def _signs(self, signs: Sequence[Sign]) -> None:
        for sign in signs:
            self._roll()
            ts = self.now_ts
            taken = self._log.alarms.handle(ts, sign)
            self._put(ts, sign)
            self._moved(ts, taken.moved)

    def _moved(self, ts: int, moved: Sequence[Moved]) -> None:
        for each in moved:
            self._put(ts, each)
            self._tell(each.row)

    def _tell(self, row: AlarmRow) -> None:
        for sink in self._sinks:
            sink.offer(row.fixture, Emit(ALARM, row))

    def _roll(self) -> None:
        """Another file is begun before the core takes a word, so that the state at its begin holds none of its lines."""
        room = len(self._pending) < PENDING_MAX // 2
        if self._log.full or (self._lost and room):
            self._lost = False
            self._pending.append(self._log.begin())

    def _put(self, ts: int, said: Given | Moved) -> None:
        """A line more, which waits for the disk; what finds no place is lost to the log, and the next file begins with what it led to."""
        if self._lost or len(self._pending) >= PENDING_MAX:
            self._lost = True
            self.dropped += 1
            return
        self._pending.append(self._log.line(ts, said))
        self._wake.set()


def _not_written(error: Exception, lines: int) -> None:
    log.error("alarm_log_not_written", why=str(error), lines=lines, next="tried again once a second")
