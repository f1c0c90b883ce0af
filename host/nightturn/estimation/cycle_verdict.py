"""The verdict: a limit is met or missed only when the whole 95 % interval says so.

Acceptance with a guard band after JCGM 106:2012; the guard of each limit is the operator's decision and is zero by
default, because the interval already stands between the figure and the limit.
"""

import math
from collections.abc import Mapping, Sequence

from nightturn.estimation.conditions import AcceptLimit
from nightturn.estimation.figures import unit_of
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.figures import OK, Figure
from nightturn.model.limits import AT_LIMIT, at_limit, exceeds
from nightturn.model.phases import SPEED_TOLERANCE
from nightturn.model.quantities import interval, quantity
from nightturn.model.verdicts import MET, MISSED, NOT_JUDGED, OF_ALL_LIMITS, against, gravest

TORQUE_TOLERANCE = 0.10
"""A condition on torque holds within 10 % of it."""
TEMPERATURE_ROLES = ("housing", "bearing", "winding", "ambient", "bridge")
"""Whose mean temperature a condition is held against: the first that was measured."""


def probability_within(value: float, u: float, limit: float) -> float:
    """Probability that the quantity lies below an upper limit, normal distribution (JCGM 106:2012, 7.3)."""
    if u <= 0:
        return 1.0 if value <= limit else 0.0
    return 0.5 * math.erfc((value - limit) / (u * math.sqrt(2)))


def judge(
    figures: Sequence[Figure],
    accept: Sequence[AcceptLimit],
    *,
    speeds_rpm: Mapping[str, float],
    torque_nm: float | None,
    temperatures_degc: Mapping[str, float],
) -> tuple[str, tuple[str, ...], tuple[str, ...]]:
    """Hold the figures against the acceptance limits.

    `speeds_rpm` gives the measured speed by figure name and `torque_nm` the torque held. Returns the verdict
    (`reject` if any limit is missed, `accept` if all are met, else `undecided` or `not judged`), a sentence for each limit
    and the word of `model.verdicts` on each.
    """
    by_name = {figure.name: figure for figure in figures}
    if not accept:
        return NOT_JUDGED, ("the variant sets no acceptance limit",), ()
    words, reasons = [], []
    for limit in accept:
        broken = _broken_condition(limit, speeds_rpm, torque_nm, temperatures_degc)
        if broken:
            word, reason = NOT_JUDGED, broken
        else:
            word, reason = judge_one(by_name.get(limit.figure), limit)
        words.append(word)
        reasons.append(f"{limit.figure}: {reason}")
    return OF_ALL_LIMITS[gravest(words)], tuple(reasons), tuple(words)


def judge_one(figure: Figure | None, limit: AcceptLimit) -> tuple[str, str]:
    """The word of `model.verdicts` on one figure and one limit, and one sentence why."""
    if figure is None or figure.value is None or figure.status != OK:
        why = "; ".join(figure.reasons) if figure is not None and figure.reasons else "no value"
        return NOT_JUDGED, f"not judged: {why}"
    if figure.u is None or figure.nu is None:
        return NOT_JUDGED, "not judged: the figure has no uncertainty"
    wide = coverage_factor(figure.nu) * figure.u
    # The guard moves the line up to which is accepted. Rejection stays at the limit itself: a guard protects from accepting
    # what is not good, and from nothing else.
    line = limit.max - limit.guard
    unit = unit_of(limit.figure)
    text = f"{interval(figure.value, wide, unit, beside=limit.max)}, limit {quantity(limit.max, unit)}"
    if limit.guard:
        text += f", guard band {quantity(limit.guard, unit)}"
    low, high = figure.value - wide, figure.value + wide
    if at_limit(high, line) or at_limit(low, limit.max):
        text += f", an end of the interval {AT_LIMIT}"
    word = against(low, high, limit.max, limit.guard)
    if word in {MET, MISSED}:
        return word, f"{word}: {text}"
    inside = probability_within(figure.value, figure.u, limit.max)
    return (
        word,
        f"between acceptance line and limit, the result proves neither: {text}, P(within) {inside:.3f}",
    )


def near(value: float | None, wanted: float, tolerance: float) -> bool:
    """Whether a condition of a limit holds: within this share of what is wanted, and known at all."""
    return value is not None and not exceeds(abs(value - wanted), tolerance * wanted)


def _broken_condition(
    limit: AcceptLimit,
    speeds_rpm: Mapping[str, float],
    torque_nm: float | None,
    temperatures_degc: Mapping[str, float],
) -> str:
    """What condition of the limit does not hold, as a sentence; empty when all hold."""
    if limit.at_rpm is not None:
        speed = speeds_rpm.get(limit.figure)
        if not near(speed, limit.at_rpm, SPEED_TOLERANCE):
            seen = "not known" if speed is None else f"{speed:.3g} rpm"
            return f"not judged: the limit holds at {limit.at_rpm:g} rpm, the speed was {seen}"
    size_nm = None if torque_nm is None else abs(torque_nm)
    if limit.at_torque_nm is not None and not near(size_nm, limit.at_torque_nm, TORQUE_TOLERANCE):
        seen = "not known" if torque_nm is None else f"{torque_nm:.3g} N·m"
        return f"not judged: the limit holds at {limit.at_torque_nm:g} N·m, the torque was {seen}"
    if limit.temp_degc is not None:
        low, high = limit.temp_degc
        role = next((r for r in TEMPERATURE_ROLES if r in temperatures_degc), None)
        if role is None:
            return f"not judged: the limit holds from {low:g} to {high:g} °C, no temperature was measured"
        degc = temperatures_degc[role]
        if exceeds(low, degc) or exceeds(degc, high):
            return f"not judged: the limit holds from {low:g} to {high:g} °C, the {role} was at {degc:.1f} °C"
    return ""
