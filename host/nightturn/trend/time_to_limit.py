"""How many strokes or hours a figure has until it reaches its limit, if it goes on as it went: a lower bound first.

The crossing of a line with a limit is a ratio of two correlated estimates, whose bounds follow from the points in which the line's own
95 % bound meets the limit (E. C. Fieller, Journal of the Royal Statistical Society B 16(2), 1954, 175-185; from memory). One-sided:
with 95 % the limit is not reached before. Nothing is said beyond three times the span that was seen, whatever the line would allow.
"""

from enum import StrEnum

import msgspec
import numpy as np

from nightturn.estimation.quantiles import CONFIDENCE, coverage_factor, t_quantile
from nightturn.model.quantities import interval, number, quantity, rounded_down
from nightturn.model.verdicts import MAX
from nightturn.trend.block_means import UnusableSeriesError
from nightturn.trend.slope import Axis, NoSlope, Slope, Unknown
from nightturn.trend.temperature import NoModelWhy, NoTemperatureModel, Paused

HORIZON_SPANS = 3.0
"""Spans that were seen, counted from the last value, beyond which nothing is said."""


class Outcome(StrEnum):
    """What a trend says of a limit."""

    REACHED = "reached"
    TOWARDS = "towards"
    NO_TREND = "no_trend"
    AWAY = "away"


class TimeToLimit(msgspec.Struct, frozen=True, tag="time_to_limit"):
    """What is left until a limit, in strokes or hours from the last value; numbers, sentences in `words`.

    Attributes:
        outcome: the level is at or beyond the limit; the slope leads to it, is none within its interval, or leads away.
        limit, bound: and whether it is a `max` or a `min`.
        not_before: one-sided 95 % lower bound, at most the horizon; 0 where the level itself may be at the limit.
        capped: whether the bound is the horizon, because the line alone would allow more.
        likely: where the line crosses; None beyond the horizon, or where it does not.
        not_after: one-sided 95 % upper bound; None where it lies beyond the horizon or there is none.
        horizon: `HORIZON_SPANS` spans.
        seen: strokes or hours that the line rests on.
        level, level_half: at the last value, ± 95 %; slope, slope_half: per stroke or hour.
    """

    outcome: Outcome
    axis: Axis
    limit: float
    bound: str
    not_before: float
    capped: bool
    likely: float | None
    not_after: float | None
    horizon: float
    seen: float
    level: float
    level_half: float
    slope: float
    slope_half: float


def time_to_limit(trend: Slope, limit: float, bound: str = MAX) -> TimeToLimit:
    """What is left until the line reaches the limit; `bound` is `model.verdicts.MAX` or `MIN`.

    Raises:
        UnusableSeriesError: a limit that is no number.
    """
    if not np.isfinite(limit):
        raise UnusableSeriesError(f"a limit of {limit}: a limit is a number")
    # A lower limit is an upper one of the negative figure.
    sign = 1.0 if bound == MAX else -1.0
    room, rise = sign * (limit - trend.level), sign * trend.slope
    horizon = HORIZON_SPANS * trend.span
    first, last = fieller(room, rise, trend)
    half = trend.half_width
    if room <= 0:
        outcome, first, last = Outcome.REACHED, 0.0, None
    elif abs(rise) <= half:
        outcome = Outcome.NO_TREND
    else:
        outcome = Outcome.TOWARDS if rise > 0 else Outcome.AWAY
    likely = room / rise if outcome is Outcome.TOWARDS else None
    return TimeToLimit(
        outcome=outcome,
        axis=trend.axis,
        limit=limit,
        bound=bound,
        not_before=horizon if first is None else min(first, horizon),
        capped=first is None or first > horizon,
        likely=likely if likely is not None and likely <= horizon else None,
        not_after=last if outcome is Outcome.TOWARDS and last is not None and last <= horizon else None,
        horizon=horizon,
        seen=trend.span,
        level=trend.level,
        level_half=coverage_factor(trend.nu) * trend.level_u,
        slope=trend.slope,
        slope_half=half,
    )


def fieller(
    room: float, rise: float, trend: Slope, confidence: float = CONFIDENCE
) -> tuple[float | None, float | None]:
    """Where the upper and the lower one-sided bound of a rising line meet what is `room` above its last level.

    The first is 0 where the level itself may be there, and None where the bound never meets it; the second None where it never does.
    """
    t = t_quantile(confidence, trend.nu)
    square = rise**2 - (t * trend.slope_u) ** 2
    # Level and slope change their sign together, so that their covariance keeps its own.
    linear = -2 * (room * rise + t**2 * trend.covariance)
    fixed = room**2 - (t * trend.level_u) ** 2
    if room <= t * trend.level_u:
        return 0.0, _roots(square, linear, fixed)[-1] if square > 0 and rise > 0 else None
    crossings = [root for root in _roots(square, linear, fixed) if root > 0]
    if not crossings:
        return None, None
    return min(crossings), max(crossings) if square > 0 and rise > 0 else None


