"""One fixture, live: the only place where the core meets asyncio.

`_step` writes records to the tape, then hands them to the core and carries its effects out. Facts raised meanwhile
(probe stamps, cuts, failures) follow in the next step. Slow work goes to `Offload`, and its outcome comes back as
a fact.
"""

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import msgspec
import structlog

from nightturn.acquisition.states import LinkState
from nightturn.bench.counting import COUNTERS_PERIOD_S
from nightturn.bench.figuring import Figuring, Finisher, OffloadFinisher
from nightturn.bench.following import follows
from nightturn.bench.ledger import Ledger
from nightturn.bench.line import Line
from nightturn.bench.proof import Proof
from nightturn.bench.rounds import Beat
from nightturn.bench.safekeeping import Finished, Safekeeping
from nightturn.bench.shell import Shell
from nightturn.bench.telling import Sink, Telling
from nightturn.errors import StorageError, fault
from nightturn.estimation.jobs import CycleJob
from nightturn.fixture.core import Fixture
from nightturn.fixture.off import off_frames
from nightturn.model import facts
from nightturn.model.facts import RunOpened
from nightturn.model.quantities import quantity
from nightturn.model.records import Emit, Frame, Record, Send, Tick
from nightturn.model.rows import CHUNK, JOBS, NOT_STORED, RUN_ENDED, WANT_CUT, ChunkPlan, RunEnded, StateRow
from nightturn.settings.rig import Fsync
from nightturn.storage.journal import Journal
from nightturn.transport.port import Port
from nightturn.trend.fits import FitJob
from nightturn.world import World
from nightturn_protocol.framing import HEADER_BYTES, to_wire
from nightturn_protocol.messages import Probe

SYNC_PERIOD_S = 1.0
LIVE_PERIOD_S = 1.0
LET_GO_S = 1.0  # twice the lease: what was not answered by then has ended by itself
LET_GO_POLL_S = 0.01
OFF_S = 0.05  # for two short frames to leave, far below a lease
FACTS_MAX = 1000
TAPE_REST_S = 1.0  # a tape that has failed takes records for so long before the line is opened again
SILENT_S = 10.0  # a line that is up for so long without a frame on the tape is an alarm
KIND_AT = 1

log: structlog.stdlib.BoundLogger = structlog.get_logger()


@dataclass(slots=True)
class Cadence:
    """How often the shell does things, seconds of its loop's clock.

    With `fsync` "frame" it syncs behind every batch of frames as well, with "never" only what a person's command waits for, or a cut.
    """

    control_s: float = 0.1
    sync_s: float = SYNC_PERIOD_S
    live_s: float = LIVE_PERIOD_S
    fsync: Fsync = "1s"


@dataclass(slots=True)
class Losses:
    """What the shell could not carry out, counted.

    Attributes:
        batches: writes of records that the tape did not take, in all.
        facts: facts that found `FACTS_MAX` of them waiting.
    """

    batches: int = 0
    facts: int = 0


