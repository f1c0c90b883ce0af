"""What the rig makes by itself, taken off the figures by its record; and what is said where there is none.

Orders are subtracted as complex amplitudes: two waves of one order add up by size and phase, so only a common zero of the
angle makes their difference mean anything. The record holds what drive and bearings make without load; what the
drive makes more under load stays in a ripple.
"""

import math

import numpy as np

from nightturn.estimation.band import orders_text
from nightturn.estimation.budget import BEYOND_K, Warmth
from nightturn.estimation.conditions import Conditions
from nightturn.estimation.draft import Draft
from nightturn.estimation.extremes import Lines
from nightturn.estimation.origins import origin_of
from nightturn.estimation.quantiles import coverage_factor
from nightturn.estimation.remarks import RELEVANT_SHARE, relevant
from nightturn.estimation.transfer import RIG, RigOrders
from nightturn.estimation.waveform import peak_to_peak
from nightturn.model.figures import OK
from nightturn.model.quantities import quantity
from nightturn.model.verdicts import NOT_JUDGED

SPEED_SHARE = 0.1
"""A record holds for speeds this near to its own (common practice, no source)."""
FRICTION_PER_K = 0.008
"""By how much friction falls with each kelvin, as a share of it; from memory."""
GROSS, NET = "gross of the rig", "net of the rig by {}"
IS_GROSS = "The value is gross of the rig."
AT_TRANSDUCER, LED_BACK = "as the transducer sees it", "led back to the unit's end through {}"


def why_gross(conditions: Conditions, speed_rpm: float) -> str | None:
    """Why figures measured at this speed are gross: a sentence, empty where there is no record; None where they are net."""
    record = conditions.rig
    if record is None:
        return conditions.rig_unfit
    if abs(speed_rpm / record.speed_rpm - 1.0) <= SPEED_SHARE:
        return None
    return (
        f"Rig record {record.id} was made at {quantity(record.speed_rpm, 'rpm', digits=3)} and says nothing at "
        f"{quantity(speed_rpm, 'rpm', digits=3)}."
    )


def rig_orders(
    conditions: Conditions, speed_rpm: float, highest: int, late_rad: float = 0.0, late_u_rad: float = 0.0
) -> RigOrders | None:
    """The record's orders at this speed, up to `highest`; `late_rad` is by which angle a pass reads them late, with its sense.

    `late_u_rad` is the standard uncertainty of that.

    None without a record that holds here.
    """
    record = conditions.rig
    if record is None or not conditions.rig_tied or why_gross(conditions, speed_rpm) is not None:
        return None
    known = [each for each in record.orders if each.order <= highest]
    if not known:
        return None
    orders = np.array([each.order for each in known], np.int64)
    sizes = np.array([each.amplitude_nm for each in known])
    phases = np.array([each.phase_rad for each in known]) - orders * late_rad
    return RigOrders(
        orders,
        np.asarray(sizes * np.exp(1j * phases), np.complex128),
        np.array([each.u_nm for each in known]),
        record.source,
        late_u_rad,
    )


def measurand_of(words: str, conditions: Conditions, *, net: bool) -> str:
    """The words of a measurand, with what was taken off and led back."""
    through = " and ".join(
        name
        for name, known in (("resonance", conditions.resonance_hz), ("filter", conditions.filter_hz))
        if known
    )
    if through:
        words = words.replace(AT_TRANSDUCER, LED_BACK.format(through))
    if net and conditions.rig is not None:
        words = words.replace(GROSS, NET.format(conditions.rig.source))
    return words


def net_friction(draft: Draft, conditions: Conditions, speed_rpm: float, warmth: Warmth) -> bool:
    """Take the friction of the rig's bearings off; whether the figure is net now."""
    record, why = conditions.rig, why_gross(conditions, speed_rpm)
    if draft.value is None:
        return False
    if why:
        draft.note(f"{why} {IS_GROSS}")
    if why is not None or record is None or record.friction_nm is None or record.u_friction_nm is None:
        return False
    gross = draft.value
    # Two temperatures that nobody knows lie within ten kelvin of each other, as in the rest of the budget.
    away_k = (
        BEYOND_K if warmth.degc is None or record.temp_degc is None else abs(warmth.degc - record.temp_degc)
    )
    draft.value = gross - record.friction_nm
    u_nm = math.hypot(record.u_friction_nm, record.friction_nm * FRICTION_PER_K * away_k)
    draft.line(RIG, u_nm, record.source, common=True)
    own = coverage_factor(draft.nu) * draft.u if draft.u is not None and draft.nu is not None else 0.0
    if -draft.value > own + coverage_factor(math.inf) * u_nm:
        draft.note(
            f"The friction of {quantity(gross, 'N·m')} that was measured is less than the {quantity(record.friction_nm, 'N·m')} of the rig "
            f"alone by rig record {record.id}, which does not hold any more. Measure the rig again.",
            NOT_JUDGED,
        )
    return True


def _only_here(conditions: Conditions, *, held: bool) -> str:
    """Why a record that holds for the run could not be taken off in this cycle; empty where it has no orders."""
    record = conditions.rig
    if record is None or not record.orders:
        return ""
    if not conditions.rig_tied:
        return (
            f"Rig record {record.id} was not subtracted: the encoder's index was not seen before this cycle."
        )
    return (
        f"Rig record {record.id} was not subtracted: without slow passes that could be aligned nobody knows how late the hold is read."
        if held
        else ""
    )


def note_gross(draft: Draft, words: str, conditions: Conditions, speed_rpm: float, *, held: bool) -> None:
    """Say why a record was not used, and `words` of `gross_words`; `held` says that the value is of a hold."""
    if draft.value is None:
        return
    why, status = why_gross(conditions, speed_rpm), OK
    if why is None:
        # The other cycles of this run are net, and nobody may take their mean with this one.
        why, status = _only_here(conditions, held=held), NOT_JUDGED
    if why:
        draft.note(f"{why} {IS_GROSS}", status)
    if words:
        draft.note(words)


def gross_words(gross: Lines, conditions: Conditions, speed_rpm: float, turns: int) -> str:
    """How much of a peak-to-peak orders make that may be the rig's, as a sentence; empty where it is little.

    `gross` are all orders that were read, the rig's own in them.
    """
    rig = np.array(
        [origin_of(int(order), conditions, speed_rpm, turns).may_be_rig for order in gross.orders], np.bool_
    )
    named = np.intersect1d(relevant(gross.orders, gross.amplitudes), gross.orders[rig], assume_unique=True)
    if len(named) == 0:
        return ""
    whole = peak_to_peak(gross.orders, gross.amplitudes, gross.variance).value_nm
    own = peak_to_peak(gross.orders[~rig], gross.amplitudes[~rig], gross.variance[~rig]).value_nm
    if abs(whole - own) <= RELEVANT_SHARE * whole:
        return ""
    return (
        f"Gross of the rig: {quantity(whole, 'N·m', digits=3)} with {orders_text(named.tolist())}, which drive, bearings or shaft of the rig "
        f"may make, {quantity(own, 'N·m', digits=3)} without."
    )
