"""The scan: samples in index order become stretches of whole grid cells whose travel is known."""

from itertools import pairwise
from typing import NamedTuple

import msgspec
import numpy as np

from nightturn.estimation.phases import ScanSettings, cell_codes
from nightturn.model.tiles import Int64s, Tile


class Stretch(NamedTuple):
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
    samples: list[Tile]


class Scan(msgspec.Struct):
    """Cuts the stream at grid points; carries at most the samples since the last grid point that was received.

    A gap that hides grid points makes one stretch over all of them, judged by its mean travel.
    """

    settings: ScanSettings
    grid_index: int = -1
    grid_encoder: int = 0
    pending: list[Tile] = []

    def reset(self) -> None:
        """Forget the stream: what comes next is not connected with what was."""
        self.grid_index = -1
        self.pending = []

    def add(self, tile: Tile) -> list[Stretch]:
        """Take the next samples and return every stretch that they complete."""
        cell = self.settings.cell_samples
        first = -(-tile.index // cell) * cell
        if first >= tile.end:
            if self.grid_index >= 0:
                self.pending.append(tile)
            return []
        encoders = tile.encoder[first - tile.index :: cell]
        last = first + (len(encoders) - 1) * cell
        out = []
        if self.grid_index >= 0:
            out.append(self._close_pending(tile, first, int(encoders[0])))
        if last > first:
            out += self._inner(tile, first, encoders)
        self.grid_index, self.grid_encoder = last, int(encoders[-1])
        self.pending = [tile.part(last, tile.end)]
        return out

    def _close_pending(self, tile: Tile, first: int, encoder: int) -> Stretch:
        """The stretch from the carried grid point to the tile's first one."""
        cells = (first - self.grid_index) // self.settings.cell_samples
        encoders = np.array((self.grid_encoder, encoder), np.int64)
        samples = self.pending
        if first > tile.index:
            samples = [*samples, tile.part(tile.index, first)]
        code = cell_codes(encoders[1:] - encoders[:1], cells, self.settings)
        return Stretch(int(code[0]), cells, self.grid_index, encoders, samples)

    def _inner(self, tile: Tile, first: int, encoders: Int64s) -> list[Stretch]:
        """The stretches between the tile's own grid points, equal codes together."""
        cell = self.settings.cell_samples
        codes = cell_codes(np.diff(encoders), 1, self.settings)
        cuts = [0, *(np.flatnonzero(codes[1:] != codes[:-1]) + 1).tolist(), len(codes)]
        out = []
        for a, b in pairwise(cuts):
            start = first + a * cell
            part = tile.part(start, first + b * cell)
            out.append(Stretch(int(codes[a]), 1, start, encoders[a : b + 1], [part]))
        return out


def join(tiles: list[Tile]) -> list[Tile]:
    """Neighbouring tiles without a gap between them made one."""
    out: list[list[Tile]] = []
    for tile in tiles:
        if out and out[-1][-1].end == tile.index:
            out[-1].append(tile)
        else:
            out.append([tile])
    return [group[0] if len(group) == 1 else _concatenate(group) for group in out]


def _concatenate(tiles: list[Tile]) -> Tile:
    """Tiles that follow each other without a gap as one."""
    head = tiles[0]
    return Tile(
        head.epoch,
        head.index,
        head.tick,
        head.ticks_per_sample,
        np.concatenate([t.raw for t in tiles]),
        np.concatenate([t.encoder for t in tiles]),
        np.concatenate([t.flags for t in tiles]),
        np.concatenate([t.inputs for t in tiles]),
    )


def before(tiles: list[Tile], index: int) -> tuple[list[Tile], list[Tile]]:
    """Split at a sample index: what lies before it, and the rest."""
    early, late = [], []
    for tile in tiles:
        if tile.end <= index:
            early.append(tile)
        elif tile.index >= index:
            late.append(tile)
        else:
            early.append(tile.part(tile.index, index))
            late.append(tile.part(index, tile.end))
    return early, late
