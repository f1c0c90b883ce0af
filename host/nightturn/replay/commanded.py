"""What was commanded, read back from the samples: steady speeds, the hold's torque, strokes in a cycle."""

from collections import Counter
from dataclasses import dataclass
from itertools import groupby

import numpy as np
import numpy.typing as npt

from nightturn.errors import InsufficientSamplesError
from nightturn.estimation.phases import CONFIRM_CELLS, ScanSettings
from nightturn.fixture.stream import JUMP_SHARE, STAND_SHARE
from nightturn.model.phases import SLOW_WAYS, cell_counts, cell_samples, exclusion_counts
from nightturn.model.tiles import Float64s, Int32s, Int64s
from nightturn.replay.grids import ADC_COUNTS, Grid, Series

Bools = npt.NDArray[np.bool_]

STEADY = 0.01  # a cell is steady when its neighbours' travel differs by no more, or by two counts
APART = 0.06  # speeds nearer than this are one speed
COMMON = 0.1  # a commanded speed takes at least this share of the time of all free passes
ROUND_SPEED = 2e-3  # a speed this near to three digits was commanded as these
ROUND_TORQUE = 0.02  # and a torque to two
STAND_OF_FASTEST = 0.02
LOADED = 3.0  # a hold has at least this many times the torque of the other passes,
LOADED_OF_LARGEST = 0.5  # and every hold at least this share of the largest
NO_RAIL = 1 << 30
RAIL_RUN = 3  # a converter that saturates gives the same largest count at least so often in a row,
RAIL_OUT = 2.0  # so many times as far from the middle as the rest


@dataclass(frozen=True, slots=True)
class Motion:
    """What the plan must have been; speeds and torque are 0 where there was no such phase."""

    scan: ScanSettings
    slow_rpm: float
    hold_rpm: float
    hold_nm: float


@dataclass(frozen=True, slots=True)
class Leg:
    """A stretch of cells in one sense: its steady speed (cell travel, counts), cells at it and median torque."""

    way: int
    speed: int
    cells: int
    torque_nm: float


def commanded(series: Series, rate_hz: int, counts_per_rev: int, grid: Grid) -> Motion:
    """Read the plan back from the samples.

    Raises:
        InsufficientSamplesError: nothing in them turns steadily for a fifth of a second.
    """
    cell = cell_samples(rate_hz)
    travel, torque_nm = _cells(series, cell, grid)
    speeds = _speeds(travel)
    if not speeds:
        raise InsufficientSamplesError(
            f"nothing turns steadily in {len(series.index) / rate_hz:.3g} s of samples; give whole passes of a cycle"
        )
    legs = _legs(travel, torque_nm, speeds)
    if not legs:
        raise InsufficientSamplesError(
            "no pass is longer than a fifth of a second; give whole passes of a cycle"
        )
    hold_nm = _hold_torque(legs)
    loaded = [leg for leg in legs if hold_nm and abs(leg.torque_nm) >= hold_nm * LOADED_OF_LARGEST]
    free = [leg for leg in legs if leg not in loaded]
    slow, exercise = _free_speeds(free)
    hold = Counter(leg.speed for leg in loaded).most_common(1)[0][0] if loaded else 0
    rpm = {
        speed: _round_to(speed * 60 * rate_hz / cell / counts_per_rev, ROUND_SPEED, 3) for speed in speeds
    } | {0: 0.0}
    counts = {speed: cell_counts(rpm[speed], counts_per_rev) for speed in rpm}
    scan = ScanSettings(
        cell_samples=cell,
        counts_per_rev=counts_per_rev,
        slow_cell_counts=counts[slow],
        hold_cell_counts=counts[hold],
        exercise_cell_counts=counts[exercise],
        stand_cell_counts=max(
            1, int(min(counts[each] for each in (slow, hold, exercise) if each) * STAND_SHARE)
        ),
        exclusion_counts=exclusion_counts(counts_per_rev),
        slow_legs=len(SLOW_WAYS),
        strokes=_strokes(legs, exercise) if exercise else 0,
        zero_raw=round(grid.zero_count),
        hold_threshold_raw=max(1, round(hold_nm / 2 / grid.lsb_nm)) if loaded else 0,
        rail_low=-rail_of(-series.raw),
        rail_high=rail_of(series.raw),
        jump_raw=round(ADC_COUNTS / 2 * JUMP_SHARE),
    )
    return Motion(scan, rpm[slow], rpm[hold], hold_nm)


