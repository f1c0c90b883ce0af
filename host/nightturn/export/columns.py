"""The columns of an export: what each is, its unit, and how files name it."""

from typing import NamedTuple

import numpy as np
import pyarrow as pa

from nightturn.export.pieces import Block
from nightturn.storage.parquet import TS, column
from nightturn_protocol.messages import Input, SampleFlag


class Column(NamedTuple):
    """One column: its name, the words and unit of a header, its kind, and what it is."""

    name: str
    words: str
    unit: str
    kind: pa.DataType
    meaning: str

    @property
    def head(self) -> str:
        """`torque (N·m)`."""
        return f"{self.words} ({self.unit})" if self.unit else self.words


def _bits(flags: type[SampleFlag] | type[Input]) -> str:
    return ", ".join(f"{each.value} {each.name}" for each in flags)


COLUMNS = (
    Column("ts", "time", "UTC", TS, "when the sample was taken, with nanoseconds"),
    Column("t_s", "t", "s", pa.float64(), "the same, from the first sample of the file on"),
    Column("torque_nm", "torque", "N·m", pa.float64(), "by the calibration that this guide names; its sign as the rig declares it"),
    Column("angle_rad", "angle", "rad", pa.float64(), "of the shaft, counted on over turns; within one epoch only"),
    Column("epoch", "epoch", "", pa.int32(), "+1 at each boot of device or host; what the encoder counts begins again there"),
    Column("index", "index", "", pa.int64(), "the device's own number of the sample; within an epoch a jump is a gap"),
    Column("flags", "flags", "bits", pa.uint8(), f"sum of: {_bits(SampleFlag)}"),
    Column("inputs", "inputs", "bits", pa.uint16(), f"the rig's inputs, latched with the sample, sum of: {_bits(Input)}"),
    Column("segment", "segment", "", pa.int32(), "+1 behind each gap: rows of one segment follow one another without a missing sample"),
)  # fmt: skip
GAP = Column(
    "gap",
    "gap",
    "",
    pa.string(),
    "only in a row that is a gap: why, how many samples are missing, until when",
)


SCHEMA = pa.schema([column(each.name, each.kind, each.unit, each.meaning) for each in COLUMNS])
"""The columns with unit and meaning."""


def table(block: Block, first_ts: int) -> pa.Table:
    """The rows of a block; `t_s` counts from `first_ts`."""
    values = {
        "ts": block.ts,
        "t_s": seconds(block, first_ts),
        "torque_nm": block.torque_nm,
        "angle_rad": block.angle_rad,
        "epoch": block.epoch,
        "index": block.index,
        "flags": block.flags,
        "inputs": block.inputs,
        "segment": np.full(len(block), block.segment, np.int64),
    }
    arrays = [pa.array(values[each.name]).cast(each.kind) for each in COLUMNS]
    return pa.Table.from_arrays(arrays, schema=SCHEMA)


def seconds(block: Block, first_ts: int) -> np.ndarray:
    """Times of a block from `first_ts` on, s (n,); the difference is exact before it becomes a float."""
    return (block.ts - first_ts) / 1e9
