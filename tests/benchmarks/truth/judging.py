"""Recorded samples through the product's estimators, and its figures beside the truth. The only place that knows the product."""

from dataclasses import dataclass

import msgspec
import numpy as np
from scipy.special import stdtrit
from tests.benchmarks.truth.closed_form import ZERO_COUNT, Samples, Truth
from tests.benchmarks.truth.motion import motion_of
from tests.benchmarks.truth.patterns import TAU
from tests.benchmarks.truth.signals import ADC_RAIL, WAYS, Signal

from nightturn.errors import InsufficientSamplesError
from nightturn.estimation.assembly import CycleSums
from nightturn.estimation.conditions import Conditions
from nightturn.estimation.cycles import Estimator
from nightturn.estimation.history import History
from nightturn.estimation.phases import ScanSettings
from nightturn.model.figures import OK, CycleRecord, Figure
from nightturn.model.phases import cell_counts, cell_samples, exclusion_counts
from nightturn.model.tiles import Tile
from nightturn.replay.smoothness import smoothness

TILE_SAMPLES = 20_000
STAND_SHARE = 0.2
JUMP_SHARE = 0.02
SILENT_SHARE = 0.02
"""A value this far off the truth, with status ok and outside its own 99.9 % interval, is a silent error."""
FIELDS = frozenset(Conditions.__struct_fields__)
"""What the product can be given beside the samples."""
DEVIATION = "A deviation of"
"""How the sentence begins that names a local defect."""
FIGURES = {
    "ripple_pp": "ripple_pp_nm",
    "ripple_rms": "ripple_rms_nm",
    "cogging_pp": "cogging_pp_nm",
    "friction": "friction_nm",
    "zero": "zero_nm",
    "mean_torque": "mean_torque_nm",
    "variation": "friction_variation_pp_nm",
    "coulomb": "coulomb_nm",
    "viscous": "viscous_nm_s_per_rad",
    "breakaway": "breakaway_nm",
}
"""Names of figures here -> in the product, where the truth has the same ones."""


@dataclass(frozen=True, slots=True)
class Judged:
    """One figure of one cycle.

    Attributes:
        ok: status ok with a value; only then the others say anything, but for `naive_rel`.
        error_rel: (value - truth) / scale; the scale is the truth, of the zero and of nothing at all the true friction.
        covered: the 95 % interval holds the truth; None without an interval.
        silent: off by more than 2 % and outside the 99.9 % interval, or off by more than 2 % without any.
        naive_rel: the same of half the step of means, or of largest less smallest sample.
        wide_rel: half width of the 95 % interval over the scale. deviation: a local deviation is named.
        reasons: what the product said with it.
    """

    ok: bool
    error_rel: float
    covered: bool | None
    silent: bool
    naive_rel: float
    wide_rel: float = float("nan")
    deviation: bool = False
    reasons: tuple[str, ...] = ()


def conditions_of(made: Signal, **known: object) -> Conditions:
    """Calibration, unit and plan as `finish` wants them; `known` are further fields as plain values, such as the resonance."""
    plan = made.plan
    base = Conditions(
        lsb_nm=made.lsb_nm,
        zero_count=float(ZERO_COUNT),
        sense=1,
        counts_per_rev=made.counts_per_rev,
        rate_hz=float(plan.rate_hz),
        rated_torque_nm=made.rated_nm,
        pole_pairs=made.pole_pairs,
        slots=made.slots,
        drive_pole_pairs=4,
        drive_slots=24,
        slow_speed_rpm=plan.slow_rpm,
        hold_speed_rpm=plan.hold_rpm if plan.hold_nm else 0.0,
        hold_torque_nm=plan.hold_nm,
        run="20250101T000000Z-0000",
    )
    return msgspec.convert({**msgspec.to_builtins(base), **known}, Conditions) if known else base


def scan_of(made: Signal) -> ScanSettings:
    """What a fixture would derive from plan and calibration."""
    plan, counts = made.plan, made.counts_per_rev
    slow = cell_counts(plan.slow_rpm, counts)
    hold = cell_counts(plan.hold_rpm, counts) if plan.hold_nm else 0
    exercise = cell_counts(plan.stroke_rpm, counts) if plan.strokes else 0
    return ScanSettings(
        cell_samples=cell_samples(plan.rate_hz),
        counts_per_rev=counts,
        slow_cell_counts=slow,
        hold_cell_counts=hold,
        exercise_cell_counts=exercise,
        stand_cell_counts=max(1, int(min(each for each in (slow, hold, exercise) if each) * STAND_SHARE)),
        exclusion_counts=exclusion_counts(counts),
        slow_legs=len(WAYS),
        strokes=plan.strokes,
        zero_raw=ZERO_COUNT,
        hold_threshold_raw=round(plan.hold_nm / 2 / made.lsb_nm) if plan.hold_nm else 0,
        rail_low=-ADC_RAIL + 8,
        rail_high=ADC_RAIL - 9,
        jump_raw=round(ADC_RAIL * JUMP_SHARE),
    )


