"""One fixture, live: the only place where the core meets asyncio.

`_step` writes records to the tape, then hands them to the core and carries its effects out. Facts raised meanwhile
(probe stamps, cuts, failures) follow in the next step. Slow work goes to `Offload`, and its outcome comes back as
a fact.
"""

import asyncio
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import structlog

from nightturn.bench.ledger import Ledger
from nightturn.errors import NightturnError, PortError, StorageError
from nightturn.fixture.core import Fixture
from nightturn.model import facts
from nightturn.model.facts import RunOpened
from nightturn.model.records import Bad, Emit, Frame, Record, Send, Tick
from nightturn.model.rows import CHUNK, RUN_ENDED, STATE, WANT_CUT, ChunkPlan, RunEnded
from nightturn.storage.journal import Journal
from nightturn.transport.port import Port
from nightturn.world import World
from nightturn_protocol.framing import Deframer, to_wire
from nightturn_protocol.messages import Probe

REOPEN_S = (0.25, 0.5, 1.0, 2.0, 5.0)
SYNC_PERIOD_S = 1.0
FACTS_MAX = 1000
KIND_AT = 1
UNSTORED = frozenset({STATE, RUN_ENDED, WANT_CUT, CHUNK})

log: structlog.stdlib.BoundLogger = structlog.get_logger()


class Sink(Protocol):
    """Takes rows as they are emitted; never blocks, counts its drops."""

    def offer(self, fixture: str, emit: Emit) -> None:
        """One row of a fixture."""
        ...


@dataclass(slots=True)
class Cadence:
    """How often the shell does things, seconds of its loop's clock."""

    control_s: float = 0.1
    sync_s: float = SYNC_PERIOD_S


@dataclass(slots=True)
class _Shell:
    """What the station keeps between steps that is not the core's."""

    deframer: Deframer = field(default_factory=Deframer)
    facts: deque[Record] = field(default_factory=lambda: deque(maxlen=FACTS_MAX))
    stamps: list[Record] = field(default_factory=list)
    rows: list[Emit] = field(default_factory=list)
    jobs: set[asyncio.Task[None]] = field(default_factory=set)
    stepping: bool = False
    line_up: bool = False
    reopen_no: int = 0
    closing: bool = False
    lost_batches: int = 0


