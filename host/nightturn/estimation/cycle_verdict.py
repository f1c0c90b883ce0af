"""The verdict: a limit is met or missed only when the whole 95 % interval says so.

Acceptance with a guard band after JCGM 106:2012; the guard of each limit is the operator's decision and is zero by
default, because the interval already stands between the figure and the limit.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from nightturn.estimation.conditions import AcceptLimit
from nightturn.estimation.figures import unit_of
from nightturn.estimation.quantiles import coverage_factor, t_probability
from nightturn.model.figures import OK, Figure
from nightturn.model.limits import AT_LIMIT, at_limit, exceeds
from nightturn.model.phases import SPEED_TOLERANCE
from nightturn.model.quantities import fixed, interval, number, quantity
from nightturn.model.verdicts import (
    DECISION_RULE,
    MAX,
    MET,
    MISSED,
    NOT_JUDGED,
    OF_ALL_LIMITS,
    against,
    ends_of,
    gravest,
)

TORQUE_TOLERANCE = 0.10
"""A condition on torque holds within 10 % of it."""
SENSE = {1: "positive", -1: "negative"}
TEMPERATURE_ROLES = ("housing", "bearing", "winding", "ambient", "bridge")
"""Whose mean temperature a condition is held against: the first that was measured."""


@dataclass(frozen=True, slots=True)
class Seen:
    """Under what conditions the figures were measured.

    Attributes:
        speeds_rpm, turning: measured speed, and declared sense of the pass as a sign, by figure.
        torque_nm: the torque held, with its sign; None while it is not known.
        temperatures_degc: means by role.
    """

    speeds_rpm: Mapping[str, float]
    turning: Mapping[str, int]
    torque_nm: float | None
    temperatures_degc: Mapping[str, float]


def probability_within(value: float, u: float, nu: float, limit: AcceptLimit) -> float:
    """Probability that the quantity keeps the limit, by Student's t with `nu` degrees of freedom.

    Of a magnitude both tails count. JCGM 106:2012, 7.3 and 7.5, with the t distribution of JCGM 100:2008, G.3 in place of
    the normal one: with three degrees of freedom the normal one promises .994 where .956 is true.
    """
    if u <= 0:
        return 1.0 if against(*interval_of(value, 0.0, limit), limit.limit, 0.0, limit.bound) == MET else 0.0
    below = t_probability((limit.limit - value) / u, nu)
    if not limit.signed:
        below -= t_probability((-limit.limit - value) / u, nu)
    return below if limit.bound == MAX else 1.0 - below


def interval_of(value: float, wide: float, limit: AcceptLimit) -> tuple[float, float]:
    """`ends_of` of what the limit bounds."""
    return ends_of(value, wide, signed=limit.signed)


def judge(
    figures: Sequence[Figure],
    accept: Sequence[AcceptLimit],
    seen: Seen,
) -> tuple[str, tuple[str, ...], tuple[str, ...]]:
    """Hold the figures against the acceptance limits.

    Returns the verdict (`reject` if any limit is missed, `accept` if all are met, else `undecided` or `not judged`), a
    sentence for each limit and one on the decision rule, and the word of `model.verdicts` on each limit.
    """
    by_name = {figure.name: figure for figure in figures}
    if not accept:
        return NOT_JUDGED, ("the variant sets no acceptance limit",), ()
    words, reasons = [], []
    for limit in accept:
        broken = _broken_condition(limit, seen)
        if broken:
            word, reason = NOT_JUDGED, broken
        else:
            word, reason = judge_one(by_name.get(limit.figure), limit)
        words.append(word)
        reasons.append(f"{limit.figure}: {reason}")
    return OF_ALL_LIMITS[gravest(words)], (*reasons, f"decision rule: {DECISION_RULE}"), tuple(words)


def judge_one(figure: Figure | None, limit: AcceptLimit) -> tuple[str, str]:
    """The word of `model.verdicts` on one figure and one limit, and one sentence why."""
    if figure is None or figure.value is None or figure.status != OK:
        why = "; ".join(figure.reasons) if figure is not None and figure.reasons else "no value"
        return NOT_JUDGED, f"not judged: {why}"
    if figure.u is None or figure.nu is None:
        return NOT_JUDGED, "not judged: the figure has no uncertainty"
    wide = coverage_factor(figure.nu) * figure.u
    low, high = interval_of(figure.value, wide, limit)
    unit = unit_of(limit.figure)
    text = f"{interval(figure.value, wide, unit, beside=limit.limit)} ({figure.kind}), {bound_text(limit)}"
    if on_the_line(low, high, limit):
        text += f", an end of the interval {AT_LIMIT}"
    word = against(low, high, limit.limit, limit.guard, limit.bound)
    if word in {MET, MISSED}:
        return word, f"{word}: {text}"
    inside = probability_within(figure.value, figure.u, figure.nu, limit)
    return (
        word,
        f"between acceptance line and limit, the result proves neither: {text}, P(within) {fixed(inside, 3)}",
    )


def bound_text(limit: AcceptLimit) -> str:
    """`limit 150 mN·m, guard band 5 mN·m`; a lower one says so."""
    unit = unit_of(limit.figure)
    text = f"{'limit' if limit.bound == MAX else 'lower limit'} {quantity(limit.limit, unit)}"
    if limit.signed:
        text += ", with its sign"
    if limit.guard:
        text += f", guard band {quantity(limit.guard, unit)}"
    return text


def on_the_line(low: float, high: float, limit: AcceptLimit) -> bool:
    """Whether an end of the interval is so near the line it is held against that the last digits could decide."""
    # The guard moves the line up to which is accepted. Rejection stays at the limit itself: a guard protects from accepting
    # what is not good, and from nothing else.
    if limit.bound == MAX:
        return at_limit(high, limit.limit - limit.guard) or at_limit(low, limit.limit)
    return at_limit(low, limit.limit + limit.guard) or at_limit(high, limit.limit)


def near(value: float | None, wanted: float, tolerance: float) -> bool:
    """Whether a condition of a limit holds: within this share of what is wanted, sign included, and known at all."""
    return value is not None and not exceeds(abs(value - wanted), tolerance * abs(wanted))


def _broken_condition(limit: AcceptLimit, seen: Seen) -> str:
    """What condition of the limit does not hold, as a sentence; empty when all hold."""
    turned = seen.turning.get(limit.figure)
    if limit.turning and turned != limit.turning:
        which = "no pass was seen" if turned is None else f"the pass turned in the {SENSE[turned]} one"
        return f"not judged: the limit applies to the {SENSE[limit.turning]} sense, {which}"
    if limit.at_rpm is not None:
        speed = seen.speeds_rpm.get(limit.figure)
        if not near(speed, limit.at_rpm, SPEED_TOLERANCE):
            was = "not known" if speed is None else quantity(speed, "rpm", digits=3)
            return f"not judged: the limit applies at {quantity(limit.at_rpm, 'rpm')}, the speed was {was}"
    if limit.at_torque_nm is not None and not near(seen.torque_nm, limit.at_torque_nm, TORQUE_TOLERANCE):
        was = "not known" if seen.torque_nm is None else quantity(seen.torque_nm, "N·m", digits=3)
        return f"not judged: the limit applies at {quantity(limit.at_torque_nm, 'N·m')}, the torque was {was}"
    return "" if limit.temp_degc is None else _other_temperature(*limit.temp_degc, seen.temperatures_degc)


def _other_temperature(low: float, high: float, measured: Mapping[str, float]) -> str:
    """Why the temperature is none that the limit is for; empty when it is."""
    bounds = f"from {number(low)} to {number(high)} °C"
    role = next((r for r in TEMPERATURE_ROLES if r in measured), None)
    if role is None:
        return f"not judged: the limit applies {bounds}, no temperature was measured"
    degc = measured[role]
    if exceeds(low, degc) or exceeds(degc, high):
        return f"not judged: the limit applies {bounds}, the {role} was at {fixed(degc, 1)} °C"
    return ""
