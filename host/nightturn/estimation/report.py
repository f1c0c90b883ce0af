"""Figures with status and sentences: what can be said, and what must be said with it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightturn.estimation import figures as names
from nightturn.estimation.cogging import Cogging
from nightturn.estimation.conditions import Conditions
from nightturn.estimation.figures import FIGURE_OF_NAME
from nightturn.estimation.folds import MAX_REVOLUTIONS, MAX_SAMPLES_PER_BIN, LegSums, N
from nightturn.estimation.friction import Friction
from nightturn.estimation.quantiles import coverage_factor
from nightturn.estimation.ripple import Ripple
from nightturn.estimation.turns import Bools, bins_for, samples_per_rev
from nightturn.model.figures import INCOMPLETE, NOT_JUDGED, OK, REFUSED, Figure
from nightturn.model.tiles import Int64s

COVERAGE_NEEDED = 0.99
"""Share of the bins that a peak-to-peak over a revolution needs."""
RESONANCE_SHARE = 0.1
"""An order above this share of the rig's resonance reads more than 1 % high and is marked."""
INDICATIVE_SHARE = 0.5

NO_SCATTER = "U needs at least two turns a pass"
NO_FRICTION_SCATTER = "U needs at least two turns a pass or five previous cycles"


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


@dataclass
class _Draft:
    """A figure in the making: the gravest status wins, sentences add up."""

    value: float | None = None
    u: float | None = None
    nu: float | None = None
    n: int = 0
    status: str = OK
    reasons: tuple[str, ...] = ()

    def note(self, reason: str, status: str = OK) -> None:
        """Add a sentence and, if it is graver than what stands, a status."""
        if reason not in self.reasons:
            self.reasons = (*self.reasons, reason)
        order = (OK, NOT_JUDGED, INCOMPLETE, REFUSED)
        if order.index(status) > order.index(self.status):
            self.status = status

    def figure(self, name: str, scale: float = 1.0) -> Figure:
        """The figure under this name, times a factor."""
        return Figure(
            name=name,
            value=None if self.value is None else self.value * scale,
            u=None if self.u is None or self.value is None else self.u * scale,
            nu=None if self.u is None or self.value is None else self.nu,
            status=self.status,
            n=self.n,
            method=FIGURE_OF_NAME[name].method,
            reasons=self.reasons,
        )


def figures_of(measured: Measured, conditions: Conditions) -> tuple[Figure, ...]:
    """All figures, in the order of `figures.FIGURES`."""
    percent = 100.0 / conditions.rated_torque_nm
    friction, zero = _friction(measured)
    ripple = _ripple(measured, conditions)
    return (
        ripple.figure(names.RIPPLE_PP),
        _rms(measured, conditions).figure(names.RIPPLE_RMS),
        ripple.figure(names.RIPPLE_PCT, percent),
        _cogging(measured, conditions).figure(names.COGGING_PP),
        friction.figure(names.FRICTION),
        friction.figure(names.FRICTION_PCT, percent),
        zero.figure(names.ZERO),
        _mean(measured, conditions, zero).figure(names.MEAN_TORQUE),
    )


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


def _ripple(measured: Measured, conditions: Conditions) -> _Draft:
    """Ripple peak-to-peak."""
    found = measured.ripple
    if found is None:
        return _no_hold(measured, conditions)
    draft = _Draft(found.peak.value_nm, found.peak.u_nm, float(found.nu), found.turns)
    if len(found.fit.orders) == 0 and found.localised is None:
        _below_floor(draft, found.floor_nm, found.nu)
    if not found.scattered:
        draft.u = None
        draft.note(NO_SCATTER)
    if found.localised is not None:
        here = found.localised
        draft.note(
            f"A deviation of {here.height_nm:.3g} N·m at {here.angle_deg:.1f}°, {here.width_deg:.1f}° wide, "
            "repeats every turn and is no order; it is in the peak-to-peak."
        )
    _note_hidden(draft, found.hidden_nm)
    assert measured.hold is not None
    _note_rails(draft, (measured.hold,))
    _note_travel(draft, (measured.hold,), found.fit.orders)
    _note_resonance(draft, found.fit.orders, measured.hold_speed_rpm, conditions)
    return draft


