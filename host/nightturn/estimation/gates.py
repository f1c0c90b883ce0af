"""Gates: what makes a figure doubtful whatever its value, each with a sentence and the status that it takes."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import ceil

import numpy as np

from nightturn.estimation.band import (
    BIN_NUMBER,
    ENCODER,
    SAMPLING,
    Band,
    bins_needed,
    ends_by,
    missed,
    orders_text,
    rate_needed_hz,
    speed_needed_rpm,
)
from nightturn.estimation.channel import Finding, channel_findings
from nightturn.estimation.conditions import Conditions
from nightturn.estimation.draft import Draft
from nightturn.estimation.folds import BINS, LegSums
from nightturn.estimation.least_squares import InseparableError
from nightturn.estimation.loop_energy import Loop
from nightturn.estimation.order_fit import OrdersInseparableError
from nightturn.estimation.quantiles import coverage_factor
from nightturn.estimation.shifts import Shift
from nightturn.estimation.spectra import cogging_order
from nightturn.estimation.turns import (
    Complex128s,
    highest_order,
    largest_hole,
)
from nightturn.model.figures import REFUSED
from nightturn.model.phases import HOLD, SLOW_TURN
from nightturn.model.quantities import fixed, number, quantity, rounded_down
from nightturn.model.tiles import Float64s, Int64s
from nightturn.model.verdicts import NOT_JUDGED

HOLE_DEG_MAX = 5.0
"""A hole in all turns of a pass that a mean over the turn survives: over 20 degrees it was off by 1.4 times its ±."""
HELD_TIMES_MAX = 2.0
"""Between what a hold reads and what the plan holds, friction included (common practice, no source)."""
UNHELD_TIMES = 3.0
"""A pass without load reads friction; the next cycle's first pass may come in the hold's place."""
UNHELD_SHARE = 0.01
UNSEEN_DEG_MIN = 0.5
"""A narrower hole is not what keeps orders from being separated."""
ORDERS_NAMED = 5
NO_LEVELS = "Friction, zero and drift cannot be separated; turn forward, back and forward, a whole turn each."
LOOP_SHARE = 0.02
"""Half step and loop energy agreed within 0.3 % of friction (simulated, sectors of 15 degrees); more than this is said."""
SHIFT_TIMES = 2.0
"""A mean takes half of a shift in the middle of a pass at most, and a peak of one turn in two."""
LAG_SIGMA = 3.0
"""Standard deviations between the lag of the low orders and the next alignment of the cogging order."""


@dataclass(frozen=True, slots=True)
class Signals:
    """What speaks against the torque channel, by phase."""

    findings: dict[str, tuple[Finding, ...]]

    @classmethod
    def of(
        cls, legs: dict[str, Sequence[LegSums]], conditions: Conditions, unheld: tuple[int, int]
    ) -> "Signals":
        """Look at the passes of every phase; `unheld` are samples and Σ raw of a pass that came in the hold's place."""
        findings = {phase: channel_findings(some, conditions) for phase, some in legs.items()}
        held = _held_level(legs.get(HOLD, ()), conditions) or _unheld_level(
            legs.get(SLOW_TURN, ()), unheld, conditions
        )
        if held is not None and not findings[HOLD]:
            findings = {phase: (*some, (held, NOT_JUDGED)) for phase, some in findings.items()}
        return cls(findings)

    def note(self, draft: Draft, phases: Sequence[str]) -> None:
        """Say it with a figure that rests on these phases; what is refused has no value."""
        for sentence, status in (found for phase in phases for found in self.findings.get(phase, ())):
            draft.note(sentence, status)
            if status == REFUSED:
                draft.value = draft.u = None


