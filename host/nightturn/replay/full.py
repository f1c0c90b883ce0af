"""Full replay: every record to the same core, every effect compared.

The live station puts the running checksum over all effects into each control tick and each cut; replay compares it at
each of them, so a difference is placed within one control period. Rows are compared one by one with what is expected.
"""

from dataclasses import dataclass, field

import msgspec

from nightturn.errors import CorruptFileError
from nightturn.fixture.core import Fixture
from nightturn.model import facts
from nightturn.model.figures import CycleRecord
from nightturn.model.records import Emit, Host, Record, Tick
from nightturn.model.rows import CYCLES, EVENTS, GAPS, STROKES, EventRow, GapRow, StrokeRow
from nightturn.replay.tapes import Tape

KEPT = frozenset({CYCLES, EVENTS, GAPS, STROKES})


class Rows(msgspec.Struct):
    """The rows that a person can compare."""

    cycles: list[CycleRecord] = []
    gaps: list[GapRow] = []
    events: list[EventRow] = []
    strokes: list[StrokeRow] = []


@dataclass(slots=True)
class Replayed:
    """What a full replay saw."""

    rows: Rows = field(default_factory=Rows)
    records: int = 0
    effects: int = 0
    effects_crc: int = 0
    samples: int = 0
    dropped_bytes: int = 0
    first_difference: str = ""


def replay(tape: Tape, tile_samples: int | None = None, split_at: int | None = None) -> Replayed:
    """Feed a tape to a core.

    Args:
        tape: segments of one run.
        tile_samples: another tile size than live; effects then come at other records, and only rows are comparable.
        split_at: hand the state over to a second core through its bytes before this record number.

    Raises:
        CorruptFileError: a segment has no snapshot to begin with, or the chain of segments has a hole.
    """
    seen = Replayed()
    core: Fixture | None = None
    for path, segment in tape.segments():
        if core is None:
            snapshot = next(iter(segment.snapshots()), None)
            if snapshot is None:
                raise CorruptFileError(str(path), "the tape does not begin with a snapshot")
            core = Fixture(segment.first_record_no, tile_samples)
            core.restore(snapshot.state)
        elif segment.first_record_no != core.state.record_no + 1:
            missing = f"records {core.state.record_no + 1} to {segment.first_record_no - 1} are missing before it"
            raise CorruptFileError(str(path), missing)
        for record_no, record in segment.records():
            if record_no == split_at:
                second = Fixture(record_no, tile_samples)
                second.restore(core.snapshot())
                core = second
            _one(seen, core, record, compare=tile_samples is None)
        seen.dropped_bytes += segment.dropped_bytes
    if core is not None:
        seen.effects, seen.effects_crc = core.state.effects, core.effects_crc
        seen.samples = core.state.counts.samples
    return seen


def _one(seen: Replayed, core: Fixture, record: Record, *, compare: bool) -> None:
    if compare and not seen.first_difference:
        expected = _expected_crc(record)
        if expected is not None and expected != core.effects_crc:
            seen.first_difference = (
                f"effects differ before record {core.state.record_no + 1} "
                f"(checksum {core.effects_crc:08x}, recorded {expected:08x})"
            )
    seen.records += 1
    for effect in core.handle(record):
        if isinstance(effect, Emit) and effect.dataset in KEPT:
            getattr(seen.rows, effect.dataset).append(effect.row)


def _expected_crc(record: Record) -> int | None:
    """The checksum that the live station had before this record, where it was put on the tape."""
    if isinstance(record, Tick):
        return record.effects_crc
    if isinstance(record, Host) and record.kind == facts.CUT:
        return msgspec.msgpack.decode(record.body, type=facts.Cut).effects_crc
    return None
