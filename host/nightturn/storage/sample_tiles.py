"""Stored samples as tiles again, a row group at a time."""

from collections.abc import Iterator

import numpy as np
import pyarrow as pa

from nightturn.model.tiles import Tile
from nightturn.storage.chunk_file import ChunkFile

EVER_NS = 2**63 - 1
COLUMNS = ("epoch", "index", "tick", "torque_raw", "encoder", "flags", "inputs")


def tiles_of(each: ChunkFile, seconds: float) -> Iterator[Tile]:
    """The samples of a raw chunk in counts, as tiles of at most `seconds`, none across a gap.

    Raises:
        CorruptFileError: the file fails a checksum or cannot be decoded.
    """
    if not each.rows:
        return
    plan = each.plan
    size = max(1, round(seconds * plan.rate_millihz / 1000))
    for table in each.read_between(-EVER_NS, EVER_NS, COLUMNS):
        yield from _tiles(table, plan.ticks_per_sample, size)


def _tiles(table: pa.Table, ticks_per_sample: int, size: int) -> Iterator[Tile]:
    index = table.column("index").to_numpy()
    tick, epoch = table.column("tick").to_numpy(), int(table.column("epoch")[0].as_py())
    raw, encoder = table.column("torque_raw").to_numpy(), table.column("encoder").to_numpy()
    flags, inputs = table.column("flags").to_numpy(), table.column("inputs").to_numpy()
    # A tile ends where samples are missing and at every multiple of its size, so edges do not depend on the chunk.
    edges = np.flatnonzero((np.diff(index) != 1) | (np.diff(index // size) != 0)) + 1
    for a, b in zip([0, *edges.tolist()], [*edges.tolist(), len(index)], strict=True):
        yield Tile(
            epoch,
            int(index[a]),
            int(tick[a]),
            ticks_per_sample,
            raw[a:b],
            encoder[a:b],
            flags[a:b],
            inputs[a:b],
        )
