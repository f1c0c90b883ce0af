"""Full replay: every record to the same core, every effect compared.

The live station puts the running checksum over all effects into each control tick and each cut; replay compares it at
each of them, so a difference is placed within one control period. Rows are compared one by one with what is expected.
"""

from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import msgspec

from nightturn.errors import CorruptFileError
from nightturn.estimation.jobs import worked_out
from nightturn.fixture import trending
from nightturn.fixture.core import Fixture
from nightturn.model import facts
from nightturn.model.figures import CycleRecord
from nightturn.model.nights import NightVerdict
from nightturn.model.records import Effect, Emit, Frame, Host, Record, Tick
from nightturn.model.rows import CYCLES, EVENTS, GAPS, STROKES, TREND, EventRow, GapRow, StrokeRow, TrendRow
from nightturn.replay.beginning import take_over
from nightturn.replay.tapes import Part, Tape
from nightturn.trend.fits import fitted


class Rows(msgspec.Struct):
    """The rows that a person can compare.

    Attributes:
        night_verdict: what all cycles say together at the end; None where that is not kept.
    """

    cycles: list[CycleRecord] = []
    gaps: list[GapRow] = []
    events: list[EventRow] = []
    strokes: list[StrokeRow] = []
    trend: list[TrendRow] = []
    night_verdict: NightVerdict | None = None


@dataclass(slots=True)
class Replayed:
    """What a full replay saw.

    Attributes:
        rows: what the core emitted, dataset by dataset.
        records, effects, effects_crc, samples: totals after the last record.
        record_first, record_last: the records fed, -1 when there was none.
        dropped_bytes: bytes that are not a whole record.
        first_difference: where the effects first differ from the live ones; empty when they do not.
        damage: sentences on what the tape lacks.
        again: figures that came as facts, each with what is worked out of the same sums here. courses: the same of courses.
    """

    rows: Rows = field(default_factory=Rows)
    records: int = 0
    effects: int = 0
    effects_crc: int = 0
    samples: int = 0
    record_first: int = -1
    record_last: int = -1
    dropped_bytes: int = 0
    first_difference: str = ""
    damage: list[str] = field(default_factory=list)
    again: list[tuple[facts.CycleFinished, facts.CycleFinished]] = field(default_factory=list)
    courses: list[tuple[facts.TrendFitted, facts.TrendFitted]] = field(default_factory=list)


def replay(tape: Tape, tile_samples: int | None = None, splits: Collection[int] = ()) -> Replayed:
    """Feed a tape to a core.

    Args:
        tape: segments of one run.
        tile_samples: another tile size than live; effects then come at other records, and only rows are comparable.
        splits: before each of these record numbers the state is handed over to another core through its bytes.

    Raises:
        CorruptFileError: nothing to begin with, or a whole record that this version cannot read.
    """
    player = _Player(tile_samples, splits)
    for part in tape.parts():
        with read_by_this_version(part):
            player.play(part)
    return player.end()


@contextmanager
def read_by_this_version(part: Part) -> Iterator[None]:
    """A whole record or snapshot whose content cannot be decoded becomes an error that names the file."""
    try:
        yield
    except msgspec.MsgspecError as error:
        what = f"recorded by another version of nightturn, which this one cannot read: {error}"
        raise CorruptFileError(str(part.path), what) from error


