"""The fold of starts: exact integer sums over short slots of time about the moment at which a shaft leaves its rest."""

import msgspec
import numpy as np

from nightturn.estimation.scan import Piece, Stretch
from nightturn.model.tiles import Int64s

BEFORE_SLOTS, AFTER_SLOTS = 50, 150
"""Slots before and behind the cell in which the scan sees the shaft move: 1 s, and 3 s, in which 0.2 rpm turn 3.6 degrees."""
SLOTS = BEFORE_SLOTS + AFTER_SLOTS
CELL_SLOTS = (5, 2)
"""Slots of 20 ms in cells of 50 ms: five in two."""
N, RAW, ENCODER = range(3)


class StartSums(msgspec.Struct):
    """One start from rest: sums by slot of `slot_samples` samples, counted by sample index.

    Attributes:
        direction: +1 or -1, sense of the encoder counts.
        index: first sample of the cell that moves; rest_from: of the standstill before.
        first_slot: slot number of the first column.
        sums: (3, 200) int64: n, Σraw, Σencoder.
    """

    direction: int
    index: int
    rest_from: int
    first_slot: int
    slot_samples: int
    sums: Int64s

    def add(self, piece: Piece) -> None:
        """Take consecutive samples; those outside the slots are left out."""
        self.sums = added(self.sums, self.first_slot, self.slot_samples, piece)

    @property
    def end(self) -> int:
        """Index after the last sample of the last slot."""
        return (self.first_slot + SLOTS) * self.slot_samples

    def canonical(self) -> bytes:
        """The start as bytes in one fixed order, for a digest."""
        scalars = (self.direction, self.index, self.rest_from, self.first_slot, self.slot_samples)
        return np.array(scalars, "<i8").tobytes() + np.ascontiguousarray(self.sums, "<i8").tobytes()


class Starts(msgspec.Struct):
    """Follows rest and start in the stretches of the scan; the whole state can be encoded.

    Attributes:
        rest_from: first sample of the standstill, -1 while the shaft moves.
        tail_first, tail: slot number of the first column and sums (3, 50) of the last slots at rest.
        start: the newest start, until it is taken or the shaft rests or turns round.
    """

    slot_samples: int
    rest_from: int = -1
    tail_first: int = 0
    tail: Int64s = msgspec.field(default_factory=lambda: np.zeros((3, BEFORE_SLOTS), np.int64))
    start: StartSums | None = None

    @classmethod
    def of_cells(cls, cell_samples: int) -> "Starts":
        """For the cells of a scan."""
        slots, cells = CELL_SLOTS
        return cls(max(1, cell_samples * cells // slots))

    def reset(self) -> None:
        """Forget the stream."""
        self.rest_from, self.start = -1, None

    def add(self, stretch: Stretch) -> None:
        """Take the next stretch of the scan."""
        if stretch.code == 0:
            if self.rest_from < 0:
                self.rest_from = stretch.start
                self.tail = np.zeros_like(self.tail)
                self.tail_first = stretch.start // self.slot_samples - BEFORE_SLOTS + 1
                self.start = None
            for piece in stretch.samples:
                self._rest(piece)
            return
        way = 1 if stretch.code > 0 else -1
        if self.rest_from >= 0:
            self._begin(way, stretch.start)
        start = self.start
        if start is None:
            return
        if start.direction != way:
            self.start = None
        elif stretch.start < start.end:
            for piece in stretch.samples:
                start.add(piece)

    def taken(self, direction: int) -> StartSums | None:
        """The start of the pass in this direction that ends now, if it started from rest; it is given once."""
        start, self.start = self.start, None
        return start if start is not None and start.direction == direction else None

    def _rest(self, piece: Piece) -> None:
        """Keep the last slots of a standstill."""
        last = (piece.end - 1) // self.slot_samples
        beyond = last - (self.tail_first + BEFORE_SLOTS) + 1
        if beyond > 0:
            kept = np.zeros_like(self.tail)
            if beyond < BEFORE_SLOTS:
                kept[:, : BEFORE_SLOTS - beyond] = self.tail[:, beyond:]
            self.tail, self.tail_first = kept, self.tail_first + beyond
        self.tail = added(self.tail, self.tail_first, self.slot_samples, piece)

    def _begin(self, way: int, index: int) -> None:
        """The shaft leaves its rest: the last slots are the first of its start."""
        first = index // self.slot_samples - BEFORE_SLOTS
        sums = np.zeros((3, SLOTS), np.int64)
        low = max(self.tail_first, first)
        high = min(self.tail_first + BEFORE_SLOTS, first + SLOTS)
        if high > low:
            sums[:, low - first : high - first] = self.tail[:, low - self.tail_first : high - self.tail_first]
        self.start = StartSums(way, index, self.rest_from, first, self.slot_samples, sums)
        self.rest_from = -1


def added(sums: Int64s, first_slot: int, slot_samples: int, piece: Piece) -> Int64s:
    """Sums (3, slots) with the samples of a piece that lie in them; an array of its own where they are read-only."""
    begin = max(piece.first, first_slot * slot_samples)
    stop = min(piece.end, (first_slot + sums.shape[1]) * slot_samples)
    if begin >= stop:
        return sums
    if not sums.flags.writeable:
        sums = sums.copy()
    low, high = begin // slot_samples, (stop - 1) // slot_samples
    edges = np.arange(low, high + 1) * slot_samples - begin
    edges[0] = 0
    part = slice(begin - piece.first, stop - piece.first)
    place = slice(low - first_slot, high - first_slot + 1)
    sums[N, place] += np.diff(edges, append=stop - begin)
    sums[RAW, place] += np.add.reduceat(piece.raw[part].astype(np.int64), edges)
    sums[ENCODER, place] += np.add.reduceat(piece.encoder[part], edges)
    return sums