def _rms(measured: Measured, conditions: Conditions) -> _Draft:
    """Ripple rms."""
    found = measured.ripple
    if found is None:
        return _no_hold(measured, conditions)
    draft = _Draft(found.rms_nm, found.rms_u_nm, float(found.nu), found.turns)
    if found.rms_below_floor:
        draft.note(f"Below the noise floor of {found.rms_u_nm:.2g} N·m rms.")
    if not found.scattered:
        draft.u = None
        draft.note(NO_SCATTER)
    assert measured.hold is not None
    _note_rails(draft, (measured.hold,))
    _note_travel(draft, (measured.hold,), found.fit.orders)
    return draft


def _cogging(measured: Measured, conditions: Conditions) -> _Draft:
    """Cogging peak-to-peak."""
    found = measured.cogging
    if found is None:
        return _no_passes(measured)
    draft = _Draft(found.peak.value_nm, found.peak.u_nm, float(found.nu), found.turns)
    if len(found.orders) == 0:
        _below_floor(draft, found.floor_nm, found.nu)
    if not found.scattered:
        draft.u = None
        draft.note(NO_SCATTER)
    if found.lag.ambiguous:
        draft.note("Directions could not be aligned; cogging is a lower bound.", NOT_JUDGED)
    _note_hidden(draft, found.hidden_nm)
    _note_rails(draft, measured.slow)
    _note_travel(draft, measured.slow, found.orders)
    _note_resonance(draft, found.orders, measured.slow_speed_rpm, conditions)
    return draft


def _friction(measured: Measured) -> tuple[_Draft, _Draft]:
    """Friction and zero."""
    found = measured.friction
    if found is None:
        return _no_passes(measured), _no_passes(measured)
    friction = _Draft(found.friction_nm, found.friction_u_nm, float(found.nu), found.turns)
    zero = _Draft(found.zero_nm, found.zero_u_nm, float(found.nu), found.turns)
    for draft in (friction, zero):
        if draft.u is None:
            draft.note(NO_FRICTION_SCATTER)
        if len(measured.slow) < 3:
            draft.note("Two passes cannot tell a moving zero from friction; add a third.", INCOMPLETE)
    return friction, zero


def _mean(measured: Measured, conditions: Conditions, zero: _Draft) -> _Draft:
    """Mean torque of the hold, less the zero error that the slow passes found."""
    found = measured.ripple
    if found is None:
        return _no_hold(measured, conditions)
    draft = _Draft(found.mean_nm, found.mean_u_nm, found.mean_nu, found.turns)
    if zero.value is None:
        draft.note("The zero of the calibration was used; no slow passes to check it.")
        return draft
    draft.value = found.mean_nm - zero.value
    if draft.u is not None and draft.nu is not None and zero.u is not None and zero.nu is not None:
        own, other = draft.u**2, zero.u**2
        draft.u = float(np.sqrt(own + other))
        down = own**2 / draft.nu + other**2 / zero.nu
        draft.nu = (own + other) ** 2 / down if down > 0 else draft.nu
    elif draft.u is None:
        draft.note(NO_SCATTER)
    return draft


def _below_floor(draft: _Draft, floor_nm: float, nu: int) -> None:
    """Nothing stands out: zero, with an interval that ends at the floor, so that a limit above it can be met."""
    draft.value, draft.u = 0.0, floor_nm / coverage_factor(float(nu))
    draft.note(f"Below the noise floor of {floor_nm:.2g} N·m.")


def _note_hidden(draft: _Draft, hidden_nm: float) -> None:
    """Say when declared orders lie in the noise, each alone too small to be taken, and would widen the interval."""
    if draft.u is None or draft.nu is None:
        return
    if 2 * np.sqrt(2) * hidden_nm > coverage_factor(draft.nu) * draft.u:
        draft.note(
            f"Declared orders of {hidden_nm:.2g} N·m rms together hide in the noise; peak-to-peak is a lower bound. "
            "Turn more revolutions.",
            NOT_JUDGED,
        )