class Station:
    """Runs one fixture until its run ends or `close` is called."""

    def __init__(
        self,
        fixture: str,
        world: World,
        port: Port,
        journal: Journal,
        sinks: Sequence[Sink],
        cadence: Cadence,
    ) -> None:
        self.fixture = fixture
        self.core = Fixture()
        self.ended: asyncio.Event = asyncio.Event()
        self.run_ended: RunEnded | None = None
        self._world = world
        self._port = port
        self._journal = journal
        self._sinks = tuple(sinks)
        self._cadence = cadence
        self._shell = _Shell()
        self._run = ""
        self._ledger: Ledger | None = None
        self._loop = asyncio.get_running_loop()
        self._timers: dict[str, asyncio.TimerHandle] = {}

    def start(self, opened: RunOpened) -> None:
        """Open the tape with the run's first record, then the port.

        Raises:
            StorageError: the tape cannot be written.
        """
        self._run = opened.run
        self._ledger = Ledger(self._world.files, self.fixture, opened)
        self._ledger.begin()
        self.core = Fixture(opened.first_record_no)
        self._journal.open(opened.first_record_no, opened.run, opened.epoch, self.core.snapshot())
        self._fact(facts.RUN_OPENED, opened)
        self._open_line()
        self._again("control", self._cadence.control_s, self._control)
        self._again("sync", self._cadence.sync_s, self._sync)

    def command(self, name: str, by: str = "") -> None:
        """Put a person's command on the tape."""
        self._fact(facts.COMMAND, facts.Command(name, by))

    async def close(self) -> None:
        """Close the line, cut and seal what was recorded, and let go of the tape."""
        shell = self._shell
        if shell.closing:
            return
        for timer in self._timers.values():
            timer.cancel()
        if shell.line_up:
            shell.line_up = False
            self._port.close()
            self._fact(facts.LINK, facts.LinkFact(opened=False, reason="the host closes the line"))
        shell.closing = True
        self._cut()
        while shell.jobs:
            await asyncio.wait(set(shell.jobs))
        await self._world.offload(self._close_journal)

    def _close_journal(self) -> None:
        try:
            self._journal.close()
            if self.run_ended is not None and self._ledger is not None:
                self._ledger.end(self.run_ended.ts, self.run_ended.reason)
        except StorageError as error:
            log.error("journal_not_closed", fixture=self.fixture, why=str(error))

    def _step(self, records: Sequence[Record]) -> None:
        """Write, handle, carry out; then the facts that this raised, until none is left."""
        shell = self._shell
        if shell.stepping:
            shell.facts.extend(records)
            return
        shell.stepping = True
        try:
            stamps, shell.stamps = shell.stamps, []
            self._take([*stamps, *records] if stamps else records)
            while shell.facts:
                batch = [shell.facts.popleft()]
                self._take(batch)
        finally:
            shell.stepping = False

    def _take(self, records: Sequence[Record]) -> None:
        try:
            self._journal.write(records)
        except StorageError as error:
            # What is not on the tape never happened: the core sees nothing, so no lease goes out and the device
            # stops by itself; its ring and RESEND bring back what still can be.
            self._shell.lost_batches += 1
            if self._shell.lost_batches == 1:
                log.error("tape_write_failed", fixture=self.fixture, why=str(error))
            return
        self._shell.lost_batches = 0
        handle = self.core.handle
        for record in records:
            for effect in handle(record):
                if isinstance(effect, Send):
                    self._send(effect)
                else:
                    self._emitted(effect)

    def _send(self, effect: Send) -> None:
        if not self._shell.line_up:
            return
        stamp_ns = self._world.clock.monotonic_ns()
        self._port.write(to_wire(effect.body))
        if effect.body[KIND_AT] == Probe.KIND:
            probe = Probe.decode(effect.body[8:])
            # Ahead of whatever comes next, and so ahead of the answer; no write of its own.
            self._shell.stamps.append(facts.host(stamp_ns, facts.PROBE_SENT, facts.ProbeSent(probe.probe_id)))

    def _emitted(self, emit: Emit) -> None:
        if emit.dataset == CHUNK:
            assert isinstance(emit.row, ChunkPlan)
            self._rotate(emit.row)
            return
        if emit.dataset == WANT_CUT:
            self._shell.facts.append(self._cut_fact())
            return
        if emit.dataset == RUN_ENDED:
            assert isinstance(emit.row, RunEnded)
            self.run_ended = emit.row
            self.ended.set()
        if emit.dataset not in UNSTORED:
            self._shell.rows.append(emit)
        for sink in self._sinks:
            sink.offer(self.fixture, emit)

    def _cut_fact(self) -> Record:
        state = self.core.state
        cut = facts.Cut(state.effects_crc, state.effects)
        return facts.host(self._world.clock.monotonic_ns(), facts.CUT, cut)

    def _cut(self) -> None:
        self._step([self._cut_fact()])

    def _rotate(self, plan: ChunkPlan) -> None:
        """The core ordered a cut: the next segment begins now, the finished one is sealed in the background."""
        rows, self._shell.rows = self._shell.rows, []
        try:
            finished = self._journal.rotate(self.core.snapshot(), self._run, self.core.state.epoch)
        except StorageError as error:
            self._shell.rows = rows
            self._fail("journal", error)
            return
        self._background(self._seal(finished, plan, rows, self.core.state.sheet))

    async def _seal(self, segment: str, plan: ChunkPlan, rows: list[Emit], sheet: bytes) -> None:
        def seal_now() -> None:
            self._journal.seal(segment, plan, rows)
            if sheet and self._ledger is not None:
                self._ledger.met(sheet)

        try:
            await self._world.offload(seal_now)
        except NightturnError as error:
            self._fail("seal", error)

    async def _sync_once(self) -> None:
        outcome: list[facts.Synced] = []
        try:
            await self._world.offload(lambda: outcome.append(self._journal.sync()))
        except StorageError as error:
            self._fail("sync", error)
            return
        if outcome and not self._shell.closing:
            self._fact(facts.SYNCED, outcome[0])

    def _background(self, work: "asyncio._CoroutineLike[None]") -> None:
        task = self._loop.create_task(work)
        self._shell.jobs.add(task)
        task.add_done_callback(self._shell.jobs.discard)

    def _fail(self, what: str, error: Exception) -> None:
        log.error("shell_failed", fixture=self.fixture, what=what, why=str(error))
        self._fact(facts.FAILURE, facts.Failure(what, str(error)))

    def _fact(self, kind: str, fact: object) -> None:
        self._step([facts.host(self._world.clock.monotonic_ns(), kind, fact)])  # type: ignore[arg-type]

    def _bytes(self, stamp_ns: int, content: bytes) -> None:
        """Bytes were read: stamp first, decode after, one step for the whole read."""
        deframer = self._shell.deframer
        records: list[Record] = [Frame(stamp_ns, body) for body in deframer.receive_bytes(content)]
        count, head = deframer.take_bad()
        if count:
            records.append(Bad(stamp_ns, count, head))
        if records:
            self._step(records)
        self._reopen_if_asked()

    def _reopen_if_asked(self) -> None:
        link = self.core.state.link
        if link is not None and link.wants_reopen:
            self._line_lost("the link asks for a fresh line")

    def _open_line(self) -> None:
        if self._shell.closing:
            return
        self._shell.deframer = Deframer()
        try:
            self._port.open(self._bytes, self._line_lost)
        except PortError as error:
            if not self._shell.reopen_no:
                log.warning("port_not_open", fixture=self.fixture, why=str(error))
            self._reopen_later()
            return
        if self._shell.reopen_no:
            log.info("port_open_again", fixture=self.fixture, port=self._port.name)
        self._shell.reopen_no = 0
        self._shell.line_up = True
        self._fact(facts.LINK, facts.LinkFact(opened=True))

    def _line_lost(self, reason: str) -> None:
        if not self._shell.line_up:
            return
        self._shell.line_up = False
        self._port.close()
        log.warning("line_lost", fixture=self.fixture, why=reason)
        self._fact(facts.LINK, facts.LinkFact(opened=False, reason=reason))
        self._reopen_later()

    def _reopen_later(self) -> None:
        step = min(self._shell.reopen_no, len(REOPEN_S) - 1)
        self._shell.reopen_no += 1
        self._timers["reopen"] = self._loop.call_later(REOPEN_S[step], self._open_line)

    def _control(self) -> None:
        clock = self._world.clock
        self._step([Tick(clock.monotonic_ns(), clock.utc_ns(), self.core.effects_crc)])
        self._reopen_if_asked()  # a device that has restarted is silent, so no byte would bring us here

    def _sync(self) -> None:
        if not self._shell.jobs:
            self._background(self._sync_once())

    def _again(self, name: str, period_s: float, call: Callable[[], None]) -> None:
        """Call at a fixed cadence, without drift; a late loop skips what it missed."""
        due = self._loop.time() + period_s

        def fire() -> None:
            nonlocal due
            if self._shell.closing:
                return
            call()
            now = self._loop.time()
            due = max(due + period_s, now + period_s / 10)
            self._timers[name] = self._loop.call_at(due, fire)

        self._timers[name] = self._loop.call_at(due, fire)
