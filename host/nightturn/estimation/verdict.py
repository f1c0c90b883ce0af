"""The verdict: a limit is met or missed only when the whole 95 % interval says so.

Acceptance with a guard band after JCGM 106:2012; the guard of each limit is the operator's decision and is zero by
default, because the interval already stands between the figure and the limit.
"""

import math
from collections.abc import Mapping, Sequence

from nightturn.estimation.conditions import AcceptLimit
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.figures import ACCEPT, NOT_JUDGED, OK, REJECT, UNDECIDED, Figure
from nightturn.model.limits import AT_LIMIT, at_limit, exceeds
from nightturn.model.phases import SPEED_TOLERANCE

"""A condition on speed holds within 5 % of it, as the scan's own gate."""
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
) -> tuple[str, tuple[str, ...]]:
    """Hold the figures against the acceptance limits.

    `speeds_rpm` gives the measured speed by figure name and `torque_nm` the torque held. Returns the verdict
    (`reject` if any limit is missed, `accept` if all are met, else `undecided` or `not judged`) and a sentence for
    each limit.
    """
    by_name = {figure.name: figure for figure in figures}
    verdicts, reasons = [], []
    for limit in accept:
        broken = _broken_condition(limit, speeds_rpm, torque_nm, temperatures_degc)
        if broken:
            verdict, reason = NOT_JUDGED, broken
        else:
            verdict, reason = judge_one(by_name.get(limit.figure), limit)
        verdicts.append(verdict)
        reasons.append(f"{limit.figure}: {reason}")
    if not verdicts:
        return NOT_JUDGED, ("the variant sets no acceptance limit",)
    for verdict in (REJECT, NOT_JUDGED, UNDECIDED):
        if verdict in verdicts:
            return verdict, tuple(reasons)
    return ACCEPT, tuple(reasons)


def judge_one(figure: Figure | None, limit: AcceptLimit) -> tuple[str, str]:
    """The verdict on one figure and one sentence why."""
    if figure is None or figure.value is None or figure.status != OK:
        why = "; ".join(figure.reasons) if figure is not None and figure.reasons else "no value"
        return NOT_JUDGED, f"not judged: {why}"
    if figure.u is None or figure.nu is None:
        return NOT_JUDGED, "not judged: the figure has no uncertainty"
    wide = coverage_factor(figure.nu) * figure.u
    line = limit.max - limit.guard
    text = f"{figure.value:.4g} ± {wide:.2g} against {limit.max:g}"
    if limit.guard:
        text += f" with a guard band of {limit.guard:g}"
    low, high = figure.value - wide, figure.value + wide
    if at_limit(high, line) or at_limit(low, limit.max):
        text += f", an end of the interval {AT_LIMIT}"
    if not exceeds(high, line):
        return ACCEPT, f"met: {text}"
    if not exceeds(limit.max, low):
        return REJECT, f"missed: {text}"
    inside = probability_within(figure.value, figure.u, limit.max)
    return (
        UNDECIDED,
        f"between acceptance line and limit, the result proves neither: {text}, P(within) {inside:.3f}",
    )


def _broken_condition(
    limit: AcceptLimit,
    speeds_rpm: Mapping[str, float],
    torque_nm: float | None,
    temperatures_degc: Mapping[str, float],
) -> str:
    """What condition of the limit does not hold, as a sentence; empty when all hold."""
    if limit.at_rpm is not None:
        speed = speeds_rpm.get(limit.figure)
        if speed is None or exceeds(abs(speed - limit.at_rpm), SPEED_TOLERANCE * limit.at_rpm):
            seen = "not known" if speed is None else f"{speed:.3g} rpm"
            return f"not judged: the limit holds at {limit.at_rpm:g} rpm, the speed was {seen}"
    if limit.at_torque_nm is not None and (
        torque_nm is None
        or exceeds(abs(abs(torque_nm) - limit.at_torque_nm), TORQUE_TOLERANCE * limit.at_torque_nm)
    ):
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
