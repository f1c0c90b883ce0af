"""Samples as passes: grid cells of steady travel, the speeds they gather at, stretches of one sense."""

from dataclasses import dataclass
from itertools import groupby

import numpy as np

from nightturn.errors import InsufficientSamplesError
from nightturn.estimation.phases import CONFIRM_CELLS
from nightturn.fixture.stream import STAND_SHARE
from nightturn.model.phases import cell_samples
from nightturn.model.quantities import quantity
from nightturn.model.tiles import Float64s, Int64s
from nightturn.replay.grids import Bools, Grid, Series

STEADY = 0.01
"""A cell is steady when its neighbours' travel differs by no more, or by two counts."""
APART = 0.06
"""Speeds nearer than this are one speed."""
STAND_OF_FASTEST = 0.02
GAP_CELLS = 4
"""Cells of a gap that are looked at: enough to end a pass, and a year between two recordings costs no more than a second."""
CELL_SHARE_MIN = 0.5
"""A cell with this share of its samples has a travel."""


@dataclass(frozen=True, slots=True)
class Leg:
    """A stretch of cells in one sense: its steady speed (cell travel, counts), cells at it and median torque."""

    way: int
    speed: int
    cells: int
    torque_nm: float


@dataclass(frozen=True, slots=True)
class Passes:
    """What was turned, in its order, and the speeds of all of it, slowest first, in counts a cell.

    Attributes:
        rpm_of_count: revolutions a minute of one count a cell.
    """

    legs: tuple[Leg, ...]
    speeds: tuple[int, ...]
    rpm_of_count: float


def passes_of(series: Series, rate_hz: int, counts_per_rev: int, grid: Grid) -> Passes:
    """Find the passes.

    Raises:
        InsufficientSamplesError: nothing in the samples turns steadily for a fifth of a second.
    """
    cell = cell_samples(rate_hz)
    travel, torque_nm = _cells(series, cell, grid)
    speeds = _speeds(travel)
    if not speeds:
        seconds = quantity(len(series.index) / rate_hz, "s", digits=3)
        raise InsufficientSamplesError(
            f"nothing turns steadily in {seconds} of samples; give whole passes of a cycle"
        )
    legs = _legs(travel, torque_nm, speeds)
    if not legs:
        raise InsufficientSamplesError(
            "no pass is longer than a fifth of a second; give whole passes of a cycle"
        )
    return Passes(tuple(legs), tuple(speeds), 60 * rate_hz / cell / counts_per_rev)


def _cells(series: Series, cell: int, grid: Grid) -> tuple[Int64s, Float64s]:
    """Travel and mean torque of every grid cell; a cell that misses most of its samples has no travel.

    The encoder at a grid point is read between its neighbours, so that a lost sample costs itself and not its cell.
    """
    index = _closed(series.index, cell)
    points = np.arange(-(-int(index[0]) // cell) * cell, int(index[-1]) + 1, cell)
    if len(points) < 2:
        return np.zeros(0, np.int64), np.zeros(0)
    edges = np.searchsorted(index, points)
    known = np.diff(edges) >= CELL_SHARE_MIN * cell
    encoder = _encoder_at(points, index, series.encoder)
    sums = np.concatenate(([0], np.cumsum(series.raw, dtype=np.int64)))
    mean = np.diff(sums[edges]) / np.maximum(np.diff(edges), 1)
    return np.where(known, np.diff(encoder), 0), (mean - grid.zero_count) * grid.lsb_nm


def _closed(index: Int64s, cell: int) -> Int64s:
    """The numbers as if long gaps were short, by whole cells, so that the grid stays where it was."""
    surplus = np.maximum(np.diff(index, prepend=index[0]) // cell - GAP_CELLS, 0)
    return np.asarray(index - np.cumsum(surplus) * cell, np.int64)


def _encoder_at(points: Int64s, index: Int64s, encoder: Int64s) -> Int64s:
    """The encoder at these sample numbers, between its neighbours where they were lost."""
    right = np.searchsorted(index, points)
    left = np.maximum(right - (index[right] > points), 0)
    share = (points - index[left]) / np.maximum(index[right] - index[left], 1)
    return np.asarray(encoder[left] + np.rint((encoder[right] - encoder[left]) * share).astype(np.int64))


def _speeds(travel: Int64s) -> list[int]:
    """The speeds that steady cells gather at, slowest first, in counts a cell."""
    size = np.abs(travel)
    if len(size) < CONFIRM_CELLS + 1:
        return []
    near = np.abs(np.diff(travel)) <= np.maximum(2, STEADY * size[1:])
    moving = size >= max(3, STAND_OF_FASTEST * int(size.max()))
    steady = np.sort(size[1:-1][near[:-1] & near[1:] & moving[1:-1]])
    if not len(steady):
        return []
    cuts = np.flatnonzero(np.diff(steady) > np.maximum(2, APART * steady[:-1])) + 1
    return [round(float(np.median(each))) for each in np.split(steady, cuts) if len(each) >= CONFIRM_CELLS]


def _legs(travel: Int64s, torque_nm: Float64s, speeds: list[int]) -> list[Leg]:
    """Stretches between standstills and reversals that reach one of the speeds for long enough to count."""
    size = np.abs(travel)
    sign = np.sign(travel) * (size >= max(1, STAND_SHARE * speeds[0]))
    legs = []
    for way, group in groupby(range(len(sign)), key=lambda i: int(sign[i])):
        cells = np.fromiter(group, np.int64)
        if not way:
            continue
        best = max(speeds, key=lambda speed: int(_at(size[cells], speed).sum()))
        on = cells[_at(size[cells], best)]
        if len(on) >= CONFIRM_CELLS:
            legs.append(Leg(way, best, len(on), float(np.median(torque_nm[on]))))
    return legs


def _at(size: Int64s, speed: int) -> Bools:
    return np.abs(size - speed) <= APART / 2 * speed + 1
