"""A stretch of a run as blocks of samples that follow one another, and the holes between them, in order of time and in constant memory."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from nightturn.export.stretch import Stretch
from nightturn.model.rows import RESTART
from nightturn.model.tiles import Float64s, Int64s
from nightturn.storage import paths, spans

COLUMNS = ("torque_nm", "angle_rad", "epoch", "index", "flags", "inputs")
UNEXPLAINED = "unexplained"
"""Samples that are absent without a row that says why; `verify` names them."""


@dataclass(frozen=True, slots=True)
class Block:
    """Samples without a hole between them.

    Attributes:
        segment: counts from 1; the next number begins behind each hole.
        ts: ns since 1970 UTC (n,). torque_nm, angle_rad (n,).
        epoch, index, flags, inputs: as stored (n,); the epoch is one for all.
    """

    segment: int
    ts: Int64s
    torque_nm: Float64s
    angle_rad: Float64s
    epoch: Int64s
    index: Int64s
    flags: Int64s
    inputs: Int64s

    def __len__(self) -> int:
        return len(self.ts)


@dataclass(frozen=True, slots=True)
class Hole:
    """Samples that are missing.

    Attributes:
        cause: as the run recorded it, or `UNEXPLAINED`.
        from_ts, to_ts: ns since 1970 UTC, of the whole hole.
        missing: how many; 0 for one that began before the stretch and is counted there.
        exact: whether the device's own numbers count them, or only time does.
        epoch: in which, or before which.
        before: whether it began before the stretch.
    """

    cause: str
    from_ts: int
    to_ts: int
    missing: int
    exact: bool
    epoch: int
    before: bool = False


@dataclass(slots=True)
class Totals:
    """What went by: samples, missing ones, and first and last time, ns since 1970 UTC."""

    samples: int = 0
    missing: int = 0
    holes: list[Hole] = field(default_factory=list)
    first_ts: int = 0
    last_ts: int = 0

    def add(self, piece: Block | Hole) -> None:
        """Count one piece."""
        if isinstance(piece, Hole):
            self.holes.append(piece)
            self.missing += piece.missing
            return
        self.first_ts = self.first_ts if self.samples else int(piece.ts[0])
        self.last_ts = int(piece.ts[-1])
        self.samples += len(piece)


def gaps_text(missing: int, gaps: int) -> str:
    """`5900 missing in 1 gap`, or `no gap`."""
    return f"{missing} missing in {gaps} gap{'s' if gaps > 1 else ''}" if gaps else "no gap"


def pieces(stretch: Stretch) -> Iterator[Block | Hole]:
    """The stretch, piece by piece; one row group is in memory at a time.

    A hole belongs to the stretch in which it begins, so that the parts of a stretch that is split have its samples and its missing ones.

    Raises:
        CorruptFileError: a file fails its checksum.
        CalibrationError: the record of now cannot be worked out.
    """
    walk = _Walk(_holes(stretch))
    for frame in _frames(stretch):
        yield from walk.through(frame)
    yield from walk.rest()


def _frames(stretch: Stretch) -> Iterator[pd.DataFrame]:
    start, stop = (each - stretch.by_ns for each in (stretch.start_ns, stretch.stop_ns))
    for each in stretch.run.chunks(paths.RAW):
        if spans.overlaps(each.span, start, stop):
            for frame in stretch.run.parts(each, start, stop, COLUMNS, stretch.calibration, stretch.by_ns):
                frame.index += pd.Timedelta(stretch.by_ns, unit="ns")
                yield frame


def _holes(stretch: Stretch) -> list[tuple[Hole, int]]:
    """The holes of the stretch in order of time, each with the number of its first sample."""
    found: list[tuple[Hole, int]] = []
    for row in stretch.run.gaps().to_dict("records"):
        begin, end = pd.Timestamp(row["ts_from"]).value, pd.Timestamp(row["ts_to"]).value
        before = begin < stretch.start_ns
        if begin >= stretch.stop_ns or (before and end <= stretch.start_ns):
            continue
        missing = 0 if before else int(row["n_missing"])
        hole = Hole(str(row["cause"]), begin, end, missing, bool(row["exact"]), int(row["epoch"]), before)
        found.append((hole, int(row["index_from"])))
    return sorted(found, key=lambda each: each[0].from_ts)


class _Walk:
    """Where the walk stands: the sample before, and the holes still to come."""

    def __init__(self, holes: Sequence[tuple[Hole, int]]) -> None:
        self._holes = [*holes]
        self._segment = 1
        self._last: tuple[int, int, int] | None = None  # epoch, index, ts

    def through(self, frame: pd.DataFrame) -> Iterator[Block | Hole]:
        """The blocks of a frame, and the holes before each."""
        if not len(frame):
            return
        index, epoch = frame["index"].to_numpy(np.int64), frame["epoch"].to_numpy(np.int64)
        edges = np.flatnonzero((np.diff(index) != 1) | (np.diff(epoch) != 0)) + 1
        for a, b in zip([0, *edges.tolist()], [*edges.tolist(), len(index)], strict=True):
            block = _block(frame.iloc[a:b])
            yield from self._before(block)
            self._last = int(epoch[b - 1]), int(index[b - 1]), int(block.ts[-1])
            yield _numbered(block, self._segment)

    def rest(self) -> Iterator[Hole]:
        """The holes behind the last sample."""
        yield from (hole for hole, _ in self._holes)

    def _before(self, block: Block) -> Iterator[Hole]:
        epoch, index, ts = int(block.epoch[0]), int(block.index[0]), int(block.ts[0])
        due = [
            (hole, first)
            for hole, first in self._holes
            if hole.from_ts < ts or (hole.exact and hole.epoch == epoch and first < index)
        ]
        self._holes = [each for each in self._holes if each not in due]
        found = [hole for hole, _ in due]
        if self._last is not None:
            found += self._unsaid(due, epoch, index, ts)
        follows = self._last is not None and (epoch, index) == (self._last[0], self._last[1] + 1)
        if self._last is not None and not follows:
            self._segment += 1
        yield from found

    def _unsaid(self, due: Sequence[tuple[Hole, int]], epoch: int, index: int, ts: int) -> Iterator[Hole]:
        """What no row explains: samples absent within an epoch, or another epoch without a word."""
        assert self._last is not None
        last_epoch, last_index, last_ts = self._last
        if epoch != last_epoch:
            if not any(hole.epoch == epoch for hole, _ in due):
                yield Hole(RESTART, last_ts, ts, 0, exact=False, epoch=epoch)
            return
        inside = (hole.missing for hole, first in due if hole.epoch == epoch and last_index < first < index)
        left = index - last_index - 1 - sum(inside)
        if left > 0:
            yield Hole(UNEXPLAINED, last_ts, ts, left, exact=True, epoch=epoch)


def _block(frame: pd.DataFrame) -> Block:
    whole = {name: frame[name].to_numpy(np.int64) for name in ("epoch", "index", "flags", "inputs")}
    return Block(
        segment=0,
        ts=pd.DatetimeIndex(frame.index).as_unit("ns").asi8,
        torque_nm=frame["torque_nm"].to_numpy(np.float64),
        angle_rad=frame["angle_rad"].to_numpy(np.float64),
        **whole,
    )


def _numbered(block: Block, segment: int) -> Block:
    return Block(
        segment,
        block.ts,
        block.torque_nm,
        block.angle_rad,
        block.epoch,
        block.index,
        block.flags,
        block.inputs,
    )
