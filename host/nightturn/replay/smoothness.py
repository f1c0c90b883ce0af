"""Figures from plain arrays: time, angle and torque of one or more cycles in, cycle records out.

The arrays are rounded to the grids of converter and encoder and then take the way of every sample, integer scan and
folds included. Rate, commanded speeds, hold and strokes are read from the arrays themselves where no plan is given.

A cycle is what a plan makes of it: slow passes both ways, a hold under torque, strokes at a third speed; what is absent
from all of the arrays is not asked for. The scan's grid of 50 ms begins at time 0. So arrays from `Run.samples()` give the
figures of the run's cycles within 1e-9 when their time is the sample number over the rate (column `index`); counted from
anywhere else, the edges of a pass move by less than a cell, and the figures by less than their uncertainty. Arrays do not
say where the device restarted, a guard was open or the converter railed.

Dates count from the first one. Time stamps that scatter about an even grid are numbered by it, an angle that falls back by a
turn is unwrapped, and the result's `notes` say so. Torques without a grid are rounded to a four millionth of the rated
torque. A known zero is taken off every torque first, as the zero of a calibration record is: the figure `zero_nm` is what
the passes show beside it, so that the same channel reads alike on a rig and here.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightturn.errors import InsufficientSamplesError
from nightturn.estimation.assembly import CycleSums
from nightturn.estimation.conditions import Conditions
from nightturn.estimation.cycles import Estimator
from nightturn.estimation.filter_remarks import unstated_filter
from nightturn.estimation.history import History
from nightturn.estimation.phases import ScanSettings
from nightturn.estimation.spectra import cogging_order
from nightturn.model.figures import CycleRecord
from nightturn.model.phases import cell_samples
from nightturn.model.quantities import number
from nightturn.model.tiles import Tile
from nightturn.replay.arrays import NS_PER_S, Arrays, checked
from nightturn.replay.commanded import Speeds, commanded, planned, scan_settings
from nightturn.replay.grids import Grid, Series, angle_counts, torque_grid
from nightturn.replay.loaded import LOADED_OF_RATED, unloaded
from nightturn.replay.lost import filled, taken_out
from nightturn.replay.options import Options, checked_options
from nightturn.replay.passes import passes_of
from nightturn.replay.plausible import check_angle, check_held, check_speeds, check_torque, unproven
from nightturn.replay.smooth_cycles import SmoothCycles
from nightturn.replay.stamps import Stamps, sample_rate
from nightturn.settings.rig import FILTER_U_REL, CyclePlan

TILE_SAMPLES = 20_000
ARRAYS_END = "the arrays end here"
NOTHING_FOUND = "no pass turns for a sixteenth of a revolution at a commanded speed; give whole passes of a cycle, or their speeds as plan"
NO_HOLD = (
    f"no hold was found: no pass lies {number(100 * LOADED_OF_RATED)} % of the rated torque and three times the friction "
    "away from the zero; give plan if a torque was held"
)


@dataclass(frozen=True, slots=True)
class Commands:
    """What was commanded, what the channel reads without torque, N·m of its grid, and what of it nothing proves."""

    speeds: Speeds
    zero_nm: float
    notes: tuple[str, ...] = ()


def smoothness(
    time_s: npt.ArrayLike,
    angle_rad: npt.ArrayLike,
    torque_nm: npt.ArrayLike,
    *,
    pole_pairs: int | None,
    slots: int | None,
    rated_torque_nm: float,
    counts_per_rev: int = 2**20,
    torque_lsb_nm: float | None = None,
    zero_nm: float | None = None,
    sense: int = 1,
    plan: CyclePlan | Mapping[str, object] | None = None,
    drive_pole_pairs: int | None = None,
    drive_slots: int | None = None,
    resonance_hz: float | None = None,
    filter_hz: float | None = None,
    mains_hz: float = 50.0,
) -> SmoothCycles:
    """The cycles in arrays of samples, each with its figures; prints as a table. The module says how.

    Args:
        time_s: (n,) seconds or dates, rising; gaps are seen by them.
        angle_rad: (n,) angle of the shaft, wrapped or not.
        torque_nm: (n,) torque of the unit in the declared sense: friction is against the turning. Masked samples are left out.
        pole_pairs: of the product; None when not known: orders are then found, not declared.
        slots: of the product, or None likewise.
        rated_torque_nm: of the product, for the figures in per cent and for what a torque can be.
        counts_per_rev: of the encoder whose grid the angles are rounded to.
        torque_lsb_nm: N·m of one converter count; None reads it from the torques, where they have a grid.
        zero_nm: known reading without torque, taken off first; the figure `zero_nm` is then the rest, not the whole zero.
        sense: +1, or -1 where the declared positive angle runs against `angle_rad`.
        plan: what was commanded, like `[fixture.plan]` of a rig file; None reads it from the arrays.
        drive_pole_pairs: of the turning drive, None when not known.
        drive_slots: of the turning drive, None when not known.
        resonance_hz: of the rig, torsional, None when not known.
        filter_hz: corner of the low-pass of one pole before the converter, None when not known; taken as known to 5 %.
        mains_hz: frequency of the mains.

    Raises:
        InsufficientSamplesError: too short, or nothing in it turns steadily.
        ValueError: arrays or options that cannot be, or numbers of another unit; says which and what instead.
    """
    options = checked_options(
        pole_pairs=pole_pairs, slots=slots, rated_torque_nm=rated_torque_nm, counts_per_rev=counts_per_rev,
        torque_lsb_nm=torque_lsb_nm, zero_nm=zero_nm, sense=sense, plan=plan, drive_pole_pairs=drive_pole_pairs,
        drive_slots=drive_slots, resonance_hz=resonance_hz, filter_hz=filter_hz, mains_hz=mains_hz,
    )  # fmt: skip
    return _found(checked(time_s, angle_rad, torque_nm), options)


def _found(arrays: Arrays, options: Options) -> SmoothCycles:
    """The cycles of arrays that were checked."""
    check_torque(arrays, options.rated_torque_nm, options.zero_nm)
    stamps = sample_rate(arrays.time_s)
    torque_nm = arrays.torque_nm - (options.zero_nm or 0.0)
    grid, raw = torque_grid(torque_nm, options.rated_torque_nm, options.torque_lsb_nm)
    series = Series(stamps.index, angle_counts(arrays.angle_rad, options.counts_per_rev), raw)
    commands = _commands(series, stamps.rate_hz, grid, options)
    conditions = _conditions(options, stamps, grid, commands.speeds)
    records = _records(arrays, series, grid, commands, conditions)
    notes = [*arrays.notes, *stamps.notes, *options.notes, *commands.notes, *_filter_note(conditions)]
    if not commands.speeds.hold_nm and options.plan is None:
        notes.append(NO_HOLD)
    return SmoothCycles(records, notes)


def _commands(series: Series, rate_hz: int, grid: Grid, options: Options) -> Commands:
    """The plan that was given or that the passes show, after numbers of other units were refused."""
    given = options.plan is not None
    check_angle(series, options.counts_per_rev, given=given)
    passes = passes_of(series, rate_hz, options.counts_per_rev, grid)
    rated_nm = options.rated_torque_nm
    free = unloaded(passes.legs, None if options.zero_nm is None else 0.0)
    if options.plan is None:
        speeds = commanded(passes, rated_nm, free)
    else:
        speeds = planned(options.plan)
        check_speeds(passes, speeds)
    check_held(passes, free, speeds, rated_nm, given=given)
    return Commands(speeds, free.zero_nm, unproven(free, speeds, rated_nm, given=given))


def _filter_note(conditions: Conditions) -> Iterator[str]:
    """Which low-pass nobody stated would take from the peak-to-peak without a trace in the samples."""
    order = cogging_order(conditions.pole_pairs, conditions.slots)
    order_hz = order * max(conditions.slow_speed_rpm, conditions.hold_speed_rpm) / 60.0
    if order and conditions.filter_hz is None:
        yield f"filter_hz is not given: {unstated_filter(order, order_hz)}"


def _conditions(options: Options, stamps: Stamps, grid: Grid, speeds: Speeds) -> Conditions:
    return Conditions(
        lsb_nm=grid.lsb_nm,
        zero_count=grid.zero_count,
        sense=options.sense,
        counts_per_rev=options.counts_per_rev,
        rate_hz=float(stamps.rate_hz),
        rated_torque_nm=options.rated_torque_nm,
        pole_pairs=options.pole_pairs,
        slots=options.slots,
        drive_pole_pairs=options.drive_pole_pairs,
        drive_slots=options.drive_slots,
        slow_speed_rpm=speeds.slow_rpm,
        hold_speed_rpm=speeds.hold_rpm,
        hold_torque_nm=speeds.hold_nm,
        resonance_hz=options.resonance_hz,
        filter_hz=options.filter_hz,
        filter_u_rel=FILTER_U_REL,
        filter_source=f"filter_hz, taken as known to {number(100 * FILTER_U_REL)} %",
        mains_hz=options.mains_hz,
    )


def _records(
    arrays: Arrays, series: Series, grid: Grid, commands: Commands, conditions: Conditions
) -> tuple[CycleRecord, ...]:
    """Scan, fold and finish."""
    rate_hz = round(conditions.rate_hz)
    series = _from_zero(series, cell_samples(rate_hz))
    scan = scan_settings(
        series.raw, rate_hz, conditions.counts_per_rev, grid, commands.speeds, commands.zero_nm
    )
    full = filled(series, cell_samples(rate_hz))
    sums = _sums(full.series, scan)
    if not full.own.all() and not taken_out(sums, full):
        sums = _sums(series, scan)
    if not sums:
        raise InsufficientSamplesError(NOTHING_FOUND)
    history = History()
    out = []
    for each in sums:
        a, b = np.searchsorted(series.index, [each.index_first, each.index_last])
        first, last = (
            arrays.origin_ns + round(float(arrays.time_s[min(at, len(series.index) - 1)]) * NS_PER_S)
            for at in (a, b)
        )
        out.append(history.finish(each, conditions, 0, 0, first, last))
    return tuple(out)


def _sums(series: Series, scan: ScanSettings) -> list[CycleSums]:
    """The cycles of a series as sums."""
    estimator = Estimator.start(scan, 1)
    sums = [item for tile in _tiles(series) for item in estimator.add(tile) if isinstance(item, CycleSums)]
    return sums + [item for item in estimator.interrupt(ARRAYS_END) if isinstance(item, CycleSums)]


def _from_zero(series: Series, cell: int) -> Series:
    """The series with no number below 0, the scan's grid where it was."""
    first = int(series.index[0])
    return series if first >= 0 else Series(series.index - first // cell * cell, series.encoder, series.raw)


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