def _no_hold(measured: Measured, conditions: Conditions) -> _Draft:
    """Why there is no ripple."""
    draft = _Draft()
    if measured.hold is not None:
        draft.note(_turned((measured.hold,)), INCOMPLETE)
    elif conditions.hold_torque_nm:
        draft.note("The hold was not seen.", INCOMPLETE)
    else:
        draft.note("The plan has no hold.", REFUSED)
    return draft


def _no_passes(measured: Measured) -> _Draft:
    """Why there is neither cogging nor friction."""
    draft = _Draft()
    if len({leg.direction for leg in measured.slow}) < 2:
        draft.note("No slow passes in both directions; friction cannot be told from the zero.", INCOMPLETE)
    else:
        draft.note(_turned(measured.slow), INCOMPLETE)
    return draft


def _turned(legs: Sequence[LegSums]) -> str:
    """How far the shortest leg turned, as a sentence."""
    turn = min(abs(leg.encoder_last - leg.encoder_first) / leg.counts_per_rev for leg in legs)
    if turn >= 1:
        return f"Turned {turn:.2g} revolutions, but too many samples are missing for a whole one."
    least = int(np.ceil(0.9 / turn)) if turn > 0 else 0
    return f"Turned {turn:.2g} of a revolution; orders below {least} cannot be separated from drift."


def _note_rails(draft: _Draft, legs: Sequence[LegSums]) -> None:
    """Say when the ADC hit its limit or the sums their own."""
    railed = sum(leg.railed for leg in legs)
    if railed:
        draft.note(
            f"Torque signal hit the ADC limit ({railed} samples). Peak-to-peak is a lower bound.", NOT_JUDGED
        )
    jumps = sum(leg.jumps for leg in legs)
    if jumps:
        draft.note(f"The torque signal jumped {jumps} times.")
    if any(leg.beyond for leg in legs):
        draft.note(f"Only the first {MAX_REVOLUTIONS} revolutions of a pass were used.")
    if any(int(leg.sums[:, N].max(initial=0)) > MAX_SAMPLES_PER_BIN for leg in legs):
        draft.note(
            f"More than {MAX_SAMPLES_PER_BIN} samples fell into one angle bin; turn faster.", NOT_JUDGED
        )


def _note_travel(draft: _Draft, legs: Sequence[LegSums], orders: Int64s) -> None:
    """Say when a revolution was not covered well enough for its peaks to be sure."""
    highest = int(orders.max()) if len(orders) else 1
    worst, hole = 1.0, 0.0
    for leg in legs:
        bins = bins_for(leg.counts_per_rev, samples_per_rev(leg))
        seen: Bools = leg.sums[:, N].sum(axis=0).reshape(bins, -1).sum(axis=1) > 0
        worst = min(worst, float(seen.mean()))
        hole = max(hole, _largest_hole(seen) / bins)
    if worst < COVERAGE_NEEDED or hole * 4 * highest > 1:
        draft.note(f"Peak-to-peak over {360 * worst:.0f} degrees: the rest was not covered.", INCOMPLETE)


def _largest_hole(seen: Bools) -> int:
    """The longest run of empty bins around the circle."""
    filled = np.flatnonzero(seen)
    if len(filled) == 0:
        return len(seen)
    return int(np.diff(filled, append=filled[0] + len(seen)).max()) - 1


def _note_resonance(draft: _Draft, orders: Int64s, speed_rpm: float, conditions: Conditions) -> None:
    """Say when the highest order lies so near the rig's resonance that it reads high."""
    if not conditions.resonance_hz or len(orders) == 0:
        return
    highest = int(orders.max())
    share = highest * speed_rpm / 60.0 / conditions.resonance_hz
    if share <= RESONANCE_SHARE:
        return
    slower = 60.0 * RESONANCE_SHARE * conditions.resonance_hz / highest
    if share >= INDICATIVE_SHARE:
        effect = "amplified, the value is indicative"
    else:
        effect = f"which makes it read about {100 * (1 / (1 - share**2) - 1):.0f} % high"
    draft.note(
        f"At {speed_rpm:.3g} rpm order {highest} lies at {100 * share:.0f} % of the rig's resonance, {effect}. "
        f"Turn at {slower:.2g} rpm or less, or calibrate the rig."
    )
