"""Summaries of the raw samples at 1 s and 60 s: what plots and dashboards read instead of 10,000 rows a second.

A window is cut where a chunk ends, so a second on a chunk's edge has two rows; `n` weighs them.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from nightturn.model.rows import ChunkPlan
from nightturn.model.tiles import Float64s, Int32s, Int64s, UInt8s
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
        column("flags", pa.uint8(), "bits", "flags of all samples together"),
    ]
)

COLUMNS = ["ts", "epoch", "torque_raw", "encoder", "flags"]
"""Of the raw table, of which the summaries are made."""
SECOND_NS = 1_000_000_000
MINUTE_NS = 60 * SECOND_NS


@dataclass(frozen=True, slots=True)
class Windows:
    """Sums over consecutive windows of one chunk, one entry per window that has samples.

    Attributes:
        start: of the window, ns.
        spread: sum of squares of the torque about the window's mean.
        others: as named; `first` and `last` are those of the window's first and last sample.
    """

    epoch: Int32s
    start: Int64s
    n: Int64s
    torque_min: Int32s
    torque_max: Int32s
    torque_sum: Int64s
    spread: Float64s
    encoder_min: Int64s
    encoder_max: Int64s
    ts_first: Int64s
    ts_last: Int64s
    encoder_first: Int64s
    encoder_last: Int64s
    flags: UInt8s


class Seconds:
    """Windows of one second of samples that come in parts; a second on the edge of two parts is added up as one."""

    def __init__(self) -> None:
        self._windows: list[Windows] = []
        self._open: pa.Table | None = None

    def add(self, raw: pa.Table) -> None:
        """The next rows of the raw table."""
        part = raw.select(COLUMNS)
        whole = part if self._open is None else pa.concat_tables((self._open, part))
        if whole.num_rows:
            first, _ = _groups(whole.column("ts").cast(pa.int64()).to_numpy() // SECOND_NS)
            begin = int(first[-1])
            if begin:
                self._windows.append(of_samples(whole.slice(0, begin), SECOND_NS))
            self._open = whole.slice(begin)

    def tables(self, plan: ChunkPlan) -> Iterator[tuple[str, pa.Table]]:
        """Both summaries, when all rows have come."""
        if self._open is not None:
            seconds = _joined([*self._windows, of_samples(self._open, SECOND_NS)])
            yield SUMMARY_1S, as_table(seconds, plan.counts_per_rev)
            yield SUMMARY_1M, as_table(merged(seconds, MINUTE_NS), plan.counts_per_rev)


def of_samples(raw: pa.Table, window_ns: int) -> Windows:
    """The windows of `window_ns` of a raw table that has rows."""
    ts = raw.column("ts").cast(pa.int64()).to_numpy()
    torque = raw.column("torque_raw").to_numpy()
    encoder = raw.column("encoder").to_numpy()
    window = ts // window_ns
    first, last = _groups(window)
    n = last - first + 1
    total = np.add.reduceat(torque, first, dtype=np.int64)
    deviation = torque - np.repeat(total / n, n)
    return Windows(
        raw.column("epoch").to_numpy()[first],
        window[first] * window_ns,
        n,
        np.minimum.reduceat(torque, first),
        np.maximum.reduceat(torque, first),
        total,
        np.add.reduceat(deviation * deviation, first),
        np.minimum.reduceat(encoder, first),
        np.maximum.reduceat(encoder, first),
        ts[first],
        ts[last],
        encoder[first],
        encoder[last],
        np.bitwise_or.reduceat(raw.column("flags").to_numpy(), first),
    )


def merged(parts: Windows, window_ns: int) -> Windows:
    """Wider windows from narrower ones; `window_ns` is a multiple of theirs."""
    window = parts.start // window_ns
    first, last = _groups(window)
    n, total = np.add.reduceat(parts.n, first), np.add.reduceat(parts.torque_sum, first)
    offset = parts.torque_sum / parts.n - np.repeat(total / n, last - first + 1)
    return Windows(
        parts.epoch[first],
        window[first] * window_ns,
        n,
        np.minimum.reduceat(parts.torque_min, first),
        np.maximum.reduceat(parts.torque_max, first),
        total,
        np.add.reduceat(parts.spread + parts.n * offset * offset, first),
        np.minimum.reduceat(parts.encoder_min, first),
        np.maximum.reduceat(parts.encoder_max, first),
        parts.ts_first[first],
        parts.ts_last[last],
        parts.encoder_first[first],
        parts.encoder_last[last],
        np.bitwise_or.reduceat(parts.flags, first),
    )


def _joined(parts: Sequence[Windows]) -> Windows:
    """Consecutive windows as one."""
    names = [each.name for each in fields(Windows)]
    return Windows(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))


def as_table(windows: Windows, counts_per_rev: int) -> pa.Table:
    """One row per window; the speed is absent where a window has a single sample."""
    seconds = (windows.ts_last - windows.ts_first) / SECOND_NS
    travel_rad = (windows.encoder_last - windows.encoder_first) * (2 * np.pi / counts_per_rev)
    speed = np.divide(travel_rad, seconds, out=np.full(len(seconds), np.nan), where=seconds > 0)
    columns: list[npt.NDArray[np.generic]] = [
        windows.start,
        windows.epoch,
        windows.n.astype(np.int32),
        windows.torque_min,
        windows.torque_max,
        windows.torque_sum / windows.n,
        np.sqrt(windows.spread / windows.n),
        windows.encoder_min,
        windows.encoder_max,
        speed,
        windows.flags,
    ]
    arrays = [pa.array(values, from_pandas=values is speed) for values in columns]
    arrays[0] = arrays[0].cast(TS)
    return pa.Table.from_arrays(arrays, schema=SCHEMA)


def _groups(window: Int64s) -> tuple[Int64s, Int64s]:
    """First and last position of each run of equal values."""
    edges = np.flatnonzero(window[1:] != window[:-1])
    return np.concatenate(([0], edges + 1)), np.concatenate((edges, [len(window) - 1]))
