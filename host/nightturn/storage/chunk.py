"""The one function that turns a tape segment into the `raw` table, live and in recovery."""

from collections.abc import Iterator, Sequence
from itertools import islice
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from nightturn.acquisition.blocks import KIND_AT, Samples, unpack
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

_TO_INDEX = np.dtype(
    {
        "names": ["kind", "session", "index"],
        "formats": ["u1", "<u2", "<u8"],
        "offsets": [KIND_AT, KIND_AT + 1, HEADER.size],
        "itemsize": HEADER.size + 8,
    }
)
"""Of a block: what of the header tells whose it is, and the index of its first sample."""
_NS_PER_S = 1_000_000_000
PIECE_BLOCKS = 600
"""Blocks made samples at a time, some 60,000 samples: a few hundred kilobytes a column, which stay in the processor's cache."""


def blocks_of(segment: Segment, plan: ChunkPlan) -> Iterator[bytes]:
    """The BLOCK frames that the core took in series, ordered by sample index; of equal ones the first to arrive."""
    content, frames = segment.frames()
    skip, first, last = frozenset(plan.skip), plan.first, plan.last
    taken = [
        each
        for each in frames
        if first <= each.record_no <= last
        and each.record_no not in skip
        and each.stop - each.start >= _TO_INDEX.itemsize
    ]
    starts = np.fromiter((each.start for each in taken), np.int64, len(taken))
    heads = np.frombuffer(content, np.uint8)[starts[:, None] + np.arange(_TO_INDEX.itemsize)]
    head = heads.view(_TO_INDEX)[:, 0]
    wanted = head["kind"] == Block.KIND
    if plan.session:  # 0: of several
        wanted &= head["session"] == plan.session
    at = np.flatnonzero(wanted)
    _, of_each = np.unique(head["index"][at], return_index=True)  # the first of equal ones
    for entry in map(taken.__getitem__, at[of_each].tolist()):
        yield content[entry.start : entry.stop]


class ClockLine(NamedTuple):
    """The pieces of the line from device ticks to time: each begins at (tick, ns) and rises by its slope, ns a tick."""

    begins: Int64s
    slope: npt.NDArray[np.float64]


