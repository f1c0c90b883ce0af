"""What makes the figures of friction beside its running mean: over angle, over speed, and at the start from rest."""

from collections.abc import Callable

import numpy as np

from nightturn.estimation.breakaway import INERTIA_SHARE, SPEED_MAX_RAD_S, Break
from nightturn.estimation.draft import Draft, welch_satterthwaite
from nightturn.estimation.figure_drafts import (
    NO_SCATTER,
    Basis,
    no_friction,
    note_scatter,
)
from nightturn.estimation.friction import Friction
from nightturn.estimation.friction_pattern import Variation
from nightturn.estimation.friction_speed import TIMES_MIN, OverSpeed
from nightturn.estimation.gates import note_sense
from nightturn.estimation.quantiles import coverage_factor
from nightturn.estimation.remarks import (
    below_floor,
    note_faint,
    note_hum,
    note_local,
    note_rails,
    note_travel,
    relevant,
)
from nightturn.model.figures import REFUSED, BudgetLine
from nightturn.model.quantities import fixed, number, quantity, rounded_down
from nightturn.model.verdicts import NOT_JUDGED

ORDERS_NAMED = 3
STARTS_MIN = 5
"""Starts that a median and a largest value need."""
APART_DEG = 5.0
"""Places of rest differ by as much at least; the strokes of a plan have two."""
MEDIAN_OF_MEAN = 1.2533
"""Standard error of a median of normal values over that of their mean, (pi/2)^0.5."""
FASTEST_SHARE = 0.3
"""The viscous part at the fastest speed, as a share of the Coulomb part, that a viscous slope alone needs: slower, speeds from
0.1 to 1 rad/s gave it with a scatter of 38 to 62 % (simulated)."""


