"""What a course asks of people: a change, a slope beyond a limit of its own, a limit that may be reached soon; each as a note, today or act now."""

from collections.abc import Iterator

from nightturn.estimation.figures import FIGURES, unit_of
from nightturn.model.quantities import interval, quantity
from nightturn.model.trends import ACT_NOW, NOTE, TODAY, Because, Changed, Fitted, Notice, Rate, Urgency
from nightturn.settings.rig import SlopeLimit, Trend
from nightturn.trend.slope import Axis

CHANGE, SLOPE, LIMIT = "change", "slope", "limit"
TURNING = {1: "turning positive", -1: "turning negative"}


def named(figure: str, direction: int) -> str:
    """`friction, turning positive,`."""
    return f"{FIGURES[figure].followed}, {TURNING[direction]},"


def change_notice(
    figure: str, direction: int, changed: Changed, because: Because | None, ts: int, trend: Trend
) -> Notice:
    """What a change that people were told of at `ts` asks of them, and what it is consistent with."""
    urgency = ACT_NOW if trend.on_change == "stop" else trend.on_change
    said = f"{named(figure, direction)} {changed.said}"
    return Notice(
        figure, direction, CHANGE, urgency, ts, said, " ".join(because.said) if because is not None else ""
    )


def course_notices(figure: str, direction: int, fitted: Fitted, ts: int, trend: Trend) -> Iterator[Notice]:
    """What slope and limits of a course ask of people, as known at `ts`: one of each at most."""
    for condition, found in (
        (SLOPE, _steep(fitted, trend.slope.get(figure), unit_of(figure))),
        (LIMIT, _near(fitted, trend)),
    ):
        if found is not None:
            urgency, said = found
            yield Notice(figure, direction, condition, urgency, ts, f"{named(figure, direction)} {said}")


def _steep(fitted: Fitted, limit: SlopeLimit | None, unit: str) -> tuple[Urgency, str] | None:
    """A slope that is steeper than its limit by all that its 95 % interval leaves open."""
    if limit is None:
        return None
    asked = ((Axis.STROKES, limit.per_1000_strokes, "1000 strokes"), (Axis.HOURS, limit.per_hour, "hour"))
    for axis, most, per in asked:
        rate = fitted.rate(axis)
        if most is None or rate is None or (abs(rate.slope) - rate.half) * axis.per <= most:
            continue
        goes = interval(rate.slope * axis.per, rate.half * axis.per, unit, beside=rate.half * axis.per)
        return limit.say, f"changes by {goes} per {per}, more than {quantity(most, unit)}"
    return None


def _near(fitted: Fitted, trend: Trend) -> tuple[Urgency, str] | None:
    """A slope that leads to a limit whose one-sided 95 % bound lies within the hours that were asked for, and within what may be said at all."""
    rate = fitted.rate(Axis.HOURS)
    if rate is None or not rate.towards or rate.not_before is None or rate.capped:
        return None
    return next(((urgency, rate.said) for urgency, hours in within(trend) if _sooner(rate, hours)), None)


def within(trend: Trend) -> tuple[tuple[Urgency, float | None], ...]:
    """Within how many hours a limit is said, the most urgent first; None where it is not."""
    return (
        (ACT_NOW, trend.limit_act_now_h),
        (TODAY, trend.limit_today_h),
        (NOTE, trend.limit_within_h),
    )


def _sooner(rate: Rate, hours: float | None) -> bool:
    return hours is not None and rate.not_before is not None and rate.not_before < hours