class Station:
    """Runs one fixture until its run ends or `close` is called.

    Attributes:
        ended: set when the run is over or the core has failed.
        crashed: what the core raised; a fault of this program, after which the station does nothing more.
        losses: what could not be carried out.
        durable_through: number of the last record that is known to be on the disk.
    """

    def __init__(
        self,
        fixture: str,
        world: World,
        port: Port,
        journal: Journal,
        sinks: Sequence[Sink],
        cadence: Cadence,
        finisher: Finisher | None = None,
    ) -> None:
        self.fixture = fixture
        self.core = Fixture()
        self.ended: asyncio.Event = asyncio.Event()
        self.run_ended: RunEnded | None = None
        self.crashed: Exception | None = None
        self.losses = Losses()
        self.durable_through = -1
        self._world = world
        self._line = Line(fixture, port, self._received, self._line_changed)
        self._journal = journal
        self._keeping = Safekeeping(fixture, world, journal, self._kept)
        self._figuring = Figuring(fixture, finisher or OffloadFinisher(world), self._fact)
        self._telling = Telling(fixture, world.clock, sinks)
        self._cadence = cadence
        self._shell = Shell()
        self._run = ""
        self._ledger: Ledger | None = None
        self._loop = asyncio.get_running_loop()
        self._timers: dict[str, asyncio.TimerHandle | Beat] = {}
        self._close_task: asyncio.Task[None] | None = None

    def start(self, opened: RunOpened, segment: str = "", setting: facts.Setting | None = None) -> None:
        """Open the tape with the run's first record, then the port.

        Args:
            opened: the run that starts or goes on.
            segment: what recovery has begun for a run that goes on; empty for a new one.
            setting: what holds from here on in a run that goes on; None when it is what the run was recorded under.

        Raises:
            StorageError: the tape or the manifest cannot be written; nothing of a new run is left on disk.
        """
        self._run = opened.run
        self.durable_through = opened.first_record_no - 1
        self._ledger = Ledger(self._world.files, self.fixture, opened)
        self._keeping.ledger = self._ledger
        self.core = Fixture(opened.first_record_no)
        self._shell.segment_first = opened.first_record_no
        first = facts.host(self._world.clock.monotonic_ns(), facts.RUN_OPENED, opened)
        begun = [first, *([facts.host(first.at_ns, facts.SETTING, setting)] if setting is not None else [])]
        if segment:
            self._ledger.begin()
            self._journal.reopen(segment)
            self._journal.write(begun)
        else:
            self._begin_tape(first, opened)
        self._handle(begun)
        self._shell.frame_s = self._loop.time()
        self._line.open()
        self._again("control", self._cadence.control_s, self._control)
        never = self._cadence.fsync == "never"
        sync = self._keeping.tend if never else self._keeping.sync
        self._again("sync", self._cadence.sync_s, sync, in_step=True)
        self._again("live", self._cadence.live_s, lambda: self._telling.live(self.core))
        self._again("counters", COUNTERS_PERIOD_S, lambda: self._telling.counters(self.core))

    def _begin_tape(self, first: Record, opened: RunOpened) -> None:
        """The tape of a new run before its manifest: one that is called running has something that says where it stands."""
        assert self._ledger is not None
        path = self._journal.open(opened.first_record_no, opened.run, opened.epoch, self.core.snapshot())
        try:
            self._journal.write([first])
            self._ledger.begin()
        except StorageError:
            self._world.files.remove(path)
            raise

    def command(self, name: str, by: str = "", unit: str = "", card: str = "") -> int | None:
        """Put a person's command on the tape; a number as `durable_through` says it, None while the tape takes no records."""
        self._fact(facts.COMMAND, facts.Command(name, by, unit, card))
        return None if self._shell.deaf_batches or self.crashed is not None else self.core.state.record_no

    @property
    def waits_for(self) -> str:
        """What motion waits for, and which command ends the wait."""
        return self.core.waits_for

    @property
    def proof(self) -> Proof:
        """Its newest signs of life; where the rig file promises no sync, none is missing."""
        now_s = self._loop.time()
        sync_age_s = 0.0 if self._cadence.fsync == "never" else now_s - self._keeping.sync_ended_s
        return Proof(self.fixture, now_s - self._shell.frame_s, sync_age_s)

    def sync_now(self) -> None:
        """Begin a sync unless one is under way."""
        if not self._shell.closing:
            self._keeping.sync()

    async def let_go(self, limit_s: float = LET_GO_S) -> None:
        """Have the core turn the drive off and end the session, and wait, bounded, until the device has answered.

        Calling again waits for the same.
        """
        if not self._line.up or self.crashed is not None:
            return
        if not self._shell.letting_go:
            self._shell.letting_go = True
            self.command(facts.DAEMON_ENDS)
        until_s = self._loop.time() + limit_s
        while self._unanswered() and self._loop.time() < until_s:  # noqa: ASYNC110 - an answer is a record like any other
            await asyncio.sleep(LET_GO_POLL_S)

    def _unanswered(self) -> bool:
        link = self.core.state.device.link
        return self._line.up and link is not None and bool(link.control.waiting)

    async def close(self) -> None:
        """Close the line, cut and seal what was recorded, and let go of the tape; calling again waits for the same."""
        if self._close_task is None:
            self._close_task = self._loop.create_task(self._close())
        await asyncio.shield(self._close_task)

    async def _close(self) -> None:
        shell = self._shell
        for timer in self._timers.values():
            timer.cancel()
        was_up = self._line.up
        if self.crashed is not None:
            await asyncio.sleep(OFF_S)  # for the OFF that went out past it
        self._line.stop()
        if was_up:
            self._fact(facts.LINK, facts.LinkFact(opened=False, reason=facts.HOST_CLOSES))
        await self._figuring.drained()
        shell.closing = True
        self._step([self._cut_fact()])
        if self.core.state.finishing.waiting:  # the cut has ended a cycle
            await self._figuring.drained()
            self._step([self._cut_fact()])
        await self._keeping.drained()
        await self._world.offload(self._close_journal)

    def _close_journal(self) -> None:
        try:
            path = self._journal.path
            bare = self._journal.next_record_no == self._shell.segment_first
            self._journal.close()
            self.durable_through = self.core.state.record_no
            if self.run_ended is not None and self._ledger is not None:
                self._ledger.end(self.run_ended, self.core.state)
                if bare:  # nothing of the run will follow in the segment after its last cut
                    self._world.files.remove(path)
        except (StorageError, OSError) as error:
            self._complain("journal_not_closed", error)

    # records in, effects out

    def _step(self, records: Sequence[Record]) -> None:
        """Write, handle, carry out; then the facts that this raised, until none is left."""
        shell = self._shell
        if shell.stepping:
            self._queue(records)
            return
        shell.stepping = True
        try:
            stamps, shell.stamps = shell.stamps, []
            self._take([*stamps, *records] if stamps else records)
            while shell.facts or shell.cut_wanted:
                if shell.facts:
                    self._take([shell.facts.popleft()])
                else:
                    shell.cut_wanted = False
                    self._take([self._cut_fact()])
        finally:
            shell.stepping = False

    def _queue(self, records: Sequence[Record]) -> None:
        """For after the step under way."""
        if len(self._shell.facts) + len(records) > FACTS_MAX:
            if not self.losses.facts:
                log.error("facts_dropped", fixture=self.fixture, waiting=len(self._shell.facts))
            self.losses.facts += len(records)
            return
        self._shell.facts.extend(records)

    def _take(self, records: Sequence[Record]) -> None:
        """To the tape, then to the core; after an outage the cause first: a STATUS in the batch may give samples up."""
        if self.crashed is not None:
            return
        missed = self._missed() if self._shell.deaf_batches else []
        try:
            if self._shell.unrotated is not None:
                self._rotate(self._shell.unrotated)
            self._journal.write(batch := [*missed, *records])
        except StorageError as error:
            self._deaf(records, error)
            return
        if missed:
            self._hears_again()
        if isinstance(records[-1], Frame):
            self._shell.frame_s, self._shell.silence_told = self._loop.time(), False
            if self._cadence.fsync == "frame":
                self._keeping.follow()
        self._handle(batch)

    def _handle(self, records: Sequence[Record]) -> None:
        handle = self.core.handle
        try:
            for record in records:
                for effect in handle(record):
                    if isinstance(effect, Send):
                        self._send(effect)
                    else:
                        self._emitted(effect)
        except StorageError as error:
            self._deaf((), error)
        except Exception as error:  # noqa: BLE001 - a fault of the core ends this station, not its neighbours
            self._crash(error)

    def _deaf(self, records: Sequence[Record], error: StorageError) -> None:
        """What is not on the tape never happened: the core sees nothing, so no lease goes out and the device stops.

        OFF does not wait for that: it goes out past core and tape. Then the line is closed; the device's ring brings back
        what still can be had when the tape takes records again.
        """
        shell = self._shell
        shell.deaf_batches += 1
        self.losses.batches += 1
        shell.kept.extend(record for record in records if follows(record))
        if shell.deaf_batches == 1:
            log.error("tape_write_failed", fixture=self.fixture, why=str(error))
            self._telling.deaf(self._run, str(error))
            self._off_past_core(self._line.drop)
        elif self._timers["off"].when() <= self._loop.time():
            self._line.drop()  # each time: it may have been opened since the tape last took records

    def _missed(self) -> list[Record]:
        """What the core has not seen and has to know when the tape takes records again."""
        shell = self._shell
        now_ns = self._world.clock.monotonic_ns()
        lost = facts.LinkFact(opened=False, reason="the tape took no records")
        failed = facts.Failure("journal", f"{shell.deaf_batches} batches of records could not be written")
        return [facts.host(now_ns, facts.LINK, lost), facts.host(now_ns, facts.FAILURE, failed), *shell.kept]

    def _hears_again(self) -> None:
        """The tape takes records again: the line starts anew."""
        shell = self._shell
        batches, shell.deaf_batches = shell.deaf_batches, 0
        log.info("tape_written_again", fixture=self.fixture, batches_lost=batches)
        self._telling.hears_again()
        shell.kept.clear()
        if not shell.closing:
            self._line.drop()
            self._timers["reopen"] = self._loop.call_later(TAPE_REST_S, self._line.open)

    def _off_past_core(self, then: Callable[[], None]) -> None:
        """OFF to the device, and something else when it has left the line."""
        for body in off_frames(self.core.state):
            self._line.write(to_wire(body))
        self._timers["off"] = self._loop.call_later(OFF_S, then)

    def _crash(self, error: Exception) -> None:
        self.crashed = error
        log.critical("core_failed", fixture=self.fixture, why=fault(error), exc_info=error)
        self._telling.failed(self._run)
        for timer in self._timers.values():
            timer.cancel()
        self._off_past_core(self._line.stop)
        self.ended.set()

    def _send(self, effect: Send) -> None:
        if not self._line.up:
            return
        stamp_ns = self._world.clock.monotonic_ns()
        self._line.write(to_wire(effect.body))
        if effect.body[KIND_AT] == Probe.KIND:
            probe = Probe.decode(effect.body[HEADER_BYTES:])
            # Ahead of whatever comes next, and so ahead of the answer; no write of its own.
            self._shell.stamps.append(facts.host(stamp_ns, facts.PROBE_SENT, facts.ProbeSent(probe.probe_id)))

    def _emitted(self, emit: Emit) -> None:
        if emit.dataset == CHUNK:
            assert isinstance(emit.row, ChunkPlan)
            self._rotate(emit.row)
            return
        if emit.dataset == WANT_CUT:
            self._shell.cut_wanted = True
            return
        if emit.dataset in JOBS:
            assert isinstance(emit.row, CycleJob | FitJob)
            self._figuring.begin(emit.row)
            return
        if emit.dataset == RUN_ENDED:
            assert isinstance(emit.row, RunEnded)
            self.run_ended = emit.row
            self.ended.set()
        if isinstance(emit.row, StateRow) and emit.row.state != self._shell.motion:
            self._shell.motion = emit.row.state
            self._keeping.stands(emit.row)
        if emit.dataset not in NOT_STORED:
            self._shell.rows.append(emit)
        self._telling.emitted(emit)

    # cutting, sealing, syncing

    def _cut_fact(self) -> Record:
        state = self.core.state
        cut = facts.Cut(state.effects_crc, state.effects)
        return facts.host(self._world.clock.monotonic_ns(), facts.CUT, cut)

    def _rotate(self, plan: ChunkPlan) -> None:
        """The core ordered a cut: the next segment begins now, the finished one is sealed in the background.

        Raises:
            StorageError: the next segment cannot be begun; no record may follow before it is.
        """
        shell = self._shell
        shell.unrotated = plan
        finished = self._journal.rotate(self.core.snapshot(), self._run, self.core.state.epoch.no)
        shell.unrotated = None
        shell.segment_first = plan.last + 1
        rows, shell.rows = shell.rows, []
        state = self.core.state
        self._keeping.seal(Finished(finished, plan, rows, state.findings, state.run.night.verdict))

    def _kept(self, fact: facts.Synced | facts.Failure) -> None:
        """What became of a sync or a seal."""
        if isinstance(fact, facts.Failure):
            self._fact(facts.FAILURE, fact)
            return
        self.durable_through = fact.record_no
        if not self._shell.closing:
            self._fact(facts.SYNCED, fact)

    def _complain(self, what: str, error: Exception) -> None:
        log.error(what, fixture=self.fixture, why=str(error))

    def _fact(self, kind: str, fact: msgspec.Struct) -> None:
        self._step([facts.host(self._world.clock.monotonic_ns(), kind, fact)])

    # line and timers

    def _line_changed(self, fact: facts.LinkFact) -> None:
        self._fact(facts.LINK, fact)

    def _received(self, records: Sequence[Record]) -> None:
        """What a read brought. A control tick that is due comes right behind it, not behind all other lines: no lease waits for them."""
        self._step(records)
        control = self._timers.get("control")
        if isinstance(control, Beat) and control.late:
            control.made()
            self._control()

    def _control(self) -> None:
        clock = self._world.clock
        self._step([Tick(clock.monotonic_ns(), clock.utc_ns(), self.core.effects_crc)])
        self._telling.look(self.core)
        state = self.core.state
        if state.device.link is not None:
            self._line.quiet = state.device.vain_openings > 1
            fault = state.device.link.state is LinkState.FAULT
            self._line.watch(wants_reopen=state.device.link.wants_reopen, fault=fault)
            self._listen(fault=fault)

    def _listen(self, *, fault: bool) -> None:
        """A line that is up and brings nothing to the tape is an alarm, once until a frame is written again."""
        shell, now_s = self._shell, self._loop.time()
        if not self._line.up or fault:
            shell.frame_s = now_s
        elif now_s - shell.frame_s >= SILENT_S and not shell.silence_told:
            shell.silence_told = True
            why = f"nothing was recorded for {quantity(SILENT_S, 's')} although the line is up"
            log.error("nothing_recorded", fixture=self.fixture, why=why)
            self._fact(facts.FAILURE, facts.Failure("recording", why))
            self._line.lost(why)

    def _again(self, name: str, period_s: float, call: Callable[[], None], *, in_step: bool = False) -> None:
        self._timers[name] = Beat(self._loop, period_s, call, in_step=in_step)
