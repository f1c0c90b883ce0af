"""Blocks to tiles: few large arrays whose edges do not depend on how the device cut its blocks."""

import msgspec

from nightturn.acquisition.blocks import unpack_columns
from nightturn.acquisition.outputs import BlockIn
from nightturn.model.tiles import Tile
from nightturn_protocol.framing import HEADER_BYTES
from nightturn_protocol.messages import BLOCK_HEADER


class Tiler(msgspec.Struct):
    """Collects blocks and unpacks them once per tile.

    Tiles end where the sample number is a multiple of `size`, and at a gap, a change of epoch or a flush. The
    state holds block bodies only; samples before `first_index` have left with an earlier tile.
    """

    size: int
    ticks_per_sample: int
    epoch: int = -1
    bodies: list[bytes] = []
    first_index: int = 0
    next_index: int = -1
    next_tick: int = -1
    edge: int = 0

    @classmethod
    def start(cls, size: int, ticks_per_sample: int) -> "Tiler":
        """A tiler for tiles of at most `size` samples."""
        return cls(size=size, ticks_per_sample=ticks_per_sample)

    def add(self, block: BlockIn, epoch: int) -> list[Tile]:
        """Take the next block of the series; returns the tiles it completes."""
        if block.index == self.next_index and block.tick == self.next_tick and epoch == self.epoch:
            tiles: list[Tile] = []
        else:
            tiles = self.flush()
            self.epoch = epoch
            self._begin(block.index)
        count = block.count
        self.bodies.append(block.body)
        self.next_index = block.index + count
        self.next_tick = block.tick + count * self.ticks_per_sample
        if self.next_index >= self.edge:
            tiles += self._cut()
        return tiles

    def resize(self, size: int) -> None:
        """Tiles end elsewhere from the next gap or full tile on."""
        self.size = size

    def flush(self) -> list[Tile]:
        """The tile begun so far, however short; nothing is kept."""
        tiles = self._tiles(self.next_index) if self.bodies else []
        self.bodies = []
        self.next_index = self.next_tick = -1
        return tiles

    def _begin(self, index: int) -> None:
        self.first_index = index
        self.edge = (index // self.size + 1) * self.size

    def _cut(self) -> list[Tile]:
        """Tiles up to the last edge reached; a block across that edge stays."""
        edge = self.next_index // self.size * self.size
        tiles = self._tiles(edge)
        self.bodies = self.bodies[-1:] if edge < self.next_index else []
        self._begin(edge)
        return tiles

    def _tiles(self, stop: int) -> list[Tile]:
        """The samples from `first_index` to `stop`, split at the edges."""
        samples = unpack_columns(self.bodies)
        index, tick, *_ = BLOCK_HEADER.unpack_from(self.bodies[0], HEADER_BYTES)
        whole = Tile(
            self.epoch,
            index,
            tick,
            self.ticks_per_sample,
            samples.raw,
            samples.encoder,
            samples.flags,
            samples.inputs,
        )
        if self.first_index == whole.index and stop == whole.end and stop <= self.edge:
            return [whole]
        tiles = []
        start = self.first_index
        while start < stop:
            end = min(stop, (start // self.size + 1) * self.size)
            tiles.append(whole.part(start, end))
            start = end
        return tiles
