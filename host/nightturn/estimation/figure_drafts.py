"""What makes each figure of the table: value, uncertainty, status, and the sentences that must be said with it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightturn.estimation.cogging import Cogging
from nightturn.estimation.conditions import Conditions
from nightturn.estimation.draft import Draft
from nightturn.estimation.folds import LegSums
from nightturn.estimation.friction import Friction, scatter_between_cycles
from nightturn.estimation.remarks import (
    below_floor,
    note_hidden,
    note_hum,
    note_rails,
    note_resonance,
    note_travel,
)
from nightturn.estimation.ripple import Ripple
from nightturn.model.figures import INCOMPLETE, REFUSED
from nightturn.model.verdicts import NOT_JUDGED

NO_SCATTER = "U needs at least two turns a pass"
NO_FRICTION_SCATTER = "U needs at least two turns a pass or five previous cycles"
ZERO_MOVED_SHARE = 0.02
"""With two passes only, a zero that moved by less than this share of friction is passed over."""


@dataclass(frozen=True, slots=True)
class Measured:
    """What the estimators found in one cycle; None where the legs did not allow it."""

    slow: tuple[LegSums, ...]
    hold: LegSums | None
    ripple: Ripple | None
    cogging: Cogging | None
    friction: Friction | None
    slow_speed_rpm: float
    hold_speed_rpm: float
    short_passes: int = 0


@dataclass(frozen=True, slots=True)
class Basis:
    """What a figure is made of: the cycle's own estimates, its conditions, and friction of earlier cycles like it, N·m."""

    measured: Measured
    conditions: Conditions
    previous_friction_nm: Sequence[float] = ()


def order_table(found: Ripple | Cogging | None) -> tuple[tuple[int, float, float, float], ...]:
    """(order, amplitude peak N·m, phase rad, standard uncertainty N·m) of the significant orders."""
    if found is None:
        return ()
    if isinstance(found, Ripple):
        orders, amplitudes = found.fit.orders, found.fit.amplitudes
    else:
        orders, amplitudes = found.orders, found.amplitudes
    rows = zip(
        orders.tolist(),
        np.abs(amplitudes).tolist(),
        np.angle(amplitudes).tolist(),
        np.sqrt(found.variance).tolist(),
        strict=True,
    )
    return tuple(rows)


def ripple_pp(basis: Basis) -> Draft:
    """Ripple peak-to-peak."""
    measured, conditions = basis.measured, basis.conditions
    found = measured.ripple
    if found is None:
        return _no_hold(measured, conditions)
    draft = Draft(found.peak.value_nm, found.peak.u_nm, float(found.nu), found.turns)
    if len(found.fit.orders) == 0 and found.localised is None:
        below_floor(draft, found.floor_nm, found.hidden, found.nu)
    _note_scatter(draft, scattered=found.scattered)
    if found.localised is not None:
        here = found.localised
        draft.note(
            f"A deviation of {here.height_nm:.3g} N·m at {here.angle_deg:.1f}°, {here.width_deg:.1f}° wide, "
            "repeats every turn and is no order; it is in the peak-to-peak."
        )
    note_hidden(draft, found.hidden)
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
        draft.note(f"Below the noise floor of {found.rms_u_nm:.2g} N·m rms.")
    _note_scatter(draft, scattered=found.scattered)
    _note_hold(draft, measured, found, conditions)
    return draft


