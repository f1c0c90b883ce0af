"""Figures replay: the series and its figures only, without plan, timebase and effects; the fast form.

The link still says which blocks are in series, because only it knows which came too late. The plan's own requests are
not made here, so the numbers of the link's requests are taken from the replies on the tape.
"""

from collections.abc import Iterator, Sequence

import msgspec

from nightturn.acquisition.control import Outstanding
from nightturn.acquisition.link import Link
from nightturn.acquisition.outputs import (
    BlockIn,
    LinkFault,
    Missing,
    Output,
    Restarted,
    SendFrame,
    SessionUp,
    SlowIn,
)
from nightturn.acquisition.states import LinkState
from nightturn.fixture import chunks, events, measuring
from nightturn.fixture.core import Fixture
from nightturn.fixture.session import open_run, session_up
from nightturn.fixture.state import FixtureState
from nightturn.fixture.stream import RunSettings, Stream, temperatures_mdegc
from nightturn.fixture.work import Work
from nightturn.model import facts
from nightturn.model.figures import CycleRecord
from nightturn.model.records import Bad, Effect, Emit, Frame, Host, Tick
from nightturn.replay.full import read_by_this_version
from nightturn.replay.tapes import Part, Tape
from nightturn_protocol.conversation import seq_add, seq_after
from nightturn_protocol.framing import HEADER
from nightturn_protocol.messages import BY_KIND, Block, Opened, Probed, Refused

TILE_SAMPLES = 20_000
KIND_AT = 1
REPLY_KINDS = frozenset(
    {kind.REPLY_KIND for kind in BY_KIND.values() if kind.REPLY_KIND} | {Refused.KIND}
) - {Probed.KIND}


class FiguresReplay:
    """Feeds a tape to the link, the tiler and the estimator of a core's state; of the rest only what is rare.

    Attributes:
        cycles: what was finished; their record numbers and times are not the live ones.
        dropped_bytes: bytes that are no whole record.
        record_first, record_last: the records fed, -1 when there was none.
        damage: sentences on what the tape lacks.
    """

    def __init__(self) -> None:
        self.cycles: list[CycleRecord] = []
        self.dropped_bytes = 0
        self.record_first = self.record_last = -1
        self.damage: list[str] = []
        self._state = FixtureState()
        self._run: RunSettings | None = None
        self._stream: Stream | None = None

    @property
    def samples(self) -> int:
        """Samples in series."""
        return self._state.counts.samples

    def play(self, part: Part) -> None:
        """Every record of a segment."""
        if part.begins:
            self._begin(part)
        if self.record_first < 0:
            self.record_first = part.segment.first_record_no
        for record_no, record in part.segment.records():
            self._state.record_no = record_no
            if isinstance(record, Frame):
                self._frame(record_no, record)
            elif isinstance(record, Tick):
                if self._state.link is not None:
                    self._outputs(record.at_ns, self._state.link.tick(record.at_ns))
            else:
                self._rare_record(record)
        self.record_last = part.segment.last_record_no
        self.dropped_bytes += part.segment.dropped_bytes
        if part.problem:
            self.damage.append(part.problem)

    def flush(self) -> None:
        """Hand on what waits for a full tile."""
        work = self._work(0)
        measuring.flush(work)
        self._harvest(work)

    def _begin(self, part: Part) -> None:
        self.flush()
        core = Fixture(part.segment.first_record_no, TILE_SAMPLES)
        core.restore(part.start.state)
        self._state, self._stream = core.state, core.stream
        opened = self._state.opened
        self._run = RunSettings.of(opened) if opened is not None else None

    def _frame(self, record_no: int, record: Frame) -> None:
        link, body = self._state.link, record.body
        if link is None:
            return
        if body[KIND_AT] != _BLOCK:
            if _only_counts(link, record):
                link.lane.frames += 1
                return
            _align(link, body)
        self._outputs(record.at_ns, link.frame(record.at_ns, record_no, body))

    def _outputs(self, at_ns: int, outputs: Sequence[Output]) -> None:
        for output in outputs:
            if type(output) is BlockIn:
                self._block(at_ns, output)
            elif type(output) is not SendFrame:
                self._rare(at_ns, output)

    def _block(self, at_ns: int, taken: BlockIn) -> None:
        """As `fixture.measuring.block`, without clock, plan and what people watch."""
        state, stream = self._state, self._stream
        tiler, measure = state.tiler, state.measure
        if stream is None or tiler is None or measure is None or state.unfit or state.epoch_over:
            return
        state.counts.samples += taken.count
        for tile in tiler.add(taken, state.epoch):
            work = self._work(at_ns)
            measuring.finished(work, stream, measure.feed(tile))
            self._harvest(work)

    def _rare(self, at_ns: int, output: Output) -> None:
        state, work = self._state, self._work(at_ns)
        if isinstance(output, SessionUp):
            self._stream = session_up(work, output, TILE_SAMPLES) or self._stream
        elif isinstance(output, Missing):
            measuring.missing(work, output)
        elif isinstance(output, Restarted):
            chunks.restarted(work, output)
        elif isinstance(output, LinkFault):
            events.link_fault(work, output)
        elif isinstance(output, SlowIn) and self._stream is not None and state.measure is not None:
            for name, milli_degc in temperatures_mdegc(self._stream, output.slow):
                state.measure.estimator.temperature(name, milli_degc)
        self._harvest(work)

    def _rare_record(self, record: Host | Bad) -> None:
        state, work, decode = self._state, self._work(record.at_ns), msgspec.msgpack.decode
        link, at_ns = state.link, record.at_ns
        if isinstance(record, Bad):
            if link is not None:
                self._outputs(at_ns, link.bad(at_ns, record.count))
        elif record.kind == facts.RUN_OPENED:
            self._run = open_run(work, decode(record.body, type=facts.RunOpened))
            self._stream = None
        elif record.kind == facts.LINK and link is not None:
            self._line(work, link, decode(record.body, type=facts.LinkFact))
        elif record.kind == facts.CUT and link is not None:
            forced = decode(record.body, type=facts.Cut).forced
            if forced or state.ended:
                self._outputs(at_ns, link.flush(at_ns))
            chunks.cut(work, TILE_SAMPLES, forced=forced)
            self._harvest(work)

    def _line(self, work: Work, link: Link, fact: facts.LinkFact) -> None:
        if fact.opened:
            events.line_opened(work)
            self._outputs(work.at_ns, link.opened(work.at_ns))
        else:
            self._outputs(work.at_ns, link.lost(work.at_ns))
            events.line_lost(work, fact.reason)

    def _work(self, at_ns: int) -> Work:
        return Work(self._state, self._run, self._stream, at_ns)

    def _harvest(self, work: Work) -> None:
        self.cycles += _cycles(work.effects)