class _Player:
    """A core on its way through a tape."""

    def __init__(self, tile_samples: int | None, splits: Collection[int]) -> None:
        self._tile_samples = tile_samples
        self._splits = frozenset(splits)
        self._core: Fixture | None = None
        self._seen = Replayed()
        self._here: CycleRecord | None = None
        rows = self._seen.rows
        self._keep: dict[str, Callable[[Any], None]] = {
            CYCLES: self._cycle,
            GAPS: rows.gaps.append,
            EVENTS: rows.events.append,
            STROKES: rows.strokes.append,
            TREND: rows.trend.append,
        }

    def play(self, part: Part) -> None:
        """Every record of a segment."""
        seen, splits, compare = self._seen, self._splits, self._tile_samples is None
        core = self._enter(part)
        keep, count = self._keep.get, 0
        for record_no, record in part.segment.records():
            if splits and record_no in splits:
                core = self._handed_over(record_no, core.snapshot())
            if compare and type(record) is not Frame:
                self._compare(core, record_no, record)
            for effect in core.handle(record):
                if type(effect) is Emit:
                    append = keep(effect.dataset)
                    if append is not None:
                        append(effect.row)
            count += 1
        seen.records += count
        self._core = core
        seen.record_last = part.segment.last_record_no
        seen.dropped_bytes += part.segment.dropped_bytes
        if part.problem:
            seen.damage.append(part.problem)

    def _enter(self, part: Part) -> Fixture:
        """The core before the segment's first record."""
        seen, first = self._seen, part.segment.first_record_no
        if seen.record_first < 0:
            seen.record_first = first
        core = self._core
        if core is None or part.begins:
            core = Fixture(first, self._tile_samples)
            take_over(core, part)
        return core

    def end(self) -> Replayed:
        """What was seen."""
        seen, core = self._seen, self._core
        if core is not None:
            seen.effects, seen.effects_crc = core.state.effects, core.effects_crc
            seen.samples = core.state.counts.samples
            seen.rows.night_verdict = core.state.run.night.verdict
        return seen

    def _handed_over(self, record_no: int, state: bytes) -> Fixture:
        core = Fixture(record_no, self._tile_samples)
        core.restore(state)
        if self._tile_samples is not None:
            effects = core.settle()
            self._seen.rows.cycles += cycles_among(effects)
            self._seen.rows.trend += trend_among(effects)
        return core

    def _compare(self, core: Fixture, record_no: int, record: Record) -> None:
        """At a tick or a cut: the checksum that the live station had before this record. At figures: these, made again."""
        if type(record) is Tick:
            recorded = record.effects_crc
        elif type(record) is not Host:
            return
        elif record.kind == facts.CUT:
            recorded = msgspec.msgpack.decode(record.body, type=facts.Cut).effects_crc
        else:
            if record.kind == facts.CYCLE_FINISHED:
                self._work_out_again(core, msgspec.msgpack.decode(record.body, type=facts.CycleFinished))
            elif record.kind == facts.TREND_FITTED:
                self._fit_again(core, msgspec.msgpack.decode(record.body, type=facts.TrendFitted))
            return
        if recorded != core.effects_crc and not self._seen.first_difference:
            self._seen.first_difference = (
                f"effects differ before record {record_no} "
                f"(checksum {core.effects_crc:08x}, recorded {recorded:08x})"
            )

    def _work_out_again(self, core: Fixture, fact: facts.CycleFinished) -> None:
        """The core decides from the fact; whether it is right is seen from the sums that the core made of the samples."""
        job = core.state.finishing.first
        if job is not None and job.is_of(fact.epoch, fact.cycle_no):
            here = worked_out(job)
            self._seen.again.append((fact, here))
            self._here = here.record if fact.record is not None else None

    def _fit_again(self, core: Fixture, fact: facts.TrendFitted) -> None:
        """The same of a course, from the cycles that the core has seen."""
        job = trending.waiting(core.state)
        if job is not None and core.state.run.trends.is_asked(fact):
            self._seen.courses.append((fact, fitted(job)))

    def _cycle(self, row: CycleRecord) -> None:
        """Keep what this version makes of the sums, which is what stored rows and an expectation are compared with."""
        here, self._here = self._here, None
        kept = row if here is None else msgspec.structs.replace(here, purpose=row.purpose)
        self._seen.rows.cycles.append(kept)


def cycles_among(effects: Sequence[Effect]) -> Iterator[CycleRecord]:
    """The cycles among effects."""
    for effect in effects:
        if isinstance(effect, Emit) and isinstance(effect.row, CycleRecord):
            yield effect.row


def trend_among(effects: Sequence[Effect]) -> Iterator[TrendRow]:
    """The rows of courses among effects."""
    for effect in effects:
        if isinstance(effect, Emit) and isinstance(effect.row, TrendRow):
            yield effect.row
