"""Is every sample number there once, or in a gap row once? Intervals [start, stop) of device sample numbers."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pyarrow as pa


@dataclass(frozen=True, slots=True)
class Gap:
    """An exact gap row: the samples [start, stop) of an epoch are missing."""

    cause: str
    epoch: int
    start: int
    stop: int


@dataclass(frozen=True, slots=True)
class Hole:
    """A jump of the index in the stored samples, and what explains it.

    Attributes:
        causes: of the gap rows that cover it.
        unexplained: samples of it that no gap row covers.
    """

    epoch: int
    start: int
    stop: int
    causes: tuple[str, ...]
    unexplained: int


class Stretches:
    """Of one chunk, table by table: the samples [start, stop) without a jump, its epochs and its times.

    Attributes:
        rows: taken in so far.
        found: the stretches, in order.
        epochs: in its rows.
        ts_first, ts_last: times of the first and the last row, UTC ns; None before there is one.
        steps_back: whether a time is before the one of the row before it.
    """

    def __init__(self) -> None:
        self.rows = 0
        self.found: list[tuple[int, int]] = []
        self.epochs: set[int] = set()
        self.ts_first: int | None = None
        self.ts_last: int | None = None
        self.steps_back = False

    def add(self, table: pa.Table) -> None:
        """Take in the next rows."""
        self.rows += table.num_rows
        if not table.num_rows:
            return
        epochs = table.column("epoch").to_numpy()
        one = (epochs == epochs[0]).all()
        self.epochs.update((int(epochs[0]),) if one else np.unique(epochs).tolist())
        ts = table.column("ts").cast(pa.int64()).to_numpy()
        self.steps_back |= bool((ts[1:] < ts[:-1]).any())
        self.steps_back |= self.ts_last is not None and int(ts[0]) < self.ts_last
        self.ts_first = int(ts[0]) if self.ts_first is None else self.ts_first
        self.ts_last = int(ts[-1])
        index = table.column("index").to_numpy()
        jumps = np.flatnonzero(index[1:] != index[:-1] + 1) + 1
        starts, stops = index[[0, *jumps]].tolist(), (index[[*(jumps - 1), -1]] + 1).tolist()
        if self.found and self.found[-1][1] == starts[0]:
            starts[0] = self.found.pop()[0]
        self.found += zip(starts, stops, strict=True)


class Continuity:
    """Takes the raw chunks of a run in record order and keeps the stretches of samples without a jump."""

    def __init__(self) -> None:
        self._stretches: dict[int, list[tuple[int, int]]] = {}
        self._ts_last: int | None = None

    def add(self, stretches: "Stretches") -> Iterator[str]:
        """Take a chunk in; what contradicts time or order comes back as sentences."""
        if len(stretches.epochs) > 1:
            yield f"spans epochs {sorted(stretches.epochs)}"
            return
        if stretches.ts_first is None:
            return
        if stretches.steps_back or (self._ts_last is not None and stretches.ts_first < self._ts_last):
            yield "its time steps back"
        self._ts_last = stretches.ts_last
        yield from self.take(min(stretches.epochs), stretches.found)

    def take(self, epoch: int, stretches: Iterable[tuple[int, int]]) -> list[str]:
        """Take in samples [start, stop) in order; what overlaps comes back as sentences."""
        known, overlaps = self._stretches.setdefault(epoch, []), []
        for start, stop in stretches:
            if known and start < known[-1][1]:
                overlaps.append(f"contains sample {start} after sample {known[-1][1] - 1}")
            if known and start == known[-1][1]:
                known[-1] = (known[-1][0], stop)
            else:
                known.append((start, stop))
        return overlaps

    def holes(self, gaps: Sequence[Gap]) -> tuple[Hole, ...]:
        """Every jump between stored stretches of an epoch, with the gap rows that cover it."""
        found: list[Hole] = []
        for epoch, stretches in sorted(self._stretches.items()):
            of_epoch = [gap for gap in gaps if gap.epoch == epoch]
            for (_, start), (stop, _) in pairwise(stretches):
                if stop > start:
                    covering = [gap for gap in of_epoch if gap.start < stop and gap.stop > start]
                    covered = _length((max(gap.start, start), min(gap.stop, stop)) for gap in covering)
                    causes = tuple(dict.fromkeys(gap.cause for gap in covering))
                    found.append(Hole(epoch, start, stop, causes, stop - start - covered))
        return tuple(found)

    def contradictions(self, gaps: Sequence[Gap]) -> Iterator[str]:
        """Gap rows over samples that are stored, and gap rows that overlap."""
        ordered = sorted(gaps, key=lambda gap: (gap.epoch, gap.start))
        for gap in ordered:
            for start, stop in self._stretches.get(gap.epoch, ()):
                if gap.start < stop and gap.stop > start:
                    both = f"{max(gap.start, start)} to {min(gap.stop, stop) - 1}"
                    yield f"epoch {gap.epoch}: samples {both} are stored and in a gap row ({gap.cause})"
        for one, other in pairwise(ordered):
            if one.epoch == other.epoch and other.start < one.stop:
                yield f"epoch {one.epoch}: two gap rows hold sample {other.start} ({one.cause}, {other.cause})"

    def produced(self, gaps: Sequence[Gap]) -> int:
        """How many samples the device numbered: from the first to the last of each epoch, gaps at its ends included."""
        total = 0
        for epoch in {*self._stretches, *(gap.epoch for gap in gaps)}:
            spans = [
                *self._stretches.get(epoch, ()),
                *((gap.start, gap.stop) for gap in gaps if gap.epoch == epoch),
            ]
            total += max(stop for _, stop in spans) - min(start for start, _ in spans)
        return total


def _length(intervals: Iterable[tuple[int, int]]) -> int:
    """Size of the union."""
    total, reached = 0, None
    for start, stop in sorted(intervals):
        begin = start if reached is None else max(start, reached)
        total += max(0, stop - begin)
        reached = stop if reached is None else max(reached, stop)
    return total