def cogging_pp(basis: Basis) -> Draft:
    """Cogging peak-to-peak."""
    measured, conditions = basis.measured, basis.conditions
    found = measured.cogging
    if found is None:
        return _no_passes(measured)
    draft = Draft(found.peak.value_nm, found.peak.u_nm, float(found.nu), found.turns)
    if len(found.orders) == 0:
        below_floor(draft, found.floor_nm, found.hidden, found.nu)
    _note_scatter(draft, scattered=found.scattered)
    if found.lag.ambiguous:
        draft.note("Directions could not be aligned; cogging is a lower bound.", NOT_JUDGED)
    note_hidden(draft, found.hidden)
    note_rails(draft, measured.slow)
    note_travel(draft, measured.slow, found.orders)
    note_resonance(draft, found.orders, measured.slow_speed_rpm, conditions)
    note_hum(draft, found.orders, measured.slow_speed_rpm, found.turns // len(measured.slow), conditions)
    return draft


def friction(basis: Basis) -> Draft:
    """Running friction."""
    found = basis.measured.friction
    if found is None:
        return _no_friction(basis.measured)
    draft = Draft(found.friction_nm, found.friction_u_nm, float(found.nu), found.turns)
    if draft.u is None:
        _borrow_scatter(draft, basis.previous_friction_nm)
    if found.passes < 3:
        _note_zero_moved(draft, found)
    return draft


def zero(basis: Basis) -> Draft:
    """Zero of the torque channel at the centre of the middle pass."""
    found = basis.measured.friction
    if found is None:
        return _no_passes(basis.measured)
    draft = Draft(found.zero_nm, found.zero_u_nm, float(found.nu), found.turns)
    if draft.u is None:
        draft.note(NO_SCATTER)
    if found.passes < 3:
        _note_zero_moved(draft, found)
    return draft


def _note_scatter(draft: Draft, *, scattered: bool) -> None:
    """Turns that cannot be compared with each other give no u."""
    if not scattered:
        draft.u = None
        draft.note(NO_SCATTER)


def _note_hold(draft: Draft, measured: Measured, found: Ripple, conditions: Conditions) -> None:
    """What rails, travel, resonance and hum do to a figure of the hold."""
    assert measured.hold is not None
    note_rails(draft, (measured.hold,))
    note_travel(draft, (measured.hold,), found.fit.orders)
    note_resonance(draft, found.fit.orders, measured.hold_speed_rpm, conditions)
    note_hum(draft, found.fit.orders, measured.hold_speed_rpm, found.turns, conditions)


def _borrow_scatter(friction: Draft, previous_nm: Sequence[float]) -> None:
    """Take u from the cycles before, for a cycle that has no scatter of its own."""
    between = scatter_between_cycles(previous_nm)
    if between is None:
        friction.note(NO_FRICTION_SCATTER)
        return
    friction.u, friction.nu = between
    friction.note(f"U from the scatter of {len(previous_nm)} previous cycles.")


def _note_zero_moved(draft: Draft, found: Friction) -> None:
    """Two passes only: say by how much the zero moved between them, where that can be known, and reckon with it."""
    moved = abs(found.zero_moved_nm)
    if moved <= ZERO_MOVED_SHARE * found.friction_nm:
        draft.note("Two passes cannot tell a moving zero from friction; add a third.", INCOMPLETE)
        return
    draft.note(
        f"Zero moved by {moved:.2g} N·m between directions; friction uncertain by {moved / 2:.2g} N·m. Add a third pass.",
        INCOMPLETE,
    )
    if draft.u is not None:
        draft.u = float(np.hypot(draft.u, moved / 2))


def mean_torque(basis: Basis) -> Draft:
    """Mean torque of the hold, less the zero error that the slow passes found."""
    found = basis.measured.ripple
    if found is None:
        return _no_hold(basis.measured, basis.conditions)
    draft = Draft(found.mean_nm, found.mean_u_nm, found.mean_nu, found.turns)
    error = zero(basis)
    if error.value is None:
        draft.note("The zero of the calibration was used; no slow passes to check it.")
        return draft
    draft.value = found.mean_nm - error.value
    if draft.u is None or draft.nu is None or error.u is None or error.nu is None:
        draft.u = None
        draft.note(NO_SCATTER)
        return draft
    own, other = draft.u**2, error.u**2
    draft.u = float(np.sqrt(own + other))
    down = own**2 / draft.nu + other**2 / error.nu
    draft.nu = (own + other) ** 2 / down if down > 0 else draft.nu
    return draft


def _no_hold(measured: Measured, conditions: Conditions) -> Draft:
    """Why there is no ripple."""
    draft = Draft()
    if measured.hold is not None:
        draft.note(_turned((measured.hold,)), INCOMPLETE)
    elif conditions.hold_torque_nm:
        draft.note("The hold was not seen.", INCOMPLETE)
    else:
        draft.note("The plan has no hold.", REFUSED)
    return draft


def _no_passes(measured: Measured) -> Draft:
    """Why there is neither cogging nor friction."""
    draft = Draft()
    if len({leg.direction for leg in measured.slow}) < 2:
        draft.note("No slow passes in both directions; friction cannot be told from the zero.", INCOMPLETE)
    else:
        draft.note(_turned(measured.slow), INCOMPLETE)
    return draft


def _no_friction(measured: Measured) -> Draft:
    """Why there is no friction."""
    draft = Draft()
    if measured.short_passes:
        draft.note(
            f"Sector too short after the reversal: {measured.short_passes} passes turned less than a sixteenth of a "
            "revolution.",
            INCOMPLETE,
        )
    for reason in _no_passes(measured).reasons:
        draft.note(reason, INCOMPLETE)
    if not measured.short_passes and len({leg.direction for leg in measured.slow}) == 2:
        draft.note("Sector too short after the reversal; friction needs a whole turn each way.", INCOMPLETE)
    return draft


def _turned(legs: Sequence[LegSums]) -> str:
    """How far the shortest leg turned, as a sentence."""
    turn = min(abs(leg.encoder_last - leg.encoder_first) / leg.counts_per_rev for leg in legs)
    if turn >= 1:
        return f"Turned {turn:.2g} revolutions, but too many samples are missing for a whole one."
    least = int(np.ceil(0.9 / turn)) if turn > 0 else 0
    return f"Turned {turn:.2g} of a revolution; orders below {least} cannot be separated from drift."