def _held_level(holds: Sequence[LegSums], conditions: Conditions) -> str | None:
    """A hold far from the torque that the plan holds: a wrong factor or unit, which the slow passes share."""
    planned = conditions.hold_torque_nm
    for leg in holds:
        if leg.n and planned:
            held = abs(leg.raw_sum / leg.n - conditions.zero_count) * abs(conditions.lsb_nm)
            if not planned / HELD_TIMES_MAX <= held <= planned * HELD_TIMES_MAX:
                return (
                    f"The hold reads {quantity(held, 'N·m')} where the plan holds {quantity(planned, 'N·m')}: check unit and factor of "
                    "the torque channel, or whether the unit held."
                )
    return None


def _unheld_level(slow: Sequence[LegSums], unheld: tuple[int, int], conditions: Conditions) -> str | None:
    """A pass in the hold's place with more torque than the slow ones and less than half of the planned: a wrong unit."""
    senses = [[leg.raw_sum / leg.n for leg in slow if leg.n and leg.direction == way] for way in (1, -1)]
    if not unheld[0] or not all(senses):
        return None
    means = [float(np.mean(levels)) for levels in senses]
    lsb, planned = abs(conditions.lsb_nm), conditions.hold_torque_nm
    held = abs(unheld[1] / unheld[0] - sum(means) / 2) * lsb
    friction = abs(means[0] - means[1]) / 2 * lsb
    if held <= max(UNHELD_TIMES * friction, UNHELD_SHARE * planned):
        return None
    return (
        f"The pass where the plan holds {quantity(planned, 'N·m')} reads {quantity(held, 'N·m')}, too little for a hold and too much "
        "for none: check unit and factor of the torque channel, or whether the unit held."
    )


def note_sense(draft: Draft, step_nm: float) -> None:
    """Friction that drives: torque and angle do not agree about which way is positive."""
    if draft.value is None or step_nm >= 0:
        return
    wide = coverage_factor(draft.nu) * draft.u if draft.u is not None and draft.nu is not None else 0.0
    if -step_nm > wide:
        draft.note(
            f"Friction would be {quantity(step_nm, 'N·m')} and drive the shaft: torque and angle disagree about the "
            "direction. Check polarity of the bridge and sense of the encoder.",
            NOT_JUDGED,
        )


def note_loop(draft: Draft, step_nm: float, loop: Loop | None) -> None:
    """Friction by the half step against that by the work over closed loops of the same passes; both with their sign."""
    if draft.value is None or draft.u is None or draft.nu is None or loop is None:
        return
    apart = abs(loop.friction_nm - step_nm)
    if apart <= LOOP_SHARE * draft.value or apart <= coverage_factor(draft.nu) * draft.u + loop.apart_nm:
        return
    draft.note(
        f"The work over a closed loop of both directions makes friction {quantity(loop.friction_nm, 'N·m')}, the half step "
        f"{quantity(step_nm, 'N·m')}: something moved the torque within a pass.",
        NOT_JUDGED,
    )


def note_lag(
    draft: Draft,
    lag_rad: float,
    orders: Int64s,
    amplitudes: Complex128s,
    variance: Float64s,
    conditions: Conditions,
) -> None:
    """A lag of more than a period of the cogging, which several alignments a period apart would explain.

    An order n alone fixes the lag to within half a period, π/n, either way. Where one that low is in the value, and three
    of its standard deviations are less than the distance to the next alignment, the lag is settled and only said. Shapes
    (k,); `variance` is that of one component of each amplitude.
    """
    highest = cogging_order(conditions.pole_pairs, conditions.slots)
    if not highest and len(orders):  # of an unknown product the strongest order stands for it
        highest = int(orders[np.abs(amplitudes).argmax()])
    if highest not in orders or abs(lag_rad) <= 2 * np.pi / highest:
        return
    late, period = abs(lag_rad), 2 * np.pi / highest
    low = orders * late < np.pi / 2
    weight = float(((2 * orders[low] * np.abs(amplitudes[low])) ** 2 / variance[low]).sum())
    settled = weight**0.5 * period / 2 > LAG_SIGMA
    late_ms = 1e3 * late / (2 * np.pi * conditions.slow_speed_rpm / 60)
    at = f"Torque is {fixed(late_ms, 1)} ms late, {fixed(late / period, 1)} periods of order {highest}"
    if settled:
        draft.note(f"{at}; lower orders decide which.")
        return
    draft.note(
        f"{at}, and no lower order decides which: the directions may be aligned wrongly. Turn slower.",
        NOT_JUDGED,
    )


