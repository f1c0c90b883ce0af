"""Figures replay: the series and its figures only, without plan, timebase and effects; the fast form.

The link still says which blocks are in series, because only it knows which came too late.
"""

from collections.abc import Sequence

import msgspec

from nightturn.acquisition.outputs import BlockIn, Missing, Output, Restarted, SessionUp, SlowIn
from nightturn.errors import CorruptFileError
from nightturn.estimation.assembly import CycleSums
from nightturn.estimation.finish import finish_cycle
from nightturn.fixture.core import Fixture
from nightturn.fixture.measure import Finished
from nightturn.fixture.session import open_run, session_up
from nightturn.fixture.state import FixtureState
from nightturn.fixture.stream import RunSettings, Stream, derive
from nightturn.fixture.work import Work
from nightturn.model import facts
from nightturn.model.figures import CycleRecord
from nightturn.model.records import Frame, Host, Record, Tick
from nightturn.replay.tapes import Tape

TILE_SAMPLES = 20_000


class FiguresReplay:
    """Feeds a tape to the link, the tiler and the estimator of a core's state, and to nothing else."""

    def __init__(self, state: FixtureState) -> None:
        self._state = state
        opened, sheet = state.opened, state.sheet
        self._run = RunSettings.of(opened) if opened is not None else None
        self._stream: Stream | None = derive(opened, sheet) if opened is not None and sheet else None
        self.cycles: list[CycleRecord] = []
        self.samples = 0
        if state.tiler is not None:
            state.tiler.size = TILE_SAMPLES

    def take(self, record_no: int, record: Record) -> None:
        """One record; what does not change the series is passed over."""
        link = self._state.link
        if isinstance(record, Frame):
            if link is not None:
                self._outputs(link.frame(record.at_ns, record_no, record.body))
        elif isinstance(record, Tick):
            if link is not None:
                self._outputs(link.tick(record.at_ns))
        elif isinstance(record, Host):
            self._fact(record)

    def end(self) -> None:
        """Hand on what waits for a full tile."""
        tiler, measure = self._state.tiler, self._state.measure
        if tiler is not None and measure is not None:
            for tile in tiler.flush():
                self._finished(measure.feed(tile))

    def _outputs(self, outputs: Sequence[Output]) -> None:
        tiler, measure = self._state.tiler, self._state.measure
        for output in outputs:
            if type(output) is BlockIn and tiler is not None and measure is not None:
                self.samples += output.count
                for tile in tiler.add(output, self._state.epoch):
                    self._finished(measure.feed(tile))
            else:
                self._rare(output)

    def _rare(self, output: Output) -> None:
        state = self._state
        if isinstance(output, SessionUp):
            work = self._work()
            self._stream = session_up(work, output, TILE_SAMPLES) or self._stream
        elif state.measure is None:
            return
        elif isinstance(output, Missing):
            self.end()
            self._finished(state.measure.gap(output.index_from, output.index_to))
        elif isinstance(output, Restarted):
            self.end()
            self._finished(state.measure.interrupt("the device restarted"))
            state.epoch_over = True
        elif isinstance(output, SlowIn) and self._stream is not None:
            for number, value in output.slow.values:
                name = self._stream.slow_names.get(number)
                if name is not None:
                    state.measure.estimator.temperature(name, round(value * 1000))

    def _fact(self, record: Host) -> None:
        state, decode = self._state, msgspec.msgpack.decode
        if record.kind == facts.RUN_OPENED:
            self._run = open_run(self._work(record.at_ns), decode(record.body, type=facts.RunOpened))
        elif record.kind == facts.LINK and state.link is not None:
            opened = decode(record.body, type=facts.LinkFact).opened
            self._outputs(state.link.opened(record.at_ns) if opened else state.link.lost(record.at_ns))
        elif record.kind == facts.CUT and state.link is not None:
            forced = decode(record.body, type=facts.Cut).forced
            if forced:
                self._outputs(state.link.flush(record.at_ns))
            if forced or state.epoch_over:
                self.end()
                state.epoch += 1
                state.epoch_over, state.timebase, state.tiler = False, None, None

    def _work(self, at_ns: int = 0) -> Work:
        return Work(self._state, self._run, self._stream, at_ns)

    def _finished(self, items: Sequence[Finished]) -> None:
        for item in items:
            if isinstance(item, CycleSums) and self._stream is not None:
                self.cycles.append(finish_cycle(item, self._stream.conditions, 0, 0, 0, 0))


def replay_figures(tape: Tape) -> FiguresReplay:
    """The figures of a tape.

    Raises:
        CorruptFileError: the tape does not begin with a snapshot.
    """
    replay: FiguresReplay | None = None
    for path, segment in tape.segments():
        if replay is None:
            snapshot = next(iter(segment.snapshots()), None)
            if snapshot is None:
                raise CorruptFileError(str(path), "the tape does not begin with a snapshot")
            core = Fixture(segment.first_record_no)
            core.restore(snapshot.state)
            replay = FiguresReplay(core.state)
        for record_no, record in segment.records():
            replay.take(record_no, record)
    assert replay is not None
    replay.end()
    return replay
