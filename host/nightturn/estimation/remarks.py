"""What must be said with a figure: floor, hidden orders, rails, coverage, resonance and hum."""

from collections.abc import Callable, Sequence
from math import sqrt

import numpy as np

from nightturn.estimation.asynchronous import Line
from nightturn.estimation.conditions import Conditions
from nightturn.estimation.draft import Draft
from nightturn.estimation.folds import MAX_REVOLUTIONS, MAX_SAMPLES_PER_BIN, LegSums, N
from nightturn.estimation.hidden import NOISY_SHARE
from nightturn.estimation.hum import clear_speed, hum_order
from nightturn.estimation.localised import Localised
from nightturn.estimation.quantiles import coverage_factor
from nightturn.estimation.transfer import CORRECTED_SHARE
from nightturn.estimation.turns import Complex128s, largest_hole, seen_bins
from nightturn.model.figures import INCOMPLETE
from nightturn.model.quantities import fixed, quantity
from nightturn.model.tiles import Int64s
from nightturn.model.verdicts import NOT_JUDGED

COVERAGE_NEEDED = 0.99
"""Share of the bins that a peak-to-peak over a revolution needs."""
RESONANCE_SHARE = 0.1
"""An order above this share of the rig's resonance is amplified by more than 1 %, and the correction is said."""
LOCAL_NOISE_MOST = 0.06
"""Noise on a deviation at one angle, as a share of a peak-to-peak, up to which its highest point can be freed of it: at 0.11 friction
over angle read 9 % high (simulated)."""
RELEVANT_SHARE = 0.02
"""An order with less than this share of the sum of all amplitudes moves no value by more."""

ASYNCHRONOUS_SHARE = 0.01
"""Share of the value from which on an order that may or may not be the rotor's keeps it from being judged."""


def below_floor(draft: Draft, order_nm: float, hidden_pp_nm: float, nu: int) -> None:
    """Nothing stands out: zero, with an interval that ends at the floor, so that a limit above it can be met.

    The floor is the largest single order that could have escaped, or what the declared ones may hold together.
    """
    floor_nm = max(order_nm, hidden_pp_nm)
    draft.value, draft.u = 0.0, floor_nm / coverage_factor(float(nu))
    draft.note(f"Below the noise floor of {quantity(floor_nm, 'N·m', digits=2)}.")


def note_faint(draft: Draft, faint_nm: float) -> None:
    """Say when known orders, each too weak to stand out, make a good part of the value together."""
    if draft.value is not None and faint_nm > NOISY_SHARE * draft.value > 0:
        draft.note(
            f"Known orders too weak to stand out one by one make about {quantity(faint_nm, 'N·m', digits=2)} of it. Turn more revolutions."
        )


def note_local(draft: Draft, local: Localised | None) -> None:
    """Say where a deviation is that repeats every turn at one angle."""
    if local is not None:
        draft.note(
            f"A deviation of {quantity(local.height_nm, 'N·m', digits=3)} at {fixed(local.angle_deg, 1)}°, "
            f"{fixed(local.width_deg, 1)}° wide, "
            "repeats every turn without being an order; the peak-to-peak includes it."
        )
        if draft.value is not None and local.noise_nm > LOCAL_NOISE_MOST * draft.value:
            draft.note(
                f"Noise of {quantity(local.noise_nm, 'N·m', digits=2)} lies on it, of which the peak-to-peak takes the highest. "
                "Turn more revolutions.",
                NOT_JUDGED,
            )


def peak_to_peak_of(line: Line) -> float:
    """What a line may add to a peak-to-peak: that of a sine."""
    return 2 * line.amplitude_nm


def rms_of(line: Line, rms_nm: float, orders: Int64s, amplitudes: Complex128s) -> float:
    """What a line may add to an rms, in whose orders (k,) it is beside what the rotor has of its order."""
    own = amplitudes[orders == line.nearest]
    rotor_nm = float(abs(own[0])) if len(own) else line.amplitude_nm
    # |A + a|² - |A|² is at most 2 A a + a², and an rms has half of it.
    return sqrt(rms_nm**2 + rotor_nm * line.amplitude_nm + line.amplitude_nm**2 / 2) - rms_nm