def note_band(
    draft: Draft, band: Band, amplitudes: Mapping[int, float], speed_rpm: float, conditions: Conditions
) -> None:
    """Which orders a value of a turn's waveform contains; one that misses a declared order is not judged.

    `amplitudes` are the value's own, N·m by order.
    """
    draft.band, draft.unseen = (1, band.highest), band.unseen
    lost = missed(band, amplitudes, conditions)
    if draft.value is None or not lost:
        return
    needs = max((order for order in lost if bins_needed(order) <= BINS), default=0)
    end = ends_by(band, conditions) if needs else BIN_NUMBER
    if end == ENCODER:
        cause = f"an encoder of {conditions.counts_per_rev} counts a turn resolves orders to {band.highest}"
        advice = f"Use one of {bins_needed(needs)} counts or more."
    elif end == SAMPLING:
        cause = (
            f"{number(conditions.rate_hz)} Hz at {number(speed_rpm, 3)} rpm resolve orders to {band.highest}"
        )
        slower, faster = speed_needed_rpm(needs, conditions.rate_hz), rate_needed_hz(needs, speed_rpm)
        advice = f"Turn at {rounded_down(slower)} rpm or less, or sample at {ceil(faster)} Hz or more."
    else:
        cause = f"{BINS} angle bins a turn resolve orders to {highest_order(BINS)}"
        advice = "No setting shows them."
    verb = "is" if len(lost) == 1 else "are"
    draft.note(f"{orders_text(lost).capitalize()} {verb} not in the value: {cause}. {advice}", NOT_JUDGED)


def note_hole(draft: Draft, legs: Sequence[LegSums], sense: int) -> None:
    """A mean over a turn of which a part was never seen."""
    if draft.value is None:
        return
    width, start = max((largest_hole(leg, sense) for leg in legs), default=(0.0, 0.0))
    if width > HOLE_DEG_MAX:
        draft.note(
            f"No samples over {fixed(width, 0)} degrees from {fixed(start, 0)}°: the mean over a turn lacks them.",
            NOT_JUDGED,
        )


def note_shift(draft: Draft, shift: Shift | None) -> None:
    """A torque that shifted within a pass by more than twice the ±, which knows nothing of it."""
    if draft.value is None or shift is None:
        return
    wide = coverage_factor(draft.nu) * draft.u if draft.u is not None and draft.nu is not None else 0.0
    if shift.size_nm > SHIFT_TIMES * wide:
        draft.note(
            f"Torque shifts by {quantity(shift.size_nm, 'N·m', digits=2)} at {fixed(shift.angle_deg, 0)}° of one turn and not of the "
            "others: a contact, the zero or the load moved during a pass.",
            NOT_JUDGED,
        )


def inseparable(error: InseparableError, legs: Sequence[LegSums], sense: int) -> str:
    """Why a fit has no solution, and which angles it lacks."""
    width, start = max(largest_hole(leg, sense) for leg in legs)
    hole = f"no samples over {fixed(width, 1)} degrees from {fixed(start, 1)}°"
    if width < UNSEEN_DEG_MIN:
        hole = "the samples of a pass lie too unevenly over the turn"
    if not isinstance(error, OrdersInseparableError):
        return NO_LEVELS
    names = [str(order) for order in error.orders[:ORDERS_NAMED].tolist()]
    more = len(error.orders) - len(names)
    named = ", ".join(names) + (f" and {more} more" if more > 0 else "")
    return f"Orders {named} cannot be separated: {hole}. Cover the whole turn in a pass."
