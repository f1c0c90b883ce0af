"""What was commanded, read back from the samples: steady speeds, the hold's torque, strokes in a cycle."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np

from nightturn.estimation.phases import ScanSettings
from nightturn.fixture.stream import JUMP_SHARE, STAND_SHARE
from nightturn.model.phases import SLOW_WAYS, cell_counts, cell_samples, exclusion_counts
from nightturn.model.quantities import round_to_digits
from nightturn.model.tiles import Int32s
from nightturn.replay.grids import ADC_COUNTS, Grid
from nightturn.replay.loaded import Unloaded, loaded
from nightturn.replay.passes import Leg, Passes
from nightturn.settings.rig import CyclePlan

COMMON = 0.1
"""A commanded speed takes at least this share of the time of all free passes."""
ROUND_SPEED = 2e-3
"""A speed this near to three digits was commanded as these,"""
ROUND_TORQUE = 0.02
"""and a torque to two."""
NO_RAIL = 1 << 30
RAIL_RUN = 3  # a converter that saturates gives the same largest count at least so often in a row,
RAIL_OUT = 2.0  # so many times as far from the middle as the rest


@dataclass(frozen=True, slots=True)
class Speeds:
    """Commanded speeds, torque held and strokes in a cycle; 0 where there was no such phase."""

    slow_rpm: float
    hold_rpm: float
    exercise_rpm: float
    hold_nm: float
    strokes: int


def commanded(passes: Passes, rated_torque_nm: float, free: Unloaded) -> Speeds:
    """Read the plan back from the passes."""
    held = loaded(passes.legs, rated_torque_nm, free)
    of_hold = set(held)
    others = [leg for leg in passes.legs if leg not in of_hold]
    slow, exercise = _free_speeds(others)
    hold = Counter(leg.speed for leg in held).most_common(1)[0][0] if held else 0
    rpm = {speed: _round_to(speed * passes.rpm_of_count, ROUND_SPEED, 3) for speed in passes.speeds} | {
        0: 0.0
    }
    strokes = _strokes(passes.legs, exercise) if exercise else 0
    return Speeds(rpm[slow], rpm[hold], rpm[exercise], _held(held, others), strokes)


def planned(plan: CyclePlan) -> Speeds:
    """The plan as a person gives it."""
    hold = plan.hold
    return Speeds(
        plan.slow_turn.speed_rpm,
        0.0 if hold is None else hold.speed_rpm,
        plan.exercise.speed_rpm if plan.exercise.strokes else 0.0,
        0.0 if hold is None else hold.torque_nm,
        plan.exercise.strokes,
    )


def scan_settings(
    raw: Int32s, rate_hz: int, counts_per_rev: int, grid: Grid, speeds: Speeds, zero_nm: float
) -> ScanSettings:
    """What the scan needs to find the passes of these speeds; `zero_nm` is what the channel reads without torque."""
    slow, hold, exercise = (
        cell_counts(rpm, counts_per_rev) if rpm else 0
        for rpm in (speeds.slow_rpm, speeds.hold_rpm, speeds.exercise_rpm)
    )
    return ScanSettings(
        cell_samples=cell_samples(rate_hz),
        counts_per_rev=counts_per_rev,
        slow_cell_counts=slow,
        hold_cell_counts=hold,
        exercise_cell_counts=exercise,
        stand_cell_counts=max(1, int(min(each for each in (slow, hold, exercise) if each) * STAND_SHARE)),
        exclusion_counts=exclusion_counts(counts_per_rev),
        slow_legs=len(SLOW_WAYS),
        strokes=speeds.strokes,
        zero_raw=round(grid.zero_count + zero_nm / grid.lsb_nm),
        hold_threshold_raw=max(1, round(speeds.hold_nm / 2 / grid.lsb_nm)) if speeds.hold_nm else 0,
        rail_low=-rail_of(-raw),
        rail_high=rail_of(raw),
        jump_raw=round(ADC_COUNTS / 2 * JUMP_SHARE),
    )


def rail_of(raw: Int32s) -> int:
    """The largest count where it is a saturated converter's, else a count that none reaches."""
    largest = int(raw.max())
    at = np.flatnonzero(raw == largest)
    if len(at) < RAIL_RUN or not (at[RAIL_RUN - 1 :] - at[: 1 - RAIL_RUN] == RAIL_RUN - 1).any():
        return NO_RAIL
    rest = raw[raw < largest]
    middle = float(np.median(raw))
    return largest if len(rest) and largest - middle > RAIL_OUT * (int(rest.max()) - middle) else NO_RAIL


def _held(loaded: list[Leg], free: list[Leg]) -> float:
    """The torque held in these passes, without what turning alone takes; 0 without any."""
    if not loaded:
        return 0.0
    own = [abs(leg.torque_nm - _unpowered(leg, free)) for leg in loaded]
    return _round_to(float(np.median(own)), ROUND_TORQUE, 2)


def _unpowered(loaded: Leg, free: list[Leg]) -> float:
    """The torque of turning unpowered in this sense at the nearest speed, as far as somebody did."""
    alike = [leg for leg in free if leg.way == loaded.way] or free
    nearest = min((abs(leg.speed - loaded.speed) for leg in alike), default=0)
    at_it = [leg.torque_nm for leg in alike if abs(leg.speed - loaded.speed) == nearest]
    return float(np.median(at_it or [0.0]))


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


def _strokes(legs: Sequence[Leg], exercise: int) -> int:
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
    rounded = round_to_digits(value, digits)
    return rounded if abs(rounded - value) <= share * value else value
