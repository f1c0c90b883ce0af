"""Summaries of the raw samples at 1 s and 60 s: what plots and dashboards read instead of 10,000 rows a second.

A window is cut where a chunk ends, so a second on a chunk's edge has two rows; `n` weighs them.
"""

from collections.abc import Iterator

import numpy as np
import pyarrow as pa

from nightturn.model.rows import ChunkPlan
from nightturn.model.tiles import Float64s, Int64s
from nightturn.storage.parquet import TS, column
from nightturn.storage.paths import SUMMARY_1M, SUMMARY_1S

SCHEMA = pa.schema(
    [
        column("ts", TS, "", "start of the window"),
        column("epoch", pa.int32(), "", "counts device and host boots"),
        column("n", pa.int32(), "", "samples in the window"),
        column("torque_min", pa.int32(), "count", "lowest torque"),
        column("torque_max", pa.int32(), "count", "highest torque"),
        column("torque_mean", pa.float64(), "count", "mean torque"),
        column("torque_rms", pa.float64(), "count", "rms of the torque about its mean"),
        column("encoder_min", pa.int64(), "count", "lowest encoder count"),
        column("encoder_max", pa.int64(), "count", "highest encoder count"),
        column(
            "speed_mean_rad_per_s",
            pa.float64(),
            "rad/s",
            "travel over time, first to last sample",
            nullable=True,
        ),
        column("flags", pa.uint8(), "bits", "SampleFlag of all samples, or-ed"),
    ]
)

_WINDOWS = ((SUMMARY_1S, 1_000_000_000), (SUMMARY_1M, 60_000_000_000))


def tables(raw: pa.Table, plan: ChunkPlan) -> Iterator[tuple[str, pa.Table]]:
    """Both summaries of a raw table."""
    for dataset, window_ns in _WINDOWS:
        yield dataset, summarise(raw, window_ns, plan.counts_per_rev)


def summarise(raw: pa.Table, window_ns: int, counts_per_rev: int) -> pa.Table:
    """One row per window of `window_ns` that has samples."""
    if not raw.num_rows:
        return SCHEMA.empty_table()
    ts = raw.column("ts").cast(pa.int64()).to_numpy()
    torque = raw.column("torque_raw").to_numpy().astype(np.int64)
    encoder = raw.column("encoder").to_numpy()
    window = ts // window_ns
    first = np.concatenate(([0], np.flatnonzero(np.diff(window)) + 1))
    last = np.concatenate((first[1:], [len(ts)])) - 1
    n = last - first + 1
    mean = np.add.reduceat(torque, first) / n
    return pa.Table.from_arrays(
        [
            pa.array(window[first] * window_ns).cast(TS),
            pa.array(raw.column("epoch").to_numpy()[first]),
            pa.array(n.astype(np.int32)),
            pa.array(np.minimum.reduceat(torque, first).astype(np.int32)),
            pa.array(np.maximum.reduceat(torque, first).astype(np.int32)),
            pa.array(mean),
            pa.array(_rms(torque, first, n, mean)),
            pa.array(np.minimum.reduceat(encoder, first)),
            pa.array(np.maximum.reduceat(encoder, first)),
            pa.array(_speed(ts, encoder, first, last, counts_per_rev), from_pandas=True),
            pa.array(np.bitwise_or.reduceat(raw.column("flags").to_numpy(), first)),
        ],
        schema=SCHEMA,
    )


def _rms(torque: Int64s, first: Int64s, n: Int64s, mean: Float64s) -> Float64s:
    deviation = torque - np.repeat(mean, n)
    mean_square: Float64s = np.add.reduceat(deviation * deviation, first) / n
    return np.sqrt(mean_square)


def _speed(ts: Int64s, encoder: Int64s, first: Int64s, last: Int64s, counts_per_rev: int) -> Float64s:
    seconds = (ts[last] - ts[first]) / 1e9
    travel_rad = (encoder[last] - encoder[first]) * (2 * np.pi / counts_per_rev)
    speed: Float64s = np.divide(travel_rad, seconds, out=np.full(len(first), np.nan), where=seconds > 0)
    return speed