def friction_variation(basis: Basis) -> Draft:
    """Friction over angle, peak to peak."""
    measured = basis.measured
    found, cogging = measured.variation, measured.cogging
    if found is None or cogging is None:
        return no_friction(measured)
    draft = Draft(found.peak.value_nm, found.peak.u_nm, float(found.nu), found.turns)
    if len(found.orders) == 0 and found.localised is None:
        below_floor(draft, found.floor_nm, found.hidden_pp_nm, found.nu)
    note_scatter(draft, scattered=found.scattered)
    if cogging.lag.ambiguous:
        draft.note(
            "Directions could not be aligned; cogging may be taken for friction over angle.", NOT_JUDGED
        )
    _note_strongest(draft, found)
    note_local(draft, found.localised)
    note_faint(draft, found.peak.faint_nm)
    for doubt in found.doubts:
        draft.line(doubt.name, doubt.pp_u_nm, doubt.source, common=True)
    note_rails(draft, measured.slow)
    note_travel(draft, measured.slow, found.orders)
    if measured.friction is not None:
        note_sense(draft, measured.friction.step_nm)
    strong = relevant(found.orders, found.amplitudes)
    note_hum(draft, strong, measured.slow_speed_rpm, found.turns // len(measured.slow), basis.conditions)
    return draft


def _note_strongest(draft: Draft, found: Variation) -> None:
    """Name the orders that make the most of it."""
    size = np.abs(found.amplitudes)
    ranked = np.argsort(-size, kind="stable")[:ORDERS_NAMED]
    if len(ranked):
        named = ", ".join(
            f"{found.orders[at]} ({quantity(float(size[at]), 'N·m', digits=2)})" for at in ranked.tolist()
        )
        draft.note(f"Strongest orders of friction, peak: {named}.")


def coulomb(basis: Basis) -> Draft:
    """Coulomb friction: the line through two speeds, at speed zero."""
    pair = _two_speeds(basis)
    if isinstance(pair, Draft):
        return pair
    found, over = pair
    share = over.slow_rad_s / over.apart_rad_s
    draft = Draft(found.step_nm - share * over.change_nm, n=found.turns)
    _combine(draft, found, over, 1 + share, share)
    _note_falling(draft, over)
    _note_stribeck(draft, over)
    return draft


def viscous(basis: Basis) -> Draft:
    """Viscous friction: the slope of the line through two speeds."""
    pair = _two_speeds(basis)
    if isinstance(pair, Draft):
        return pair
    found, over = pair
    apart = over.apart_rad_s
    draft = Draft(over.change_nm * float(np.sign(apart)), n=found.turns, per=abs(apart))
    _combine(draft, found, over, 1.0, 1.0)
    _note_falling(draft, over)
    slope = over.change_nm / apart
    coulomb_nm = found.step_nm - slope * over.slow_rad_s
    fastest = max(over.slow_rad_s, over.fast_rad_s)
    if draft.status != REFUSED and slope * fastest < FASTEST_SHARE * coulomb_nm:
        needed = _rpm(FASTEST_SHARE * coulomb_nm / slope)
        _refuse(
            draft,
            f"At the fastest speed of {_rpm(fastest)} the viscous part is {quantity(slope * fastest, 'N·m', digits=2)}, too little "
            f"beside a Coulomb part of {quantity(coulomb_nm, 'N·m', digits=3)}. Exercise at {needed} or more.",
        )
    _note_stribeck(draft, over)
    return draft


def breakaway(basis: Basis) -> Draft:
    """Breakaway torque: median of the starts from rest of unpowered passes."""
    found = basis.measured.friction
    if found is None:
        return no_friction(basis.measured)
    starts = basis.measured.breaks
    reason = _no_breakaway(starts, found.friction_nm)
    if reason:
        draft = Draft()
        advice = f"Plan {STARTS_MIN + 1} strokes or more of 10° with rest = true, at {rounded_down(SPEED_MAX_RAD_S * 30 / np.pi)} rpm or less."
        draft.note(f"Breakaway not measurable in this cycle: {reason}. {advice}", REFUSED)
        return draft
    good = [each for each in starts if each.fit(found.friction_nm)]
    peaks = np.array([each.peak_nm for each in good])
    u = MEDIAN_OF_MEAN * float(peaks.std(ddof=1)) / len(peaks) ** 0.5
    draft = Draft(float(np.median(peaks)), u, len(peaks) - 1.0, len(peaks))
    if found.zero.u is not None and found.zero.nu is not None:
        draft.line("zero", found.zero.u, "half-sum of the slow passes", common=False, nu=found.zero.nu)
    uneven = float(np.mean([each.uneven_nm2 for each in good]))
    if uneven > 0:
        source = "what varies behind the peak and is no noise"
        draft.line("uneven start", uneven**0.5, source, common=False)
    rests = [each.dwell_s for each in good]
    draft.note(
        f"Median of {len(good)} starts, {fixed(min(rests), 1)} to {fixed(max(rests), 1)} s at rest before, at up to "
        f"{_rpm(max(each.speed_rad_s for each in good))}; the largest is {quantity(float(peaks.max()), 'N·m')}."
    )
    return draft


def _no_breakaway(starts: tuple[Break, ...], friction_nm: float) -> str:
    """Why the starts of a cycle show no breakaway, in the order of the gates; empty where they do."""
    gates: tuple[tuple[Callable[[Break], bool], str], ...] = (
        (lambda each: each.whole, "were over their presliding within 3° and 3 s"),
        (lambda each: each.slow, "turned slowly enough at their peak for static friction to show"),
        (
            lambda each: each.steady(friction_nm),
            f"accelerated so little that inertia adds less than {number(100 * INERTIA_SHARE)} % of friction",
        ),
    )
    left = list(starts)
    if len(left) < STARTS_MIN:
        return f"{len(left)} starts of unpowered passes from rest, of {STARTS_MIN} or more"
    for holds, words in gates:
        left = [each for each in left if holds(each)]
        if len(left) < STARTS_MIN:
            return f"only {len(left)} of {len(starts)} starts {words}"
    angles = np.degrees([each.angle_rad for each in left])
    apart = np.abs((angles[:, None] - angles + 180.0) % 360.0 - 180.0)
    return "" if float(apart.max()) >= APART_DEG else f"all starts were at {fixed(float(angles[0]), 0)}°"


def _two_speeds(basis: Basis) -> tuple[Friction, OverSpeed] | Draft:
    """Friction and what it changes by between two speeds, or why there is no line through them."""
    found, over = basis.measured.friction, basis.measured.over_speed
    if found is None:
        return no_friction(basis.measured)
    draft = Draft()
    if isinstance(over, str):
        draft.note(over, REFUSED)
    elif over.near:
        draft.note(
            f"{_rpm(over.slow_rad_s)} and {_rpm(over.fast_rad_s)} are too near to each other to tell Coulomb from viscous friction; "
            f"exercise at {number(TIMES_MIN)} times the speed of the slow passes or more.",
            REFUSED,
        )
    elif over.driven(found.friction_nm, basis.conditions.rated_torque_nm):
        draft.note(
            f"The strokes differ from the slow passes by {quantity(over.shifted_nm, 'N·m', digits=3)} in both directions and "
            f"{quantity(over.change_nm, 'N·m', digits=3)} against the turning: a torque was held, which is no friction.",
            REFUSED,
        )
    else:
        return found, over
    return draft


def _combine(draft: Draft, found: Friction, over: OverSpeed, slow: float, fast: float) -> None:
    """U from that of the slow passes' friction and of the strokes, with the factors by which they enter."""
    if found.step.u is None or found.step.nu is None:
        draft.note(NO_SCATTER)
        return
    parts = (("slow", slow * found.step.u, found.step.nu), ("strokes", fast * over.u_nm, over.nu))
    lines = tuple(BudgetLine(name, abs(u), nu, common=False, source="") for name, u, nu in parts)
    draft.u, draft.nu = welch_satterthwaite(lines)


def _note_falling(draft: Draft, over: OverSpeed) -> None:
    """Friction that falls with speed is on the Stribeck branch, where a straight line through two speeds means nothing."""
    if draft.u is None or draft.nu is None:
        return
    rising = over.change_nm * np.sign(over.apart_rad_s)
    if rising < 0 and -rising > coverage_factor(over.nu) * over.u_nm:
        _refuse(
            draft,
            f"Friction falls by {quantity(-rising, 'N·m', digits=2)} between {_rpm(min(over.slow_rad_s, over.fast_rad_s))} and "
            f"{_rpm(max(over.slow_rad_s, over.fast_rad_s))}: a Stribeck curve, not Coulomb and viscous friction.",
        )


def _note_stribeck(draft: Draft, over: OverSpeed) -> None:
    """What two speeds cannot see."""
    slowest = _rpm(min(over.slow_rad_s, over.fast_rad_s))
    draft.note(
        f"From two speeds: the Stribeck part is not identifiable, and the slowest speed used is {slowest}."
    )


def _refuse(draft: Draft, reason: str) -> None:
    """A value that must not be given."""
    draft.note(reason, REFUSED)
    draft.value = draft.u = None


def _rpm(speed_rad_s: float) -> str:
    return quantity(speed_rad_s * 30 / np.pi, "rpm", digits=3)
