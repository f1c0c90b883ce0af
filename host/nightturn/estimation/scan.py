"""The scan: samples in index order become stretches of whole grid cells whose travel is known."""

from itertools import pairwise

import msgspec
import numpy as np

from nightturn.estimation.phases import ScanSettings, cell_code, cell_codes
from nightturn.model.tiles import Int32s, Int64s, Tile, UInt8s

JUMP_SPEEDS = 3
"""No shaft on a measuring speed goes on at three times of it from one sample to the next."""
JUMP_COUNTS = 2
"""Rounding of the encoder at two samples."""
ENCODER_JUMPED = "the encoder jumped by"
"""So begins the reason for which a cycle is broken off there."""


class Piece(msgspec.Struct, frozen=True, array_like=True):
    """Consecutive samples as the folds need them: views of a tile."""

    first: int
    raw: Int32s
    encoder: Int64s
    flags: UInt8s

    @property
    def end(self) -> int:
        """Index after the last sample."""
        return self.first + len(self.raw)

    def part(self, start: int, stop: int) -> "Piece":
        """The samples with index in [start, stop)."""
        a, b = start - self.first, stop - self.first
        return Piece(start, self.raw[a:b], self.encoder[a:b], self.flags[a:b])


class Stretch(msgspec.Struct, frozen=True):
    """Neighbouring stretches of grid with one code.

    Attributes:
        code: see `phases.cell_codes`.
        cells: grid cells that each of them spans; more than one only where a gap hides grid points.
        start: sample index of the first grid point.
        encoders: (count + 1,) encoder counts at the grid points.
        samples: what was received between the first and the last grid point, in order.
    """

    code: int
    cells: int
    start: int
    encoders: Int64s
    samples: list[Piece]


class Scan(msgspec.Struct):
    """Cuts the stream at grid points; carries at most the samples since the last grid point that was received.

    A gap that hides grid points makes one stretch over all of them, judged by its mean travel.
    """

    settings: ScanSettings
    grid_index: int = -1
    grid_encoder: int = 0
    pending: list[Piece] = []

    def reset(self) -> None:
        """Forget the stream: what comes next is not connected with what was."""
        self.grid_index = -1
        self.pending = []

    def add(self, tile: Tile) -> list[Stretch]:
        """Take the next samples and return every stretch that they complete."""
        cell = self.settings.cell_samples
        piece = Piece(tile.index, tile.raw, tile.encoder, tile.flags)
        end = piece.end
        first = -(-tile.index // cell) * cell
        if first >= end:
            if self.grid_index >= 0:
                self.pending.append(piece)
            return []
        encoders = tile.encoder[first - tile.index :: cell]
        last = first + (len(encoders) - 1) * cell
        out = []
        if self.grid_index >= 0:
            out.append(self._close_pending(piece, first, int(encoders[0])))
        if last > first:
            out += self._inner(piece, first, encoders)
        self.grid_index, self.grid_encoder = last, int(encoders[-1])
        self.pending = [piece.part(last, end)]
        return out

    def _close_pending(self, piece: Piece, first: int, encoder: int) -> Stretch:
        """The stretch from the carried grid point to the tile's first one."""
        cells = (first - self.grid_index) // self.settings.cell_samples
        encoders = np.array((self.grid_encoder, encoder), np.int64)
        samples = self.pending
        if first > piece.first:
            samples = [*samples, piece.part(piece.first, first)]
        code = cell_code(encoder - self.grid_encoder, cells, self.settings)
        return Stretch(code, cells, self.grid_index, encoders, samples)

    def _inner(self, piece: Piece, first: int, encoders: Int64s) -> list[Stretch]:
        """The stretches between the tile's own grid points, equal codes together."""
        cell = self.settings.cell_samples
        if len(encoders) == 2:
            code = cell_code(int(encoders[1]) - int(encoders[0]), 1, self.settings)
            return [Stretch(code, 1, first, encoders, [piece.part(first, first + cell)])]
        codes = cell_codes(encoders[1:] - encoders[:-1], self.settings)
        cuts = [0, *((codes[1:] != codes[:-1]).nonzero()[0] + 1).tolist(), len(codes)]
        out = []
        for a, b in pairwise(cuts):
            start = first + a * cell
            part = piece.part(start, first + b * cell)
            out.append(Stretch(int(codes[a]), 1, start, encoders[a : b + 1], [part]))
        return out


def encoder_jump(stretch: Stretch, settings: ScanSettings) -> int:
    """The largest step between two samples of a cell that ends a pass and that no shaft can make, counts; 0 without."""
    if stretch.cells != 1 or not stretch.samples:
        return 0
    cell = settings.cell_samples
    indices = [np.arange(piece.first, piece.end) for piece in stretch.samples]
    index = np.concatenate([*indices, [stretch.start + cell]])
    encoder = np.concatenate([*(piece.encoder for piece in stretch.samples), stretch.encoders[-1:]])
    fastest = max(settings.slow_cell_counts, settings.hold_cell_counts)
    steps = np.diff(encoder)
    most = JUMP_SPEEDS * fastest * np.diff(index) + JUMP_COUNTS * cell
    worst = int((np.abs(steps) * cell - most).argmax())
    return int(steps[worst]) if abs(int(steps[worst])) * cell > int(most[worst]) else 0


def join(pieces: list[Piece]) -> list[Piece]:
    """Neighbouring pieces without a gap between them made one."""
    out: list[list[Piece]] = []
    for piece in pieces:
        if out and out[-1][-1].end == piece.first:
            out[-1].append(piece)
        else:
            out.append([piece])
    return [group[0] if len(group) == 1 else _concatenate(group) for group in out]


def _concatenate(pieces: list[Piece]) -> Piece:
    """Pieces that follow each other without a gap as one."""
    return Piece(
        pieces[0].first,
        np.concatenate([p.raw for p in pieces]),
        np.concatenate([p.encoder for p in pieces]),
        np.concatenate([p.flags for p in pieces]),
    )


def before(pieces: list[Piece], index: int) -> tuple[list[Piece], list[Piece]]:
    """Split at a sample index: what lies before it, and the rest."""
    early, late = [], []
    for piece in pieces:
        if piece.end <= index:
            early.append(piece)
        elif piece.first >= index:
            late.append(piece)
        else:
            early.append(piece.part(piece.first, index))
            late.append(piece.part(index, piece.end))
    return early, late
