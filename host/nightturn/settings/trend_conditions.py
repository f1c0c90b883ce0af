"""What the shape of `[fixture.trend]` cannot say: figures that there are not, limits that ask for nothing, hours in the wrong order. Pure."""

from collections.abc import Collection, Iterator
from itertools import pairwise

from nightturn.errors import ConfigError
from nightturn.model.quantities import typed
from nightturn.settings.mistakes import Place, did_you_mean, listed, shown
from nightturn.settings.rig import FixtureSettings, Trend

IN_ORDER = ("limit_act_now_h", "limit_today_h", "limit_within_h")
"""The most urgent first, which is said latest."""


def trend_mistakes(
    fixture: FixtureSettings, place: Place, followed: Collection[str] | None, figures: Collection[str] | None
) -> Iterator[ConfigError]:
    """Every contradiction in the table of a fixture; `followed` and `figures` as `validate.rig_mistakes`."""
    yield from _hours_mistakes(fixture.trend, place)
    at, strokes = place.inside("slope"), fixture.plan.exercise.strokes
    for name, limit in fixture.trend.slope.items():
        allowed = figures if followed is None else followed
        if allowed is not None and name not in allowed:
            what = f"unknown figure {shown(name)}{did_you_mean(name, allowed)}"
            if figures is not None and name in figures:
                what = f"the course of {name} is not followed"
            yield at.mistake(name, what, listed(sorted(allowed)))
        if limit.per_1000_strokes is None and limit.per_hour is None:
            yield at.mistake(name, "a slope without a limit asks for nothing", "per_1000_strokes or per_hour")
        if limit.per_1000_strokes is not None and not strokes:
            what = (
                f"{typed(limit.per_1000_strokes)}: the plan has no strokes, so no slope along them is known"
            )
            yield at.inside(name).mistake(
                "per_1000_strokes", what, "per_hour instead, or strokes in the plan"
            )


def _hours_mistakes(trend: Trend, place: Place) -> Iterator[ConfigError]:
    """What is more urgent is said later: sooner hours hide those that come behind them."""
    given = [(name, hours) for name in IN_ORDER if (hours := getattr(trend, name)) is not None]
    for (sooner, hours), (later, more) in pairwise(given):
        if hours >= more:
            what = f"{typed(hours)} is not below {later} = {typed(more)}, which would never be said by itself"
            yield place.mistake(sooner, what, f"a number below {typed(more)}")
