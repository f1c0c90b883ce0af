"""From the sums of a cycle to its record: calibration, estimators, statuses, verdict."""

import numpy as np

from nightturn.estimation.assembly import CycleSums
from nightturn.estimation.cogging import Cogging, cogging_of
from nightturn.estimation.conditions import Conditions
from nightturn.estimation.cycle_verdict import judge
from nightturn.estimation.figure_drafts import Basis, Measured, order_table
from nightturn.estimation.figures import FIGURES, MEAN_TORQUE, figures_of
from nightturn.estimation.fingerprint import fingerprint, one_blas_thread
from nightturn.estimation.folds import BINS, LegSums, N, StrokeSums, mean_and_variance
from nightturn.estimation.friction import Friction, friction_of
from nightturn.estimation.ripple import Ripple, ripple_of
from nightturn.estimation.spectra import declared_orders, drift_rate, without_drift
from nightturn.estimation.turns import Turns, bins_for, highest_order, samples_per_rev, speed_rpm, turns_of
from nightturn.model.figures import INCOMPLETE, OK, CycleRecord, Figure
from nightturn.model.phases import HOLD, SLOW_TURN
from nightturn.model.rows import StrokeRow

PHASE_WORDS = {SLOW_TURN: "slow turn", HOLD: HOLD, "between": "outside the passes"}


@one_blas_thread()
def finish_cycle(
    sums: CycleSums,
    conditions: Conditions,
    record_first: int,
    record_last: int,
    ts_start: int,
    ts_end: int,
    previous_friction_nm: tuple[float, ...] = (),
) -> CycleRecord:
    """Make the record of a cycle from its sums; a pure function, about 10 ms.

    Every BLAS works with one thread meanwhile, so that it always adds in the same order.
    `record_first`, `record_last`, `ts_start` and `ts_end` (ns, UTC) are carried into the record.
    `previous_friction_nm` are complete earlier cycles of this direction, oldest first: their scatter stands in where the
    cycle has none of its own.
    """
    measured = measure(sums, conditions)
    figures = figures_of(Basis(measured, conditions, previous_friction_nm))
    temperatures = {
        role: total / count / 1000.0 for role, (count, total) in sorted(sums.temperatures.items()) if count
    }
    verdict, verdict_reasons, limit_words = _judged(figures, measured, conditions, temperatures)
    return CycleRecord(
        run=conditions.run,
        epoch=sums.epoch,
        cycle_no=sums.cycle_no,
        status=OK if sums.complete else INCOMPLETE,
        direction=sums.direction * conditions.sense,
        record_first=record_first,
        record_last=record_last,
        index_first=sums.index_first,
        index_last=sums.index_last,
        ts_start=ts_start,
        ts_end=ts_end,
        speed_rpm=measured.slow_speed_rpm or measured.hold_speed_rpm,
        setpoint_nm=conditions.hold_torque_nm,
        coverage=coverage_of(sums.legs),
        calibration_id=conditions.calibration_id,
        config_digest=conditions.config_digest,
        sums_sha256=sums.sha256(),
        fingerprint=fingerprint(),
        figures=figures,
        temperatures_degc=temperatures,
        orders=order_table(measured.ripple),
        cogging_orders=order_table(measured.cogging),
        reasons=(*sums.reasons, *_lost(sums, conditions.rate_hz)),
        verdict=verdict,
        verdict_reasons=verdict_reasons,
        limit_words=limit_words,
    )


def _lost(sums: CycleSums, rate_hz: float) -> tuple[str, ...]:
    """How many samples were lost, in which seconds of the cycle and in which phase."""
    if not sums.missing:
        return ()
    spans = []
    for start, stop in sums.holes:
        phase = next(
            (leg.kind for leg in sums.legs if leg.index_first < stop and start <= leg.index_last), "between"
        )
        begin, end = ((index - sums.index_first) / rate_hz for index in (start, stop))
        spans.append(f"{begin:.2f} to {end:.2f} s ({PHASE_WORDS[phase]})")
    total = f"{sums.missing} samples were lost in this cycle"
    kept = sum(stop - start for start, stop in sums.holes)
    return total, "lost: " + ", ".join(spans) + ("" if kept == sums.missing else " and more")


def _judged(
    figures: tuple[Figure, ...], measured: Measured, conditions: Conditions, temperatures: dict[str, float]
) -> tuple[str, tuple[str, ...], tuple[str, ...]]:
    """The verdict on this cycle, each figure at the speed at which it was measured."""
    speed_of = {SLOW_TURN: measured.slow_speed_rpm, HOLD: measured.hold_speed_rpm}
    return judge(
        figures,
        conditions.accept,
        speeds_rpm={spec.name: speed for spec in FIGURES.values() if (speed := speed_of[spec.phase])},
        torque_nm=_held_torque(figures, measured, conditions),
        temperatures_degc=temperatures,
    )


def _held_torque(figures: tuple[Figure, ...], measured: Measured, conditions: Conditions) -> float | None:
    """The torque that the unit held: the mean of the hold without the friction that opposed the turning."""
    mean = next(figure.value for figure in figures if figure.name == MEAN_TORQUE)
    if mean is None or measured.friction is None or measured.hold is None:
        return mean
    return mean + measured.hold.direction * conditions.sense * measured.friction.step_nm


