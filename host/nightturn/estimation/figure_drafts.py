"""What makes each figure of the table: value, uncertainty, status, and the sentences that must be said with it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np

from nightturn.estimation.asynchronous import Line
from nightturn.estimation.breakaway import Break
from nightturn.estimation.budget import UNMEASURED, Warmth
from nightturn.estimation.cogging import Cogging
from nightturn.estimation.conditions import Conditions
from nightturn.estimation.draft import Draft
from nightturn.estimation.filter_remarks import note_filter
from nightturn.estimation.folds import LegSums
from nightturn.estimation.friction import Friction, scatter_between_cycles
from nightturn.estimation.friction_pattern import Variation
from nightturn.estimation.friction_speed import OverSpeed
from nightturn.estimation.gates import note_lag, note_loop, note_sense
from nightturn.estimation.noise_model import Estimate
from nightturn.estimation.origins import origin_of
from nightturn.estimation.quantiles import coverage_factor
from nightturn.estimation.remarks import (
    below_floor,
    note_asynchronous,
    note_faint,
    note_hum,
    note_local,
    note_rails,
    note_resonance,
    note_travel,
    peak_to_peak_of,
    relevant,
    rms_of,
)
from nightturn.estimation.ripple import Ripple
from nightturn.estimation.shifts import Shift
from nightturn.model.figures import INCOMPLETE, REFUSED, Curve
from nightturn.model.phases import GRID_S, HOLD, SLOW_TURN
from nightturn.model.quantities import number, quantity
from nightturn.model.verdicts import NOT_JUDGED

NO_SCATTER = "U needs at least two turns a pass"
NO_FRICTION_SCATTER = "U needs at least two turns a pass or five previous cycles"
ZERO_MOVED_SHARE = 0.02
"""With two passes only, a zero that moved by less than this share of friction is passed over."""
PASSES_NEEDED = 3
BEARINGS_SHARE = 1e-4
"""Bearings alone have more of the rated torque (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Measured:
    """What the estimators found in one cycle; None, or in words why not, where the legs did not allow it.

    `slow_unfit` and `hold_unfit` say why a fit of these passes has no solution; empty where it has one. `unheld`: see `CycleSums`.
    """

    slow: tuple[LegSums, ...]
    hold: LegSums | None
    ripple: Ripple | None
    cogging: Cogging | None
    variation: Variation | None
    friction: Friction | None
    over_speed: OverSpeed | str
    mean_torque: Estimate | None
    slow_speed_rpm: float
    hold_speed_rpm: float
    breaks: tuple[Break, ...] = ()
    short_passes: int = 0
    slow_unfit: str = ""
    hold_unfit: str = ""
    unheld: tuple[int, int] = (0, 0)
    curves: tuple[Curve, ...] = ()
    slow_shift: Shift | None = None
    hold_shift: Shift | None = None

    @property
    def legs(self) -> dict[str, Sequence[LegSums]]:
        """The passes by phase."""
        return {SLOW_TURN: self.slow, HOLD: () if self.hold is None else (self.hold,)}

    @property
    def shifts(self) -> dict[str, Shift | None]:
        """What moved the torque within a pass, by phase."""
        return {SLOW_TURN: self.slow_shift, HOLD: self.hold_shift}


@dataclass(frozen=True, slots=True)
class Basis:
    """What a figure is made of: the cycle's own estimates, conditions and temperature, friction of earlier cycles like it, N·m."""

    measured: Measured
    conditions: Conditions
    previous_friction_nm: Sequence[float] = ()
    warmth: Warmth = UNMEASURED


def order_table(found: Ripple | Cogging | None) -> tuple[tuple[int, float, float, float], ...]:
    """(order, amplitude peak N·m, phase rad, standard uncertainty N·m) of the significant orders."""
    if found is None:
        return ()
    orders = found.fit.orders if isinstance(found, Ripple) else found.orders
    rows = zip(
        orders.tolist(),
        np.abs(found.amplitudes).tolist(),
        np.angle(found.amplitudes).tolist(),
        np.sqrt(found.variance).tolist(),
        strict=True,
    )
    return tuple(rows)


def origins_of(found: Ripple | Cogging | None, conditions: Conditions, speed_rpm: float) -> tuple[str, ...]:
    """Where each order of `order_table` comes from, in words."""
    if found is None:
        return ()
    orders = found.fit.orders if isinstance(found, Ripple) else found.orders
    return tuple(origin_of(order, conditions, speed_rpm, found.turns).words for order in orders.tolist())


def ripple_pp(basis: Basis) -> Draft:
    """Ripple peak-to-peak."""
    measured, conditions = basis.measured, basis.conditions
    found = measured.ripple
    if found is None:
        return _no_hold(measured, conditions)
    draft = Draft(found.peak.value_nm, found.peak.u_nm, float(found.nu), found.turns)
    if len(found.fit.orders) == 0 and found.localised is None:
        below_floor(draft, found.floor_nm, found.hidden_pp_nm, found.nu)
    note_scatter(draft, scattered=found.scattered)
    note_local(draft, found.localised)
    note_faint(draft, found.peak.faint_nm)
    for doubt in found.doubts:
        draft.line(doubt.name, doubt.pp_u_nm, doubt.source, common=True)
    _note_hold(draft, measured, found, conditions)
    return draft


def ripple_rms(basis: Basis) -> Draft:
    """Ripple rms."""
    measured, conditions = basis.measured, basis.conditions
    found = measured.ripple
    if found is None:
        return _no_hold(measured, conditions)
    draft = Draft(found.rms_nm, found.rms_u_nm, float(found.nu), found.turns)
    if found.rms_below_floor:
        draft.note(f"Below the noise floor of {quantity(found.rms_u_nm, 'N·m', digits=2)} rms.")
    note_scatter(draft, scattered=found.scattered)
    for doubt in found.doubts:
        draft.line(doubt.name, doubt.rms_u_nm, doubt.source, common=True)

    def effect_of(line: Line) -> float:
        return rms_of(line, found.rms_nm, found.fit.orders, found.amplitudes)

    _note_hold(draft, measured, found, conditions, effect_of)
    return draft


def cogging_pp(basis: Basis) -> Draft:
    """Cogging peak-to-peak."""
    measured, conditions = basis.measured, basis.conditions
    found = measured.cogging
    if found is None:
        return no_passes(measured)
    draft = Draft(found.peak.value_nm, found.peak.u_nm, float(found.nu), found.turns)
    if len(found.orders) == 0 and found.localised is None:
        below_floor(draft, found.floor_nm, found.hidden_pp_nm, found.nu)
    note_scatter(draft, scattered=found.scattered)
    if found.lag.ambiguous:
        draft.note("Directions could not be aligned; cogging is at least the value given.", NOT_JUDGED)
    note_local(draft, found.localised)
    note_faint(draft, found.peak.faint_nm)
    for doubt in found.doubts:
        draft.line(doubt.name, doubt.pp_u_nm, doubt.source, common=True)
    note_rails(draft, measured.slow)
    note_asynchronous(draft, found.asynchronous)
    note_travel(draft, measured.slow, found.orders)
    strong = relevant(found.orders, found.amplitudes)
    note_resonance(draft, strong, measured.slow_speed_rpm, conditions)
    note_filter(draft, strong, measured.slow_speed_rpm, conditions)
    note_hum(draft, strong, measured.slow_speed_rpm, found.turns // len(measured.slow), conditions)
    note_lag(draft, found.lag.rad, found.orders, found.amplitudes, found.variance, conditions)
    return draft


def friction(basis: Basis) -> Draft:
    """Running friction."""
    found = basis.measured.friction
    if found is None:
        return no_friction(basis.measured)
    draft = Draft(found.friction_nm, found.step.u, found.step.nu, found.turns)
    if draft.u is None or not found.repeated:
        _borrow_scatter(draft, basis.previous_friction_nm)
    note_sense(draft, found.step_nm)
    if found.passes >= PASSES_NEEDED:  # a drift of zero cancels in two loops, and not in one
        note_loop(draft, found.step_nm, found.loop)
    _note_zero(draft, found)
    _note_small(draft, basis.conditions.rated_torque_nm)
    return draft


def zero(basis: Basis) -> Draft:
    """Zero of the torque channel at the centre of the middle pass."""
    found = basis.measured.friction
    if found is None:
        return no_passes(basis.measured)
    draft = Draft(found.zero.value, found.zero.u, found.zero.nu, found.turns)
    if draft.u is None:
        draft.note(NO_SCATTER)
    # Both ends of a pass lie somewhere in a cell of the scan's grid, each evenly: their middle scatters by a cell / √24.
    middle_s = GRID_S / sqrt(24.0)
    draft.line(
        "moment of the zero",
        abs(found.drift_nm_s) * middle_s,
        "drift, ends of a pass known to a cell",
        common=False,
    )
    if found.passes < PASSES_NEEDED:
        _note_zero_moved(draft, found)
    return draft


def note_scatter(draft: Draft, *, scattered: bool) -> None:
    """Turns that cannot be compared with each other give no u."""
    if not scattered:
        draft.u = None
        draft.note(NO_SCATTER)


def _note_hold(
    draft: Draft,
    measured: Measured,
    found: Ripple,
    conditions: Conditions,
    effect_of: Callable[[Line], float] = peak_to_peak_of,
) -> None:
    """What rails, travel, resonance and hum do to a figure of the hold; `effect_of` see `note_asynchronous`."""
    assert measured.hold is not None
    note_rails(draft, (measured.hold,))
    note_asynchronous(draft, found.asynchronous, effect_of)
    note_travel(draft, (measured.hold,), found.fit.orders)
    strong = relevant(found.fit.orders, found.amplitudes)
    note_resonance(draft, strong, measured.hold_speed_rpm, conditions)
    note_filter(draft, strong, measured.hold_speed_rpm, conditions)
    note_hum(draft, strong, measured.hold_speed_rpm, found.turns, conditions)


def _borrow_scatter(friction: Draft, previous_nm: Sequence[float]) -> None:
    """Take u from the cycles before where they scatter by more than a cycle of single turns can see of itself."""
    between = scatter_between_cycles(previous_nm)
    if between is None:
        if friction.u is None:
            friction.note(NO_FRICTION_SCATTER)
        return
    own = (
        coverage_factor(friction.nu) * friction.u
        if friction.u is not None and friction.nu is not None
        else 0.0
    )
    if coverage_factor(between[1]) * between[0] > own:
        friction.u, friction.nu = between
        friction.note(f"U from the scatter of {len(previous_nm)} previous cycles.")


def _note_small(draft: Draft, rated_torque_nm: float) -> None:
    """Say when friction cannot be distinguished from none at all, or is less than bearings have.

    A seal that was left out, a bearing without grease or preload, a shaft that nobody coupled, torque in another unit.
    """
    if draft.value is None or draft.u is None or draft.nu is None:
        return
    if draft.value < BEARINGS_SHARE * rated_torque_nm:
        share = number(100 * draft.value / rated_torque_nm, 2)
        draft.note(
            f"Friction is {share} % of the rated torque, less than bearings have: check coupling, unit and factor of the torque channel."
        )
    wide = coverage_factor(draft.nu) * draft.u
    if draft.value < wide:
        draft.note(
            f"Friction cannot be distinguished from 0: less than {quantity(draft.value + wide, 'N·m', digits=2)}."
        )


def _note_zero(draft: Draft, found: Friction) -> None:
    """What a zero that moved does to friction."""
    if found.passes < PASSES_NEEDED:
        _note_zero_moved(draft, found)
        return
    apart = abs(found.zero_step_nm) / 4
    if apart > 0:
        draft.note(
            f"The zero moved by {quantity(4 * apart, 'N·m', digits=2)} between two passes, and whether before or after the middle "
            f"one cannot be seen: friction uncertain by {quantity(apart, 'N·m', digits=2)}.",
        )


def _note_zero_moved(draft: Draft, found: Friction) -> None:
    """Two passes only: say by how much the zero moved between them, where that can be known, and reckon with it."""
    moved = abs(found.zero_moved_nm)
    if moved <= ZERO_MOVED_SHARE * found.friction_nm:
        draft.note("Two passes cannot separate a moving zero from friction; add a third.", INCOMPLETE)
        return
    draft.note(
        f"Zero moved by {quantity(moved, 'N·m', digits=2)} between directions; friction uncertain by "
        f"{quantity(moved / 2, 'N·m', digits=2)}. Add a third pass.",
        INCOMPLETE,
    )
    if draft.u is not None:
        draft.u = float(np.hypot(draft.u, moved / 2))


def mean_torque(basis: Basis) -> Draft:
    """Mean torque of the hold, less the zero error that the slow passes found."""
    found = basis.measured.ripple
    if found is None:
        return _no_hold(basis.measured, basis.conditions)
    level = basis.measured.mean_torque
    if level is None:
        return _no_hold(basis.measured, basis.conditions)
    draft = Draft(level.value, level.u, level.nu, found.turns)
    if basis.measured.friction is None:
        draft.note("The zero of the calibration was used; no slow passes to check it.")
    if draft.u is None:
        draft.note(NO_SCATTER)
    return draft


def _no_hold(measured: Measured, conditions: Conditions) -> Draft:
    """Why there is no ripple."""
    draft = Draft()
    if measured.hold_unfit and measured.hold is not None:
        note_rails(draft, (measured.hold,))
        draft.note(measured.hold_unfit, INCOMPLETE)
    elif measured.hold is not None:
        draft.note(_turned((measured.hold,)), INCOMPLETE)
    elif conditions.hold_torque_nm:
        draft.note("The hold was not seen.", INCOMPLETE)
    else:
        draft.note("The plan has no hold.", REFUSED)
    return draft


def no_passes(measured: Measured) -> Draft:
    """Why there is neither cogging nor friction."""
    draft = Draft()
    if measured.slow_unfit:
        draft.note(measured.slow_unfit, INCOMPLETE)
    elif len({leg.direction for leg in measured.slow}) < 2:
        draft.note(
            "No slow passes in both directions; friction cannot be separated from the zero.", INCOMPLETE
        )
    else:
        draft.note(_turned(measured.slow), INCOMPLETE)
    return draft


def no_friction(measured: Measured) -> Draft:
    """Why there is no friction."""
    draft = Draft()
    if measured.slow_unfit:
        draft.note(measured.slow_unfit, INCOMPLETE)
        return draft
    if measured.short_passes:
        draft.note(
            f"Sector too short after the reversal: {measured.short_passes} passes turned less than a sixteenth of a "
            "revolution.",
            INCOMPLETE,
        )
    for reason in no_passes(measured).reasons:
        draft.note(reason, INCOMPLETE)
    if not measured.short_passes and len({leg.direction for leg in measured.slow}) == 2:
        draft.note("Sector too short after the reversal; friction needs a whole turn each way.", INCOMPLETE)
    return draft


def _turned(legs: Sequence[LegSums]) -> str:
    """How far the shortest leg turned, as a sentence."""
    turn = min(abs(leg.encoder_last - leg.encoder_first) / leg.counts_per_rev for leg in legs)
    if turn >= 1:
        return f"Turned {number(turn, 2)} revolutions, but too many samples are missing for a whole one."
    least = int(np.ceil(0.9 / turn)) if turn > 0 else 0
    return f"Turned {number(turn, 2)} of a revolution; orders below {least} cannot be separated from drift."
