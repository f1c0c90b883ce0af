"""What must be said with a figure: floor, hidden orders, rails, coverage, resonance and hum."""

from collections.abc import Sequence

import numpy as np

from nightturn.estimation.conditions import Conditions
from nightturn.estimation.draft import Draft
from nightturn.estimation.folds import MAX_REVOLUTIONS, MAX_SAMPLES_PER_BIN, LegSums, N
from nightturn.estimation.hidden import NOISY_SHARE, PP_PER_RMS, Hidden
from nightturn.estimation.hum import clear_speed, hum_order
from nightturn.estimation.quantiles import coverage_factor
from nightturn.estimation.turns import Bools, bins_for, samples_per_rev
from nightturn.model.figures import INCOMPLETE
from nightturn.model.tiles import Int64s
from nightturn.model.verdicts import NOT_JUDGED

COVERAGE_NEEDED = 0.99
"""Share of the bins that a peak-to-peak over a revolution needs."""
RESONANCE_SHARE = 0.1
"""An order above this share of the rig's resonance reads more than 1 % high and is marked."""
INDICATIVE_SHARE = 0.5
"""Above this share the reading is amplified by a third and more, by an amount that the damping decides."""
HIDDEN_SHARE = 0.7
"""Hidden orders that make up this share of U (half of its square) are spoken of."""


def below_floor(draft: Draft, order_nm: float, hidden: Hidden, nu: int) -> None:
    """Nothing stands out: zero, with an interval that ends at the floor, so that a limit above it can be met.

    The floor is the largest single order that could have escaped, or what the declared ones may hold together.
    """
    floor_nm = max(order_nm, hidden.possible_pp_nm)
    draft.value, draft.u = 0.0, floor_nm / coverage_factor(float(nu))
    draft.note(f"Below the noise floor of {floor_nm:.2g} N·m.")


def note_hidden(draft: Draft, hidden: Hidden) -> None:
    """Say when declared orders lie in the noise, each alone too small to be taken, and rule the interval."""
    if draft.u is None or draft.nu is None:
        return
    wide = coverage_factor(draft.nu) * draft.u
    if hidden.sure and PP_PER_RMS * hidden.rms_nm > HIDDEN_SHARE * wide:
        draft.note(
            f"Declared orders of {hidden.rms_nm:.2g} N·m rms together hide in the noise; peak-to-peak is a lower bound. "
            "Turn more revolutions.",
            NOT_JUDGED,
        )
    elif hidden.possible_pp_nm > max(HIDDEN_SHARE * wide, NOISY_SHARE * (draft.value or 0.0)):
        draft.note(
            f"Declared orders of up to {hidden.possible_pp_nm:.2g} N·m peak-to-peak may lie below the noise; "
            "U is widened by them."
        )


def note_rails(draft: Draft, legs: Sequence[LegSums]) -> None:
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


def note_travel(draft: Draft, legs: Sequence[LegSums], orders: Int64s) -> None:
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


def note_resonance(draft: Draft, orders: Int64s, speed_rpm: float, conditions: Conditions) -> None:
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


def note_hum(draft: Draft, orders: Int64s, speed_rpm: float, turns: int, conditions: Conditions) -> None:
    """Say when mains hum falls on an order of the value, nearer than the turns can tell apart."""
    met = hum_order(orders, speed_rpm, turns, conditions.mains_hz)
    if met is None:
        return
    hum_hz, order = met
    clear = clear_speed(orders, speed_rpm, turns, conditions.mains_hz)
    advice = "no clear speed is near" if clear is None else f"nearest clear speed {clear:.4g} rpm"
    draft.note(
        f"Mains hum of {hum_hz:g} Hz coincides with order {order} at {speed_rpm:.4g} rpm, and the value may hold it; "
        f"{advice}."
    )