def clock_line(knots: Sequence[tuple[int, int]], tick_hz: int) -> ClockLine:
    """The line through the knots; a single knot takes the nominal tick.

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
    return ClockLine(line[:-1], steps[:, 1] / steps[:, 0])


def times_ns(tick: Int64s, line: ClockLine) -> Int64s:
    """Time of each tick on the line, rounded to ns and never falling with the tick; outside the knots its ends go on."""
    # Relative to its knot a tick is small enough for float64 to hold the time to far below 1 ns.
    begins, slope = line
    if len(tick) and (tick[1:] >= tick[:-1]).all():  # as in a series: a stretch of samples for each knot
        return _times_in_order(tick, begins, slope)
    piece = np.clip(np.searchsorted(begins[:, 0], tick, side="right") - 1, 0, None)
    since = (tick - begins[piece, 0]).astype(np.float64)
    ts: Int64s = begins[piece, 1] + np.rint(since * slope[piece]).astype(np.int64)
    return ts


def _times_in_order(tick: Int64s, begins: Int64s, slope: npt.NDArray[np.float64]) -> Int64s:
    """Times of ticks that never fall, on lines that begin at `begins` (tick, ns)."""
    ts = np.empty_like(tick)
    first, last = np.clip(np.searchsorted(begins[:, 0], tick[[0, -1]], side="right") - 1, 0, None)
    stops = np.searchsorted(tick, begins[first + 1 : last + 1, 0], side="left").tolist()
    start = 0
    for each, stop in enumerate([*stops, len(tick)], int(first)):
        since = (tick[start:stop] - begins[each, 0]).astype(np.float64)
        np.add(np.rint(since * slope[each]).astype(np.int64), begins[each, 1], out=ts[start:stop])
        start = stop
    return ts


def encode(segment: Segment, plan: ChunkPlan) -> pa.Table:
    """The samples of the plan as a table in index order.

    Raises:
        StorageError: segment and plan do not belong together: records missing, samples twice, another count.
    """
    return pa.concat_tables([SCHEMA.empty_table(), *pieces(segment, plan)]).combine_chunks()


def parts(segment: Segment, plan: ChunkPlan) -> Iterator[pa.Table]:
    """The rows of `encode` in tables of `ROW_GROUP_ROWS`, the last with what remains; an empty one where there are no samples.

    Raises:
        StorageError: as `pieces`.
    """
    rest = SCHEMA.empty_table()
    some = False
    for piece in pieces(segment, plan):
        rest = pa.concat_tables([rest, piece])
        while rest.num_rows >= ROW_GROUP_ROWS:
            some = True
            part = rest.slice(0, ROW_GROUP_ROWS).combine_chunks()
            rest = rest.slice(ROW_GROUP_ROWS) if rest.num_rows > ROW_GROUP_ROWS else SCHEMA.empty_table()
            yield part  # with nothing beside it in memory: the pieces that it is made of are as large
    if rest.num_rows or not some:
        yield rest.combine_chunks()


def pieces(segment: Segment, plan: ChunkPlan) -> Iterator[pa.Table]:
    """The rows of `encode`, some 60,000 at a time.

    Raises:
        StorageError: as `encode`, where it shows; another count of samples behind the last piece.
    """
    if plan.first < segment.first_record_no or plan.last > segment.last_record_no:
        raise StorageError(
            f"the plan covers records {plan.first} to {plan.last}, the segment has {segment.first_record_no} to "
            f"{segment.last_record_no}"
        )
    bodies = blocks_of(segment, plan)
    line: ClockLine | None = None
    count, before = 0, -1
    while some := list(islice(bodies, PIECE_BLOCKS)):
        samples = _unpack(some, plan.ticks_per_sample)
        index = samples.index
        if not len(index):
            continue
        if (index[1:] <= index[:-1]).any() or index[0] <= before:
            raise StorageError(
                f"chunk {plan.chunk_no} of run {plan.run} has samples twice; its plan should skip them"
            )
        count, before = count + len(index), int(index[-1])
        line = line or clock_line(plan.knots, plan.tick_hz)
        yield _table(samples, plan, line)
    _check_count(count, plan)


def _table(samples: Samples, plan: ChunkPlan, line: ClockLine) -> pa.Table:
    unlocked = samples.tick < plan.unlocked_until_tick
    flags = samples.flags | np.where(unlocked, np.uint8(SampleFlag.TIME_UNLOCKED), np.uint8(0))
    columns = [
        pa.array(times_ns(samples.tick, line)).cast(TS),
        pa.array(np.full(len(flags), plan.epoch, dtype=np.int32)),
        pa.array(samples.index),
        pa.array(samples.tick),
        pa.array(samples.raw),
        pa.array(samples.encoder),
        pa.array(flags),
        pa.array(samples.inputs),
    ]
    return pa.Table.from_arrays(columns, schema=SCHEMA)


def _unpack(bodies: list[bytes], ticks_per_sample: int) -> Samples:
    try:
        return unpack(bodies, ticks_per_sample)
    except ValueError:
        # A frame that passed its CRC and yet is no block: the core counted it as bad and took nothing from it.
        return unpack([body for body in bodies if _is_whole(body)], ticks_per_sample)


def _is_whole(body: bytes) -> bool:
    try:
        unpack([body], 1)
    except ValueError:
        return False
    return True


def _check_count(samples: int, plan: ChunkPlan) -> None:
    if samples != plan.samples:
        raise StorageError(
            f"chunk {plan.chunk_no} of run {plan.run}: the core took {plan.samples} samples, the tape gives {samples}"
        )