def rail_of(raw: Int32s) -> int:
    """The largest count where it is a saturated converter's, else a count that none reaches."""
    largest = int(raw.max())
    at = np.flatnonzero(raw == largest)
    if len(at) < RAIL_RUN or not (at[RAIL_RUN - 1 :] - at[: 1 - RAIL_RUN] == RAIL_RUN - 1).any():
        return NO_RAIL
    rest = raw[raw < largest]
    middle = float(np.median(raw))
    return largest if len(rest) and largest - middle > RAIL_OUT * (int(rest.max()) - middle) else NO_RAIL


def _cells(series: Series, cell: int, grid: Grid) -> tuple[Int64s, Float64s]:
    """Travel and mean torque of every grid cell without a gap; a gap leaves a cell of no travel."""
    index = series.index
    at = np.flatnonzero(index % cell == 0)
    whole = np.diff(index[at]) == cell
    travel = np.where(whole & (np.diff(at) == cell), np.diff(series.encoder[at]), 0)
    sums = np.add.reduceat(series.raw.astype(np.int64), at)[:-1] if len(at) > 1 else np.zeros(0, np.int64)
    return travel, (sums / np.maximum(np.diff(at), 1) - grid.zero_count) * grid.lsb_nm


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


def _hold_torque(legs: list[Leg]) -> float:
    """The torque held, or 0 when no leg stands out of the others; friction and zero are those of the free passes."""
    largest = max(abs(leg.torque_nm) for leg in legs)
    free = [leg for leg in legs if abs(leg.torque_nm) < largest * LOADED_OF_LARGEST]
    if not free or largest < LOADED * max(abs(leg.torque_nm) for leg in free):
        return 0.0
    held = [leg for leg in legs if abs(leg.torque_nm) >= largest * LOADED_OF_LARGEST]
    own = [abs(leg.torque_nm - _unpowered(leg.way, free)) for leg in held]
    return _round_to(float(np.median(own)), ROUND_TORQUE, 2)


def _unpowered(way: int, free: list[Leg]) -> float:
    """The torque of turning this way unpowered, as far as somebody did."""
    alike = [leg.torque_nm for leg in free if leg.way == way]
    return float(np.median(alike or [leg.torque_nm for leg in free]))


def _free_speeds(legs: list[Leg]) -> tuple[int, int]:
    """The speed of the slow passes and that of the strokes, 0 where there are none.

    Slow is the slowest that takes its share of the time; of the others the strokes are the many. A way back to travel
    zero has a speed of its own, but is rare.
    """
    time, count = Counter[int](), Counter[int]()
    for leg in legs:
        time[leg.speed] += leg.cells
        count[leg.speed] += 1
    common = [speed for speed, cells in time.items() if cells >= COMMON * time.total()]
    slow = min(common, default=0)
    strokes = [speed for speed in count if speed != slow and count[speed] > 1]
    return slow, max(strokes, key=lambda speed: count[speed], default=0)


def _strokes(legs: list[Leg], exercise: int) -> int:
    """Strokes in a cycle: the usual number between other passes; the longest row where no row is known to be whole."""
    rows = [
        (is_stroke, len(list(row))) for is_stroke, row in groupby(legs, key=lambda leg: leg.speed == exercise)
    ]
    inner = [count for is_stroke, count in rows[1:-1] if is_stroke]
    if inner:
        return Counter(inner).most_common(1)[0][0]
    return max(count for is_stroke, count in rows if is_stroke)


def _round_to(value: float, share: float, digits: int) -> float:
    """The value in so many digits when it is that near to them, else as it is."""
    rounded = float(f"{value:.{digits}g}")
    return rounded if abs(rounded - value) <= share * value else value
