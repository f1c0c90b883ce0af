"""From the sums of a cycle to its record: calibration, estimators, statuses, verdict."""

from dataclasses import dataclass, replace

import numpy as np

from nightturn.estimation.assembly import CycleSums
from nightturn.estimation.asynchronous import lines_apart
from nightturn.estimation.band import band_of
from nightturn.estimation.bends import NO_BEND, bend_of
from nightturn.estimation.breakaway import Break, breaks_of
from nightturn.estimation.budget import warmth_of
from nightturn.estimation.cogging import Cogging, cogging_of
from nightturn.estimation.conditions import Conditions
from nightturn.estimation.curves import Laid, curves_of
from nightturn.estimation.cycle_verdict import Seen, judge
from nightturn.estimation.families import family_orders
from nightturn.estimation.figure_drafts import Basis, Measured, order_table, origins_of
from nightturn.estimation.figures import FIGURES, MEAN_TORQUE, figures_of
from nightturn.estimation.fingerprint import fingerprint, one_blas_thread
from nightturn.estimation.folds import BINS, LegSums, N, StrokeSums, mean_and_variance
from nightturn.estimation.friction import Friction, Slow, friction_of, levelled, slow_passes
from nightturn.estimation.friction_pattern import Variation, variation_of
from nightturn.estimation.friction_speed import NO_STROKES, OverSpeed, over_speed
from nightturn.estimation.gates import NO_LEVELS, inseparable
from nightturn.estimation.hum import hum_orders
from nightturn.estimation.least_squares import InseparableError
from nightturn.estimation.noise_model import Estimate
from nightturn.estimation.rig_net import rig_orders
from nightturn.estimation.ripple import Ripple, ripple_of, straight
from nightturn.estimation.shifts import shift_of
from nightturn.estimation.spectra import declared_orders, drift_and_cable, without_drift
from nightturn.estimation.symptoms import symptoms_of
from nightturn.estimation.transfer import Transfer, transfer_of
from nightturn.estimation.turns import Turns, samples_per_rev, speed_rpm, turns_of
from nightturn.model.figures import INCOMPLETE, OK, CycleRecord, Figure
from nightturn.model.phases import HOLD, SLOW_TURN
from nightturn.model.quantities import fixed
from nightturn.model.rows import StrokeRow
from nightturn.model.tiles import Float64s

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
    """Make the record of a cycle from its sums; pure, some 20 ms, twice that with a defect, on one BLAS thread so that sums have one order.

    `record_first`, `record_last`, `ts_start`, `ts_end` (ns, UTC) are carried over; `previous_friction_nm`: complete earlier cycles of this direction.
    """
    measured = measure(sums, conditions)
    temperatures = _temperatures(sums)
    warmth = warmth_of(temperatures, sums.temperature_ends)
    figures = figures_of(Basis(measured, conditions, previous_friction_nm, warmth))
    judged = _judged(figures, measured, conditions, temperatures)
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
        verdict=judged[0],
        verdict_reasons=judged[1],
        limit_words=judged[2],
        origins=origins_of(measured.ripple, conditions, measured.hold_speed_rpm),
        cogging_origins=origins_of(measured.cogging, conditions, measured.slow_speed_rpm),
        symptoms=symptoms_of(measured),
        curves=measured.curves,
    )


def _temperatures(sums: CycleSums) -> dict[str, float]:
    """Means by role, °C."""
    return {
        role: total / count / 1000.0 for role, (count, total) in sorted(sums.temperatures.items()) if count
    }


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
        spans.append(f"{fixed(begin, 2)} to {fixed(end, 2)} s ({PHASE_WORDS[phase]})")
    total = f"{sums.missing} samples were lost in this cycle"
    kept = sum(stop - start for start, stop in sums.holes)
    return total, "lost: " + ", ".join(spans) + ("" if kept == sums.missing else " and more")