def note_asynchronous(
    draft: Draft, lines: Sequence[Line], effect_of: Callable[[Line], float] = peak_to_peak_of
) -> None:
    """Name orders between the whole ones; one that cannot be told from a whole order may be part of the value.

    `effect_of` is by how much, N·m at most.
    """
    apart = [line for line in lines if line.settled and not line.of_mains]
    if apart:
        draft.note(
            f"Torque at order {_named(apart)} does not repeat from turn to turn and is not in the value: a bearing's or the drive's, "
            "not the rotor's."
        )
    hum = [line for line in lines if line.settled and line.of_mains]
    if hum:
        draft.note(f"Mains hum at order {_named(hum)} is not in the value.")
    for line in lines:
        if line.settled or draft.value is None:
            continue
        effect = effect_of(line)
        if effect <= ASYNCHRONOUS_SHARE * draft.value:
            source = f"an order beside {line.nearest} that does not repeat"
            draft.line("asynchronous order", effect / sqrt(3.0), source, common=False)
            continue
        draft.note(
            f"Torque at order {line.nearest} changes from turn to turn, and {line.turns} turns a pass cannot tell whether up to "
            f"{quantity(line.amplitude_nm, 'N·m', digits=2)} peak of it are the rotor's. Turn more revolutions.",
            NOT_JUDGED,
        )


def _named(lines: Sequence[Line]) -> str:
    """Orders and peaks of lines, in rising order."""
    return ", ".join(
        f"{fixed(line.order, 2)} ({quantity(line.amplitude_nm, 'N·m', digits=2)} peak)"
        for line in sorted(lines, key=lambda line: line.order)
    )


def note_rails(draft: Draft, legs: Sequence[LegSums]) -> None:
    """Say when the ADC hit its limit or the sums their own."""
    railed = sum(leg.railed for leg in legs)
    if railed:
        draft.note(
            f"Torque signal at the end of its range ({railed} samples). Peak-to-peak is at least the value given.",
            NOT_JUDGED,
        )
    jumps = sum(leg.jumps for leg in legs)
    if jumps:
        draft.note(f"The torque signal jumped {jumps} times.")
    if any(leg.beyond for leg in legs):
        draft.note(f"Only the first {MAX_REVOLUTIONS} revolutions of a pass were used.")
    if any(int(leg.sums[:, N].max(initial=0)) > MAX_SAMPLES_PER_BIN for leg in legs):
        draft.note(f"More than {MAX_SAMPLES_PER_BIN} samples are in one angle bin; turn faster.", NOT_JUDGED)


def note_travel(draft: Draft, legs: Sequence[LegSums], orders: Int64s) -> None:
    """Say when a revolution was not covered well enough for its peaks to be sure."""
    highest = int(orders.max()) if len(orders) else 1
    worst, hole = 1.0, 0.0
    for leg in legs:
        seen = seen_bins(leg)
        if not seen.all():
            worst = min(worst, float(seen.mean()))
            hole = max(hole, largest_hole(leg, 1)[0] / 360)
    if worst < COVERAGE_NEEDED or hole * 4 * highest > 1:
        draft.note(
            f"Peak-to-peak over {fixed(360 * worst, 0)} degrees: the rest was not covered.", INCOMPLETE
        )


def relevant(orders: Int64s, amplitudes: Complex128s) -> Int64s:
    """The orders (k,) that a value depends on; what chance lets through of the noise is far below."""
    size = np.abs(amplitudes)
    return np.asarray(orders[size >= RELEVANT_SHARE * size.sum()], np.int64)


def note_resonance(draft: Draft, orders: Int64s, speed_rpm: float, conditions: Conditions) -> None:
    """Say that the value is corrected for the rig's resonance; too near to it nothing corrects, and it is not judged."""
    if not conditions.resonance_hz or len(orders) == 0:
        return
    highest = int(orders.max())
    share = highest * speed_rpm / 60.0 / conditions.resonance_hz
    if share <= RESONANCE_SHARE:
        return
    speed = quantity(speed_rpm, "rpm", digits=3)
    at = f"At {speed} order {highest} is at {fixed(100 * share, 0)} % of the rig's resonance"
    if share < CORRECTED_SHARE:
        draft.note(f"{at}, for which the value is corrected.")
        return
    slower = 60.0 * CORRECTED_SHARE * conditions.resonance_hz / highest
    draft.note(
        f"{at} and amplified too much to be corrected. Turn at {quantity(slower, 'rpm', digits=2)} or less.",
        NOT_JUDGED,
    )


def note_hum(draft: Draft, orders: Int64s, speed_rpm: float, turns: int, conditions: Conditions) -> None:
    """Say when mains hum falls on an order of the value, nearer than the turns can tell apart; then nobody can judge it."""
    met = hum_order(orders, speed_rpm, turns, conditions.mains_hz)
    if met is None:
        return
    hum_hz, order = met
    clear = clear_speed(orders, speed_rpm, turns, conditions.mains_hz)
    advice = "no clear speed is near" if clear is None else f"nearest clear speed {quantity(clear, 'rpm')}"
    draft.note(
        f"Mains hum of {quantity(hum_hz, 'Hz')} coincides with order {order} at {quantity(speed_rpm, 'rpm')}, and the value may "
        "include it; "
        f"{advice}.",
        NOT_JUDGED,
    )