def replay_figures(tape: Tape) -> FiguresReplay:
    """The figures of a tape.

    Raises:
        CorruptFileError: nothing to begin with, or a whole record that this version cannot read.
    """
    replay = FiguresReplay()
    for part in tape.parts():
        with read_by_this_version(part):
            replay.play(part)
    replay.flush()
    return replay


def _cycles(effects: Sequence[Effect]) -> Iterator[CycleRecord]:
    """The cycles among effects."""
    for effect in effects:
        if isinstance(effect, Emit) and isinstance(effect.row, CycleRecord):
            yield effect.row


def _only_counts(link: Link, record: Frame) -> bool:
    """Whether a frame can change nothing but the count of frames: the answer to a probe on a steady line."""
    body = record.body
    if body[KIND_AT] != _PROBED or link.lane.fast_session < 0 or record.at_ns >= link.due_ns:
        return False
    return int(HEADER.unpack_from(body)[2]) == link.lane.fast_session


def _align(link: Link, body: bytes) -> None:
    """Let a reply on the tape say which number our request had among the plan's, which are not made here."""
    if len(body) < HEADER.size or body[KIND_AT] not in REPLY_KINDS:
        return
    _, kind, _, seq = HEADER.unpack_from(body)
    control = link.control
    if link.state == LinkState.OPENING and kind in {_OPENED, Refused.KIND}:
        if seq_after(seq, link.open_seq):
            link.open_seq = seq
    elif seq not in control.waiting:
        own = next((request for request in control.waiting.values() if _may_end(request, kind, seq)), None)
        if own is not None:
            del control.waiting[own.seq]
            own.seq = seq
            control.waiting[seq] = own
    if not seq_after(control.next_seq, seq):
        control.next_seq = seq_add(seq, 1)


def _may_end(request: Outstanding, kind: int, seq: int) -> bool:
    """Whether a reply can be the one to our request: the right kind, and numbered after it."""
    return kind in {request.reply_kind, Refused.KIND} and seq_after(seq, request.seq)


_BLOCK = int(Block.KIND)
_PROBED = int(Probed.KIND)
_OPENED = int(Opened.KIND)