def _roots(square: float, linear: float, fixed: float) -> list[float]:
    """Real roots of a parabola in order, without the loss of digits of the textbook formula; of a line where it is none."""
    if square == 0:
        return [-fixed / linear] if linear else []
    under = linear**2 - 4 * square * fixed
    if under < 0:
        return []
    half = -(linear + float(np.copysign(np.sqrt(under), linear))) / 2
    return sorted([half / square, fixed / half] if half else [0.0, 0.0])


def words(result: TimeToLimit | Slope | NoSlope | Paused | NoTemperatureModel, unit: str) -> str:
    """The sentence for a result, without a full stop; `unit` is that of the figure."""
    if isinstance(result, TimeToLimit):
        return _limit_words(result, unit)
    if isinstance(result, Slope):
        trend = _goes(result.axis, result.slope, result.half_width, unit)
        return f"{trend}, seen over {_amount(result.span, result.axis)}"
    if isinstance(result, Paused):
        side = "colder" if result.kelvin < 0 else "warmer"
        return f"not judged, {number(abs(result.kelvin), 2)} K {side} than the baseline"
    return _no_slope(result) if isinstance(result, NoSlope) else _no_model(result)


def _limit_words(result: TimeToLimit, unit: str) -> str:
    """The sentence of a limit."""
    limit = quantity(result.limit, unit, beside=result.level)
    if result.outcome is Outcome.REACHED:
        level = interval(result.level, result.level_half, unit, beside=result.limit)
        return f"the level {level} is at or beyond the limit {limit}"
    rate = _rate(result.axis, result.slope, result.slope_half, unit)
    trend = {
        Outcome.NO_TREND: f"no trend ({rate})",
        Outcome.AWAY: f"changes by {rate}, away from the limit",
        Outcome.TOWARDS: f"changes by {rate}, towards the limit",
    }[result.outcome]
    if result.not_before <= 0:
        return f"{trend}; the limit {limit} may be reached already"
    if result.capped:
        reach = f"{_amount(result.horizon, result.axis)} more, {number(HORIZON_SPANS, 1)} times what was seen"
        return (
            f"{trend}; with 95 % the limit {limit} is not reached within {reach}, and nothing is said beyond"
        )
    text = f"{trend}; with 95 % the limit {limit} is not reached before {_amount(result.not_before, result.axis)} more"
    return text if result.likely is None else f"{text}, by the line alone after {number(result.likely, 2)}"


def by_the_clock(result: TimeToLimit | Slope, unit: str) -> str:
    """What a line along hours adds to that along strokes; of a limit that is reached, or may be, nothing."""
    if isinstance(result, Slope):
        return f"by the clock: {_goes(result.axis, result.slope, result.half_width, unit)}"
    if result.outcome is Outcome.REACHED or result.not_before <= 0:
        return ""
    limit = quantity(result.limit, unit, beside=result.level)
    most = (
        f"within {_amount(result.horizon, result.axis)}"
        if result.capped
        else f"before {_amount(result.not_before, result.axis)}"
    )
    goes = _goes(result.axis, result.slope, result.slope_half, unit)
    return f"by the clock: {goes}; with 95 % the limit {limit} is not reached {most} more"


def _goes(axis: Axis, slope: float, half: float, unit: str) -> str:
    """How a figure changes, or that it does not beyond its interval."""
    rate = _rate(axis, slope, half, unit)
    return f"changes by {rate}" if abs(slope) > half else f"no trend ({rate})"


def _rate(axis: Axis, slope: float, half: float, unit: str) -> str:
    """`0.42 ± 0.05 mN·m per 1000 strokes`."""
    each = "1000 strokes" if axis is Axis.STROKES else "hour"
    return f"{interval(slope * axis.per, half * axis.per, unit, beside=half * axis.per)} per {each}"


def _amount(value: float, axis: Axis) -> str:
    """`12300 strokes`, `35.5 h`, never more than there is."""
    least = rounded_down(value) if value > 0 else "0"
    return f"{least} strokes" if axis is Axis.STROKES else f"{least} h"


def _no_slope(result: NoSlope) -> str:
    """Why there is no slope."""
    seen, wanted = number(result.seen, 2), number(result.wanted, 2)
    if result.why is Unknown.TOO_FEW:
        return f"no trend judged: {result.points} values, {wanted} are wanted"
    if result.why is Unknown.TOO_SHORT:
        alike = f"{result.points} values are so alike from one to the next that they are worth {seen}"
        return f"no trend judged: {alike}, {wanted} are wanted; see a longer span"
    return f"no trend judged: not separable from what runs alike (condition {seen}, {wanted} at most)"


def _no_model(result: NoTemperatureModel) -> str:
    """Why a baseline says nothing of temperature."""
    seen, wanted = number(result.seen, 2), number(result.wanted, 2)
    if result.why is NoModelWhy.NO_RANGE:
        return f"temperature moved by {seen} K in the baseline, {wanted} K are wanted: warm and cool it on purpose"
    if result.why is NoModelWhy.TOO_SLOW:
        return f"the baseline moves so slowly that it is worth {seen} values, {wanted} are wanted"
    return f"wear is not separable from warm-up (condition {seen}, {wanted} at most): warm and cool the unit on purpose"