def measure(sums: CycleSums, conditions: Conditions) -> Measured:
    """Run the estimators on whatever legs the cycle has."""
    slow = [leg for leg in sums.legs if leg.kind == SLOW_TURN]
    hold = next((leg for leg in sums.legs if leg.kind == HOLD), None)
    cogging, friction = _slow_passes(slow, conditions, sums.index_first)
    ripple = _hold(hold, conditions, sums.index_first) if hold is not None else None
    return Measured(
        slow=tuple(slow),
        hold=hold,
        ripple=ripple,
        cogging=cogging,
        friction=friction,
        slow_speed_rpm=speed_rpm(slow[0], conditions.rate_hz) if slow else 0.0,
        hold_speed_rpm=speed_rpm(hold, conditions.rate_hz) if hold is not None else 0.0,
        short_passes=sums.short_passes,
    )


def stroke_row(sums: StrokeSums, conditions: Conditions, ts: int) -> StrokeRow:
    """Mean, largest and rms torque of a stroke; indicative, because the speed of a stroke is not held to a cycle's."""
    if sums.n >= 2:
        mean, variance = mean_and_variance(sums.n, sums.raw_sum, sums.raw_squares)
        variance *= (sums.n - 1) / sums.n
    else:
        mean, variance = (float(sums.raw_sum), 0.0) if sums.n else (conditions.zero_count, 0.0)
    lsb, zero = conditions.lsb_nm, conditions.zero_count
    ends = (sums.raw_min - zero, sums.raw_max - zero) if sums.n else (0.0, 0.0)
    milli = sums.temperature_milli_degc
    return StrokeRow(
        ts=ts,
        epoch=sums.epoch,
        cycle_no=sums.cycle_no,
        stroke_no=sums.stroke_no,
        direction=sums.direction * conditions.sense,
        index_first=sums.index_first,
        index_last=sums.index_last,
        mean_torque_nm=(mean - zero) * lsb,
        peak_torque_nm=max(ends, key=abs) * lsb,
        rms_torque_nm=float(np.sqrt(variance + (mean - zero) ** 2)) * abs(lsb),
        temperature_degc=None if milli is None else milli / 1000.0,
    )


def coverage_of(legs: tuple[LegSums, ...]) -> float:
    """Share of the bins travelled through that hold samples, over all legs."""
    filled = sum(int(np.count_nonzero(leg.sums[:, N])) for leg in legs)
    travelled = 0
    for leg in legs:
        per_bin = max(leg.counts_per_rev // BINS, 1)
        bins = abs(leg.encoder_last - leg.encoder_first) // per_bin
        travelled += bins if leg.counts_per_rev >= BINS else filled
    return min(filled / travelled, 1.0) if travelled else 0.0


def _layout(leg: LegSums, conditions: Conditions) -> tuple[int, int, frozenset[int]]:
    """Bins, highest order and declared orders for legs like this one."""
    bins = bins_for(conditions.counts_per_rev, samples_per_rev(leg))
    highest = highest_order(bins)
    return bins, highest, declared_orders(conditions, highest)


def _usable(leg: LegSums) -> bool:
    """Whether the leg turned far enough to be laid out at all."""
    return leg.n > 0 and len(leg.sums) > 0 and samples_per_rev(leg) > 0


def _slow_passes(
    slow: list[LegSums], conditions: Conditions, index_zero: int
) -> tuple[Cogging | None, Friction | None]:
    """Cogging and friction where there is a whole turn in both directions."""
    slow = [leg for leg in slow if _usable(leg)]
    if not slow:
        return None, None
    bins, highest, declared = _layout(slow[0], conditions)
    legs = [turns_of(leg, conditions, bins, index_zero) for leg in slow]
    whole = [leg for leg in legs if leg.whole.any()]
    if {leg.direction for leg in whole} != {1, -1}:
        return None, None
    rate, spread, centre = _slow_drift(whole)
    torque = [(leg, without_drift(leg, rate, centre)) for leg in whole]
    try:
        cogging = cogging_of(torque, highest, declared, spread)
    except np.linalg.LinAlgError:
        return None, None
    return cogging, friction_of(whole, cogging.forward, cogging.backward, centre)


def _slow_drift(legs: list[Turns]) -> tuple[float, float, float]:
    """Drift rate, what it rests on and the centre of the middle pass.

    From turns of one leg against each other where there are two, else from legs of one direction.
    """
    repeated = any(int(leg.whole.sum()) > 1 for leg in legs)
    groups = [[leg] for leg in legs]
    if not repeated:
        groups = [[leg for leg in legs if leg.direction == way] for way in (1, -1)]
    rate, spread = drift_rate(groups)
    # The zero moves by a millinewton metre or two within a cycle, so that it needs a moment: that of the middle pass, about
    # which the outer two lie alike.
    middle = legs[len(legs) // 2]
    if len(legs) == 2:
        centres = [_centre(leg) for leg in legs]
        return rate, spread, sum(centres) / 2
    return rate, spread, _centre(middle)


def _centre(leg: Turns) -> float:
    """Mean time of a leg's samples."""
    return float((leg.n * leg.time_s).sum() / leg.n.sum())


def _hold(hold: LegSums, conditions: Conditions, index_zero: int) -> Ripple | None:
    """Ripple where the hold has a whole turn."""
    if not _usable(hold):
        return None
    bins, highest, declared = _layout(hold, conditions)
    turns = turns_of(hold, conditions, bins, index_zero)
    if not turns.whole.any():
        return None
    try:
        return ripple_of(turns, highest, declared)
    except np.linalg.LinAlgError:
        return None
