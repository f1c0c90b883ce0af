"""Figures replay: the series and its figures only, without plan, timebase and effects; the fast form.

It is the live core with a part of its table of reactions: what decides which samples are in series and which cycle
they belong to. A block and a slow channel are cut short here; nothing else is written a second time.
"""

from collections.abc import Sequence

from nightturn.acquisition.following import follow
from nightturn.acquisition.outputs import BlockIn, LinkFault, Missing, Restarted, SessionUp, SlowIn
from nightturn.fixture import events, line, measuring, night
from nightturn.fixture.core import REACTIONS, Fixture
from nightturn.fixture.work import Reactions, Work
from nightturn.model import facts
from nightturn.model.figures import CycleRecord
from nightturn.model.nights import NightVerdict
from nightturn.model.records import Bad, Effect, Frame, Tick
from nightturn.model.rows import TrendRow
from nightturn.replay.beginning import take_over
from nightturn.replay.full import cycles_among, read_by_this_version, trend_among
from nightturn.replay.tapes import Part, Tape

TILE_SAMPLES = 20_000


def _temperatures(work: Work, output: SlowIn) -> None:
    """Temperatures enter the figures; their rows are left out."""
    measuring.temperatures(work, output.slow)


FIGURES_REACTIONS: Reactions = {
    **{
        kind: REACTIONS[kind]
        for kind in (
            Bad,
            SessionUp,
            Missing,
            Restarted,
            facts.RunOpened,
            facts.Setting,
            facts.LinkFact,
            facts.Cut,
        )
    },
    Tick: (line.tick,),
    BlockIn: (measuring.series,),
    SlowIn: (_temperatures,),
    LinkFault: (events.link_fault,),
    facts.Failure: (night.failed,),
}


class FiguresReplay:
    """Feeds a tape to a core that reacts to little.

    Attributes:
        cycles: what was finished; their record numbers and times are not the live ones. trend: their rows of courses.
        dropped_bytes: bytes that are not a whole record.
        record_first, record_last: the records fed, -1 when there was none.
        damage: sentences on what the tape lacks.
    """

    def __init__(self) -> None:
        self.cycles: list[CycleRecord] = []
        self.trend: list[TrendRow] = []
        self.dropped_bytes = 0
        self.record_first = self.record_last = -1
        self.damage: list[str] = []
        self._core = Fixture(0, TILE_SAMPLES, FIGURES_REACTIONS)

    @property
    def samples(self) -> int:
        """Samples in series."""
        return self._core.state.counts.samples

    @property
    def night_verdict(self) -> NightVerdict | None:
        """What all cycles say together; None when no run was opened."""
        return self._core.state.run.night.verdict

    def play(self, part: Part) -> None:
        """Every record of a segment."""
        if part.begins:
            self._begin(part)
        if self.record_first < 0:
            self.record_first = part.segment.first_record_no
        core = self._core
        state, handle = core.state, core.handle
        for record_no, record in part.segment.records():
            link = state.device.link
            if link is not None and isinstance(record, Frame) and not follow(link, record.at_ns, record.body):
                continue
            state.next_record(record_no)
            effects = handle(record)
            if effects:
                self._keep(effects)
        self.record_last = part.segment.last_record_no
        self.dropped_bytes += part.segment.dropped_bytes
        if part.problem:
            self.damage.append(part.problem)

    def flush(self) -> None:
        """Hand on what waits for a full tile."""
        self._keep(self._core.flush())

    def _keep(self, effects: Sequence[Effect]) -> None:
        self.cycles += cycles_among(effects)
        self.trend += trend_among(effects)

    def _begin(self, part: Part) -> None:
        self.flush()
        self._core = Fixture(part.segment.first_record_no, TILE_SAMPLES, FIGURES_REACTIONS)
        take_over(self._core, part)
        self._keep(self._core.settle())


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