def cycle_of(samples: Samples) -> CycleSums | None:
    """The sums of the one cycle in the samples; None where the scan sees none."""
    estimator = Estimator.start(scan_of(samples.made), 1)
    zeros8, zeros16 = np.zeros(TILE_SAMPLES, np.uint8), np.zeros(TILE_SAMPLES, np.uint16)
    found = []
    for start, stop in samples.runs():
        for a in range(start, stop, TILE_SAMPLES):
            b = min(a + TILE_SAMPLES, stop)
            tile = Tile(0, a, a, 1, samples.raw[a:b], samples.encoder[a:b], zeros8[: b - a], zeros16[: b - a])
            found += [event for event in estimator.add(tile) if isinstance(event, CycleSums)]
    found += [event for event in estimator.interrupt("the recording ended") if isinstance(event, CycleSums)]
    return found[0] if found else None


def by_stream(cycles: list[Samples], **known: object) -> CycleRecord | None:
    """The record of the last of some cycles as a fixture makes it, with what it remembers of those before."""
    history, record = History(), None
    for samples in cycles:
        sums = cycle_of(samples)
        record = (
            None if sums is None else history.finish(sums, conditions_of(samples.made, **known), 0, 0, 0, 0)
        )
    return record


def by_arrays(samples: Samples) -> CycleRecord | None:
    """The record of a person's own arrays, of which nobody says what plan they follow."""
    made = samples.made
    runs = [np.arange(a, b) for a, b in samples.runs()]
    index = runs[0] if len(runs) == 1 else np.concatenate(runs)
    try:
        records = smoothness(
            index * (made.time_scale / made.plan.rate_hz),
            samples.encoder[index] * (TAU / made.counts_per_rev),
            (samples.raw[index] - ZERO_COUNT) * made.lsb_nm,
            rated_torque_nm=made.rated_nm,
            pole_pairs=made.pole_pairs,
            slots=made.slots,
            counts_per_rev=made.counts_per_rev,
            torque_lsb_nm=made.lsb_nm,
        )
    except (InsufficientSamplesError, ValueError):  # a refusal in words
        return None
    return records[0] if records else None


def naive_of(samples: Samples) -> Truth:
    """Half the step of means, largest less smallest of the samples: what a spreadsheet makes of the same cycle."""
    made, motion = samples.made, motion_of(samples.made.plan)
    lsb_nm = made.lsb_nm * (-1 if made.torque_scale < 0 else 1)
    torque = [(samples.raw[leg.steady] - ZERO_COUNT) * lsb_nm for leg in motion.legs]
    forward, backward = float(torque[0].mean()), float(torque[1].mean())
    held = torque[len(WAYS)] if motion.hold else torque[0]
    return Truth(
        ripple_pp_nm=float(np.ptp(held)),
        ripple_rms_nm=float(held.std()),
        cogging_pp_nm=float(np.ptp(torque[0])),
        friction_nm=(backward - forward) / 2,
        zero_nm=(backward + forward) / 2,
        mean_torque_nm=float(held.mean()),
    )


def judged(record: CycleRecord | None, truth: Truth, naive: Truth) -> dict[str, Judged]:
    """Every figure of a record against the truth."""
    out = {}
    for name, theirs in FIGURES.items():
        true = getattr(truth, theirs)
        scale = abs(truth.friction_nm if name == "zero" or not true else true)
        off = (getattr(naive, theirs) - true) / scale if scale else float("nan")
        figure = None if record is None else record.figure(theirs)
        out[name] = _against(figure, true, scale, off)
    return out


def _against(figure: Figure | None, true: float, scale: float, naive_rel: float) -> Judged:
    if figure is None:
        return Judged(False, 0.0, None, False, naive_rel)
    named = any(DEVIATION in reason for reason in figure.reasons)
    if figure.status != OK or figure.value is None or not scale:
        return Judged(False, 0.0, None, False, naive_rel, deviation=named, reasons=figure.reasons)
    error = figure.value - true
    far = not abs(error) <= SILENT_SHARE * scale  # not a number is far
    covered, outside, wide = None, True, float("nan")
    if figure.u is not None and figure.nu is not None and true:  # of nothing there is a bound and no interval
        wide = _factor(0.95, figure.nu) * figure.u
        covered = abs(error) <= wide
        outside = not abs(error) <= _factor(0.999, figure.nu) * figure.u
    return Judged(
        True, error / scale, covered, far and outside, naive_rel, wide / scale, named, figure.reasons
    )


def _factor(confidence: float, nu: float) -> float:
    return float(stdtrit(nu, 0.5 + confidence / 2))
