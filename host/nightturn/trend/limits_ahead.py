"""Which limits lie ahead of a figure, and how long it takes to reach them at the pace at which it goes."""

from collections.abc import Mapping

from nightturn.estimation.figures import FRICTION, FRICTION_PCT, RIPPLE_PCT, RIPPLE_PP
from nightturn.model.verdicts import MAX, MIN
from nightturn.settings.rig import Limit
from nightturn.settings.variant import Acceptance, Variant
from nightturn.trend.course import Course
from nightturn.trend.slope import Slope
from nightturn.trend.time_to_limit import TimeToLimit, time_to_limit

OF_RATED = {RIPPLE_PP: RIPPLE_PCT, FRICTION: FRICTION_PCT}
"""The same figure in per cent of the rated torque, whose limits are its own too."""


def limits_ahead(
    course: Course, variant: Variant, protect: Mapping[str, Limit], *, by_hours: bool = False
) -> tuple[TimeToLimit, ...]:
    """What is left until the nearest limit on the figure on either side, of the variant or protective; nothing without a slope.

    A limit on the magnitude is one on the side on which the figure is. Along strokes where the plan has some, unless `by_hours`.
    """
    trend = course.by_hours if by_hours else course.slope
    if not isinstance(trend, Slope):
        return ()
    figure, direction = course.series.figure, course.series.direction
    every = [*_accepted(figure, direction, trend.level, variant), *_protected(figure, protect)]
    nearest = [
        (min, MAX, [limit for limit, bound in every if bound == MAX]),
        (max, MIN, [limit for limit, bound in every if bound == MIN]),
    ]
    return tuple(time_to_limit(trend, choose(limits), bound) for choose, bound, limits in nearest if limits)


def _accepted(figure: str, direction: int, level: float, variant: Variant) -> list[tuple[float, str]]:
    rated_nm, accept = variant.rated_torque_nm, variant.accept
    out: list[tuple[float, str]] = []
    for name, per in ((figure, 1.0), (OF_RATED.get(figure, ""), rated_nm / 100.0)):
        limit = accept.get(name)
        if limit is not None and limit.turning in (0, direction):
            out += [_sided(value * per, bound, level, limit) for bound, value in limit.limits]
    return out


def _sided(limit: float, bound: str, level: float, accept: Acceptance) -> tuple[float, str]:
    """A limit on a magnitude mirrored where the figure is negative."""
    if accept.signed or level >= 0:
        return limit, bound
    return -limit, MIN if bound == MAX else MAX


def _protected(figure: str, protect: Mapping[str, Limit]) -> list[tuple[float, str]]:
    limit = protect.get(figure)
    return [] if limit is None else [(limit.max, MAX)]
