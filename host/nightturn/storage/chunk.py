"""The one function that turns a tape segment into the `raw` table, live and in recovery."""

import struct
from collections.abc import Iterator, Sequence

import numpy as np
import pyarrow as pa

from nightturn.acquisition.blocks import Samples, cut, joined, samples_in, unpack
from nightturn.errors import StorageError
from nightturn.model.rows import ChunkPlan
from nightturn.model.tiles import Int64s
from nightturn.storage.parquet import ROW_GROUP_ROWS, TS, column
from nightturn.storage.segment import Segment
from nightturn_protocol.framing import HEADER
from nightturn_protocol.messages import Block, SampleFlag

SCHEMA = pa.schema(
    [
        column("ts", TS, "", "time of the sample: device tick through the clock line"),
        column("epoch", pa.int32(), "", "counts device and host boots"),
        column("index", pa.int64(), "", "device sample number; a jump is a gap and has a row in gaps"),
        column("tick", pa.int64(), "tick", "device clock when the sample was latched"),
        column("torque_raw", pa.int32(), "count", "strain-gauge bridge, ADC counts"),
        column("encoder", pa.int64(), "count", "unwrapped encoder counts"),
        column(
            "flags", pa.uint8(), "bits", "SampleFlag: " + ", ".join(f"{f.value} {f.name}" for f in SampleFlag)
        ),
        column("inputs", pa.uint16(), "bits", "input word latched with the sample"),
    ]
)

_TO_INDEX = struct.Struct(f"{HEADER.format}Q")
"""Of a block: the header and the index of its first sample."""
_NS_PER_S = 1_000_000_000
BLOCKS_AT_ONCE = 1000  # decoded together; a row group's worth of usual blocks


def blocks_of(segment: Segment, plan: ChunkPlan) -> list[slice]:
    """Where the BLOCK frames lie that the core took in series, ordered by sample index; of equal ones the first to arrive."""
    skip, first, last, of_session = frozenset(plan.skip), plan.first, plan.last, plan.session
    found: dict[int, slice] = {}
    content = segment.content
    for record_no, start, stop in segment.frames():
        if not first <= record_no <= last or record_no in skip or stop - start < _TO_INDEX.size:
            continue
        _, kind, session, _, index = _TO_INDEX.unpack_from(content, start)
        if kind == Block.KIND and of_session in (0, session):  # 0: of several
            found.setdefault(index, slice(start, stop))
    return [found[index] for index in sorted(found)]


def times_ns(tick: Int64s, knots: Sequence[tuple[int, int]], tick_hz: int) -> Int64s:
    """Time of each tick on the piecewise line through the knots, rounded to ns and never falling with the tick.

    Outside the knots the line of the nearest pair goes on; a single knot takes the nominal tick.

    Raises:
        StorageError: no knot, or knots that do not rise.
    """
    if not knots:
        raise StorageError("a chunk's plan has no clock knot")
    line = np.array(knots, dtype=np.int64)
    if len(line) == 1:
        line = np.vstack((line, line + np.array([[tick_hz, _NS_PER_S]], dtype=np.int64)))
    steps = np.diff(line, axis=0)
    if (steps <= 0).any():
        raise StorageError("the clock knots of a chunk's plan do not rise")
    # Relative to its knot a tick is small enough for float64 to hold the time to far below 1 ns.
    slope = steps[:, 1] / steps[:, 0]
    begins = line[:-1]
    if (tick[1:] >= tick[:-1]).all():  # as in a series: the few knots are looked up, and not the many samples
        edges = np.searchsorted(tick, begins[1:, 0], side="left")
        each = np.diff(edges, prepend=0, append=len(tick))
        from_tick, from_ns, rate = (np.repeat(values, each) for values in (*begins.T, slope))
    else:
        piece = np.clip(np.searchsorted(begins[:, 0], tick, side="right") - 1, 0, None)
        from_tick, from_ns, rate = begins[piece, 0], begins[piece, 1], slope[piece]
    since = (tick - from_tick).astype(np.float64)
    ts: Int64s = from_ns + np.rint(since * rate).astype(np.int64)
    return ts


def encode(segment: Segment, plan: ChunkPlan) -> pa.Table:
    """The samples of the plan as a table in index order.

    Raises:
        StorageError: as `parts`.
    """
    return pa.concat_tables(parts(segment, plan))


def parts(segment: Segment, plan: ChunkPlan) -> Iterator[pa.Table]:
    """The same table in parts of `ROW_GROUP_ROWS` rows, the last with what remains; an empty one where there are no samples.

    Raises:
        StorageError: segment and plan do not belong together: records missing, samples twice, another count.
    """
    if plan.first < segment.first_record_no or plan.last > segment.last_record_no:
        raise StorageError(
            f"the plan covers records {plan.first} to {plan.last}, the segment has {segment.first_record_no} to "
            f"{segment.last_record_no}"
        )
    # A frame that passed its CRC and yet is no block: the core counted it as bad and took nothing from it.
    content = segment.content
    whole = [place for place in blocks_of(segment, plan) if samples_in(content[place])]
    _check_count(sum(samples_in(content[place]) for place in whole), plan)
    if not whole:
        yield SCHEMA.empty_table()
    before = -1
    for samples in _pieces(content, whole, plan.ticks_per_sample):
        if (np.diff(samples.index, prepend=before) <= 0).any():
            raise StorageError(
                f"chunk {plan.chunk_no} of run {plan.run} has samples twice; its plan should skip them"
            )
        before = int(samples.index[-1])
        yield _table(samples, plan)


def _pieces(content: bytes, blocks: Sequence[slice], ticks_per_sample: int) -> Iterator[Samples]:
    """The samples of whole blocks in pieces of `ROW_GROUP_ROWS`, the last with what remains."""
    rest = unpack((), ticks_per_sample)
    for begin in range(0, len(blocks), BLOCKS_AT_ONCE):
        bodies = [content[place] for place in blocks[begin : begin + BLOCKS_AT_ONCE]]
        rest = joined([rest, unpack(bodies, ticks_per_sample)])
        while len(rest.index) >= ROW_GROUP_ROWS:
            yield cut(rest, 0, ROW_GROUP_ROWS)
            rest = cut(rest, ROW_GROUP_ROWS, len(rest.index))
    if len(rest.index):
        yield rest


def _table(samples: Samples, plan: ChunkPlan) -> pa.Table:
    unlocked = samples.tick < plan.unlocked_until_tick
    flags = samples.flags | np.where(unlocked, np.uint8(SampleFlag.TIME_UNLOCKED), np.uint8(0))
    columns = [
        pa.array(times_ns(samples.tick, plan.knots, plan.tick_hz)).cast(TS),
        pa.array(np.full(len(flags), plan.epoch, dtype=np.int32)),
        pa.array(samples.index),
        pa.array(samples.tick),
        pa.array(samples.raw),
        pa.array(samples.encoder),
        pa.array(flags),
        pa.array(samples.inputs),
    ]
    return pa.Table.from_arrays(columns, schema=SCHEMA)


def _check_count(samples: int, plan: ChunkPlan) -> None:
    if samples != plan.samples:
        raise StorageError(
            f"chunk {plan.chunk_no} of run {plan.run}: the core took {plan.samples} samples, the tape gives {samples}"
        )
