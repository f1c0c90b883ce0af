"""Figures from plain arrays: time, angle and torque of one or more cycles in, cycle records out.

The arrays are rounded to the grids of converter and encoder and then take the way of every sample, integer scan and
folds included. Rate, commanded speeds, hold and strokes are read from the arrays themselves.
"""

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from nightturn.errors import InsufficientSamplesError
from nightturn.estimation.assembly import CycleSums
from nightturn.estimation.conditions import Conditions
from nightturn.estimation.cycles import Estimator
from nightturn.estimation.history import History
from nightturn.model.figures import CycleRecord
from nightturn.model.tiles import Float64s, Int64s, Tile
from nightturn.replay.commanded import Motion, commanded
from nightturn.replay.grids import Grid, Series, angle_counts, sample_rate, torque_grid
from nightturn.settings.rig import TurningDrive

TILE_SAMPLES = 20_000
ARRAYS_END = "the arrays end here"
DRIVE = TurningDrive()


def smoothness(
    time_s: npt.ArrayLike,
    angle_rad: npt.ArrayLike,
    torque_nm: npt.ArrayLike,
    rated_torque_nm: float = 15.0,
    pole_pairs: int = 16,
    slots: int = 36,
    counts_per_rev: int = 2**20,
    torque_lsb_nm: float | None = None,
) -> list[CycleRecord]:
    """The cycles in arrays of samples, each with its figures.

    A cycle is what a plan makes of it: slow passes both ways, a hold under torque, strokes at a third speed; what is
    absent from all of the arrays is not asked for. The scan's grid of 50 ms begins at time 0. So arrays from
    `Run.samples()` give the figures of the run's cycles within 1e-9 when their time is the sample number over the rate
    (column `index`); counted from anywhere else, the edges of a pass move by less than a cell, and the figures by less
    than their uncertainty. Arrays do not say where the device restarted, a guard was open or the converter railed, nor
    which way the encoder counts. The turning drive is taken to have 4 pole pairs and 24 slots, as in a rig file that
    does not say.

    Args:
        time_s: (n,) seconds, rising in steps of one sample; gaps are seen and left out.
        angle_rad: (n,) unwrapped angle of the shaft.
        torque_nm: (n,) torque in the same sense.
        rated_torque_nm: of the product, for the figures in per cent.
        pole_pairs: of the product.
        slots: of the product.
        counts_per_rev: of the encoder whose grid the angles are rounded to.
        torque_lsb_nm: N·m of one converter count; None reads it from the torques, which have a grid when they come
            from a converter, and else takes a four millionth of the rated torque.

    Raises:
        InsufficientSamplesError: too short, or nothing in it turns steadily.
        ValueError: lengths differ, a value is not finite, time does not rise, a product's number is not positive.
    """
    _check_product(rated_torque_nm, pole_pairs, slots, counts_per_rev)
    time, angle, torque = _checked(time_s, angle_rad, torque_nm)
    rate_hz, index = sample_rate(time)
    grid, raw = torque_grid(torque, rated_torque_nm, torque_lsb_nm)
    series = Series(index, angle_counts(angle, counts_per_rev), raw)
    motion = commanded(series, rate_hz, counts_per_rev, grid)
    conditions = _conditions(motion, grid, rate_hz, rated_torque_nm, pole_pairs, slots)
    estimator = Estimator.start(motion.scan, 1)
    sums = [item for tile in _tiles(series) for item in estimator.add(tile) if isinstance(item, CycleSums)]
    sums += [item for item in estimator.interrupt(ARRAYS_END) if isinstance(item, CycleSums)]
    history = History()
    return [history.finish(each, conditions, 0, 0, *_span_ns(each, time, index)) for each in sums]


def _conditions(
    motion: Motion, grid: Grid, rate_hz: int, rated_torque_nm: float, pole_pairs: int, slots: int
) -> Conditions:
    """What the figures need beside the sums."""
    return Conditions(
        lsb_nm=grid.lsb_nm,
        zero_count=grid.zero_count,
        counts_per_rev=motion.scan.counts_per_rev,
        rate_hz=float(rate_hz),
        rated_torque_nm=rated_torque_nm,
        pole_pairs=pole_pairs,
        slots=slots,
        drive_pole_pairs=DRIVE.pole_pairs,
        drive_slots=DRIVE.slots,
        slow_speed_rpm=motion.slow_rpm,
        hold_speed_rpm=motion.hold_rpm,
        hold_torque_nm=motion.hold_nm,
    )


def _check_product(rated_torque_nm: float, pole_pairs: int, slots: int, counts_per_rev: int) -> None:
    given = {
        "rated_torque_nm": rated_torque_nm,
        "pole_pairs": pole_pairs,
        "slots": slots,
        "counts_per_rev": counts_per_rev,
    }
    for name, value in given.items():
        if not (np.isfinite(value) and value > 0):
            raise ValueError(f"{name} is {value}; it must be positive")


def _checked(
    time_s: npt.ArrayLike, angle_rad: npt.ArrayLike, torque_nm: npt.ArrayLike
) -> tuple[Float64s, Float64s, Float64s]:
    """The arrays as float64, or why they cannot be used."""
    given = {"time_s": time_s, "angle_rad": angle_rad, "torque_nm": torque_nm}
    arrays = {name: np.asarray(values, np.float64) for name, values in given.items()}
    for name, array in arrays.items():
        if array.ndim != 1:
            raise ValueError(f"{name} has {array.ndim} dimensions; it must have one")
    lengths = {name: len(array) for name, array in arrays.items()}
    if len(set(lengths.values())) > 1:
        told = ", ".join(f"{name} {length}" for name, length in lengths.items())
        raise ValueError(f"the arrays differ in length: {told}")
    for name, array in arrays.items():
        bad = np.flatnonzero(~np.isfinite(array))
        if len(bad):
            raise ValueError(
                f"{name}[{bad[0]}] is {array[bad[0]]}; leave such samples out, gaps are seen by their time"
            )
    time, angle, torque = arrays.values()
    if len(time) < 2:
        raise InsufficientSamplesError(f"{len(time)} samples; a cycle takes minutes")
    return time, angle, torque


def _tiles(series: Series) -> Iterator[Tile]:
    """The series as tiles, none across a gap."""
    index = series.index
    edges = np.flatnonzero((np.diff(index) != 1) | (np.diff(index // TILE_SAMPLES) != 0)) + 1
    for a, b in zip([0, *edges.tolist()], [*edges.tolist(), len(index)], strict=True):
        first = int(index[a])
        yield Tile(
            epoch=0,
            index=first,
            tick=first,
            ticks_per_sample=1,
            raw=series.raw[a:b],
            encoder=series.encoder[a:b],
            flags=np.zeros(b - a, np.uint8),
            inputs=np.zeros(b - a, np.uint16),
        )


def _span_ns(sums: CycleSums, time: Float64s, index: Int64s) -> tuple[int, int]:
    """First and last time of a cycle, ns of the arrays' own clock."""
    first, last = np.searchsorted(index, [sums.index_first, sums.index_last])
    return round(float(time[first]) * 1e9), round(float(time[last]) * 1e9)
