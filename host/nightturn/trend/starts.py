"""How often a shaft started, from its angle: each movement behind a rest, once, however samples are cut into tiles."""

import math

import msgspec
import numpy as np

from nightturn.estimation.turns import Bools
from nightturn.model.tiles import Int64s

CELL_S = 0.05
"""Angles are compared so far apart, on a grid that begins at sample 0."""
MOVING_RAD_PER_S = 0.02
"""0.2 rpm: slower than any measuring speed, faster than an encoder's noise over a cell (common practice, no source)."""
REST_CELLS = 4
"""So many cells at rest in a row are a rest; a reversal stands for less than one."""


class Starts(msgspec.Struct):
    """Of one series of samples.

    Attributes:
        cell: samples between two angles that are compared; least: counts that are a movement.
        count: starts so far.
        index, angle: of the newest grid point, -1 before there is one.
        resting: cells at rest behind the last movement, at most `REST_CELLS`; 0 where it moves, or nothing is known.
    """

    cell: int
    least: int
    count: int = 0
    index: int = -1
    angle: int = 0
    resting: int = 0

    @classmethod
    def start(cls, rate_hz: float, counts_per_rev: int) -> "Starts":
        """No sample yet."""
        least = math.ceil(MOVING_RAD_PER_S * CELL_S / (2 * math.pi) * counts_per_rev)
        return cls(max(1, round(CELL_S * rate_hz)), max(2, least))

    def add(self, index: int, encoder: Int64s) -> None:
        """The next samples; those in the middle of a cell do not matter, behind a gap nothing is known of before."""
        first = -(-index // self.cell) * self.cell
        angles = encoder[first - index :: self.cell]
        if not len(angles):
            return
        if self.index >= 0 and first == self.index + self.cell:
            angles = np.concatenate(([self.angle], angles))
        else:
            self.resting = 0
        self._count(np.abs(np.diff(angles)) >= self.least)
        last = first + (len(encoder) - 1 - (first - index)) // self.cell * self.cell
        self.index, self.angle = last, int(angles[-1])

    def interrupt(self) -> None:
        """What follows has nothing to do with what was before: another boot."""
        self.index, self.resting = -1, 0

    def _count(self, moving: Bools) -> None:
        """Cells (n,) one after the other."""
        at = np.flatnonzero(moving)
        if not at.size:
            self.resting = min(self.resting + len(moving), REST_CELLS)
            return
        rests = np.diff(at, prepend=-1) - 1
        rests[0] += self.resting
        self.count += int((rests >= REST_CELLS).sum())
        self.resting = min(len(moving) - 1 - int(at[-1]), REST_CELLS)