def _judged(
    figures: tuple[Figure, ...], measured: Measured, conditions: Conditions, temperatures: dict[str, float]
) -> tuple[str, tuple[str, ...], tuple[str, ...]]:
    """The verdict on this cycle, each figure at the speed at which it was measured."""
    speed_of = {SLOW_TURN: measured.slow_speed_rpm, HOLD: measured.hold_speed_rpm}
    first_of = {SLOW_TURN: measured.slow[0] if measured.slow else None, HOLD: measured.hold}
    seen = Seen(
        speeds_rpm={spec.name: speed for spec in FIGURES.values() if (speed := speed_of[spec.phase])},
        turning={
            spec.name: leg.direction * conditions.sense
            for spec in FIGURES.values()
            if (leg := first_of[spec.phase])
        },
        torque_nm=_held_torque(figures, measured, conditions),
        temperatures_degc=temperatures,
    )
    return judge(figures, conditions.accept, seen)


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
    turned = _slow_passes(slow, conditions, sums.index_first)
    over: OverSpeed | str = NO_STROKES
    if turned.torque:
        slow_rad_s = speed_rpm(slow[0], conditions.rate_hz) * 2 * np.pi / 60
        over = over_speed(
            sums.stroke_sums, turned.torque, turned.centre_s, slow_rad_s, conditions, sums.index_first
        )
    breaks: tuple[Break, ...] = ()
    if turned.cogging is not None and turned.friction is not None:
        breaks = breaks_of(sums.starts, turned.cogging, turned.friction.zero.value, conditions)
    held, friction = _Held(), turned.friction
    if hold is not None:
        held = _hold(hold, conditions, sums.index_first, turned.passes, turned.cogging)
    if friction is not None and held.friction is not None:
        friction = replace(friction, step=held.friction)
    return Measured(
        slow=tuple(slow),
        hold=hold,
        ripple=held.ripple,
        cogging=turned.cogging,
        variation=turned.variation,
        friction=friction,
        over_speed=over,
        breaks=breaks,
        mean_torque=held.mean_torque,
        slow_speed_rpm=speed_rpm(slow[0], conditions.rate_hz) if slow else 0.0,
        hold_speed_rpm=speed_rpm(hold, conditions.rate_hz) if hold is not None else 0.0,
        short_passes=sums.short_passes,
        slow_unfit=turned.unfit,
        hold_unfit=held.unfit,
        unheld=sums.unheld,
        curves=curves_of(turned.laid, held.laid),
        slow_shift=shift_of(turned.laid, abs(conditions.lsb_nm)),
        hold_shift=None if held.laid is None else shift_of((held.laid,), abs(conditions.lsb_nm)),
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
        phase=sums.phase,
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


def _layout(leg: LegSums, conditions: Conditions) -> tuple[int, int, frozenset[int], frozenset[int]]:
    """Bins, highest order, declared orders and family for legs like this one."""
    band = band_of(conditions, samples_per_rev(leg))
    highest = band.highest
    declared = declared_orders(conditions, highest) | _rig_declared(conditions, highest)
    return band.bins, highest, declared, family_orders(conditions, highest)


def _rig_declared(conditions: Conditions, highest: int) -> frozenset[int]:
    """The orders that a record says the rig makes."""
    record = conditions.rig
    return frozenset() if record is None else frozenset(o.order for o in record.orders if o.order <= highest)


def _laid_out(
    leg: LegSums, conditions: Conditions, index_zero: int, bins: int, highest: int, known: frozenset[int]
) -> Turns:
    """Torque over angle, and which orders of it are the mains'."""
    foreign = hum_orders(speed_rpm(leg, conditions.rate_hz), conditions.mains_hz, known, highest)
    return replace(turns_of(leg, conditions, bins, index_zero), foreign=foreign)


def _transfer(leg: LegSums, conditions: Conditions, highest: int) -> Transfer:
    """What resonance, filter and rig make of each order at the speed of the slow passes."""
    speed = speed_rpm(leg, conditions.rate_hz)
    return transfer_of(conditions, speed, highest, rig=rig_orders(conditions, speed, highest))


def _held_transfer(leg: LegSums, conditions: Conditions, highest: int, cogging: Cogging | None) -> Transfer:
    """The same of the hold, whose orders are as late as the slow passes say; without these it stays gross of the rig."""
    speed, way = speed_rpm(leg, conditions.rate_hz), leg.direction * conditions.sense
    rig = None
    if cogging is not None and not cogging.lag.ambiguous:
        # A lag of time grows with the speed and one of angle does not; nobody knows which it is.
        faster = abs(speed / conditions.slow_speed_rpm - 1.0) * abs(cogging.lag.rad) / np.sqrt(3.0)
        known_to = float(np.hypot(cogging.lag.known_to_rad, faster))
        rig = rig_orders(conditions, speed, highest, way * cogging.lag.rad, known_to)
    return transfer_of(conditions, speed, highest, way, rig)


def _usable(leg: LegSums) -> bool:
    """Whether the leg turned far enough to be laid out at all."""
    return leg.n > 0 and len(leg.sums) > 0 and samples_per_rev(leg) > 0


@dataclass(frozen=True, slots=True)
class _Turned:
    """What the slow passes gave; `torque` are passes with a whole turn and their torque without drift, `unfit` why there is no fit."""

    cogging: Cogging | None = None
    variation: Variation | None = None
    friction: Friction | None = None
    passes: Slow | None = None
    torque: tuple[tuple[Turns, Float64s], ...] = ()
    centre_s: float = 0.0
    laid: tuple[Laid, ...] = ()
    unfit: str = ""


def _slow_passes(slow: list[LegSums], conditions: Conditions, index_zero: int) -> _Turned:
    """Cogging and friction where there is a whole turn in both directions; else, where a fit has no solution, why."""
    slow = [leg for leg in slow if _usable(leg)]
    if not slow:
        return _Turned()
    bins, highest, declared, family = _layout(slow[0], conditions)
    legs = [_laid_out(leg, conditions, index_zero, bins, highest, declared | family) for leg in slow]
    whole = [leg for leg in legs if leg.whole.any()]
    if {leg.direction for leg in whole} != {1, -1}:
        return _Turned()
    bend = bend_of(whole, cable=True)
    straight_legs = [bend.without(leg) for leg in whole]
    torque, spread, centre = _without_drift(straight_legs)
    # A torque that shifts within a pass is a bend in part: it is looked for where nothing was taken off for one.
    laid = tuple(Laid(*each) for each in (torque if bend == NO_BEND else _without_drift(whole)[0]))
    apart = lines_apart(torque, highest, declared | family)
    if not apart.untouched:
        whole = [bend.restored(leg) for leg in apart.turns]
        torque, spread, centre = _without_drift(list(apart.turns))
    transfer = _transfer(slow[0], conditions, highest)
    try:
        cogging = cogging_of(torque, highest, declared, family, spread, transfer, apart)
        # The rig's own orders are known of both directions together: of their difference a record says nothing.
        variation = variation_of(cogging, torque, declared | family, spread, replace(transfer, rig=None))
    except InseparableError as error:
        return _Turned(laid=laid, unfit=inseparable(error, slow, conditions.sense))
    try:
        passes = slow_passes(whole, cogging.forward, cogging.backward, centre, rounding_variance(conditions))
        friction = friction_of(passes) if passes is not None else None
    except np.linalg.LinAlgError:
        return _Turned(cogging, variation, laid=laid, unfit=NO_LEVELS)
    return _Turned(cogging, variation, friction, passes, tuple(torque), centre, laid)


def rounding_variance(conditions: Conditions) -> float:
    """Variance of a sample from the rounding to whole ADC counts, N²·m²."""
    return conditions.lsb_nm**2 / 12


def _without_drift(legs: list[Turns]) -> tuple[list[tuple[Turns, Float64s]], float, float]:
    """Passes and their torque without drift and cable, what the rate rests on and the centre of the middle pass."""
    rate, cable, spread, centre = _slow_drift(legs)
    middle = float(legs[len(legs) // 2].turned().mean())
    return [(leg, without_drift(leg, rate, centre, cable, middle)) for leg in legs], spread, centre


def _slow_drift(legs: list[Turns]) -> tuple[float, float, float, float]:
    """Drift rate, torque of a cable by turn, what the rate rests on and the centre of the middle pass.

    From turns of one leg against each other where there are two, else from legs of one direction.
    """
    repeated = any(int(leg.whole.sum()) > 1 for leg in legs)
    groups = [[leg] for leg in legs]
    if not repeated:
        groups = [[leg for leg in legs if leg.direction == way] for way in (1, -1)]
    rate, cable, spread = drift_and_cable(groups)
    # The zero moves by a millinewton metre or two within a cycle, so that it needs a moment: that of the middle pass, about
    # which the outer two lie alike.
    middle = legs[len(legs) // 2]
    if len(legs) == 2:
        centres = [_centre(leg) for leg in legs]
        return rate, cable, spread, sum(centres) / 2
    return rate, cable, spread, _centre(middle)


def _centre(leg: Turns) -> float:
    """Mean time of a leg's samples."""
    return float((leg.n * leg.time_s).sum() / leg.n.sum())


@dataclass(frozen=True, slots=True)
class _Held:
    """What the hold gave, `friction` beside it; `unfit` is why there is no fit."""

    ripple: Ripple | None = None
    mean_torque: Estimate | None = None
    friction: Estimate | None = None
    laid: Laid | None = None
    unfit: str = ""


def _hold(
    hold: LegSums, conditions: Conditions, index_zero: int, passes: Slow | None, cogging: Cogging | None
) -> _Held:
    """Ripple and mean torque where the hold has a whole turn; else, where its fit has no solution, why."""
    if not _usable(hold):
        return _Held()
    bins, highest, declared, family = _layout(hold, conditions)
    turns = _laid_out(hold, conditions, index_zero, bins, highest, declared | family)
    if not turns.whole.any():
        return _Held()
    bend = bend_of([turns], cable=False)
    laid = Laid(turns, straight(turns)[0])
    turns = bend.without(turns)
    torque = laid.torque_nm if bend == NO_BEND else straight(turns)[0]
    apart = lines_apart([(turns, torque)], highest, declared | family)
    (turns,) = apart.turns
    try:
        transfer = _held_transfer(hold, conditions, highest, cogging)
        ripple = ripple_of(turns, highest, declared, family, transfer, apart)
    except InseparableError as error:
        return _Held(laid=laid, unfit=inseparable(error, [hold], conditions.sense))
    try:
        found = levelled(bend.restored(turns), ripple.fit, passes, rounding_variance(conditions))
    except np.linalg.LinAlgError:
        return _Held(ripple, laid=laid, unfit=NO_LEVELS)
    if found is None:
        return _Held(ripple, laid=laid)
    return _Held(ripple, found.mean_torque, found.friction, laid)
