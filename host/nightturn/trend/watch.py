"""When a watch that sees one cycle after the other would have told of a change, at a stated rate of false alarms."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from nightturn.estimation.turns import Bools
from nightturn.model.tiles import Float64s
from nightturn.trend.course import Course, judged_of
from nightturn.trend.cusum import Cause, Chart, Design, Reading
from nightturn.trend.learning import Variant, unknown_variant
from nightturn.trend.series import Series
from nightturn.trend.settled import breaks_of, thinned

MOUNTINGS_VALUES = 60
"""Values of earlier mountings on the same rig that are enough to know how a figure scatters: older ones are not asked."""

AHEAD = 128
"""Values whose scores are worked out at once."""


@dataclass(frozen=True, slots=True)
class Watched:
    """What the watch has to say of a series.

    Attributes:
        ts: when the cycle began with which it told of a change, ns since 1970 UTC; None where it did not.
        why_not: why it would not have told of one at the end, in words; empty where it would.
        ewma: exponentially weighted mean behind each cycle, for a picture; not judged.
    """

    ts: int | None
    why_not: str
    ewma: tuple[float, ...]


def watched(course: Course, threshold: float, before: Chart | None = None) -> Watched:
    """The series cycle by cycle, behind its last known step, without what temperature explains; `before` as `known_before` gives it."""
    return charted(course, threshold, before)[0]


def charted(course: Course, threshold: float, before: Chart | None = None) -> tuple[Watched, Chart]:
    """The same, and the watch as it stands behind the last cycle; `before` is used up."""
    return _charted(before or Chart(Design(threshold)), course.series, course.values)


def known_before(
    series: Series, mountings: Sequence[int], threshold: float, variant: Variant = unknown_variant
) -> Chart | None:
    """The watch as it begins behind a remount: how the figure scatters is known from earlier mountings on the same rig, its level is not.

    Args:
        series: with all its stretches.
        mountings: those stretches, oldest first, between which nothing but the mounting was another.
        threshold: as `watched`.
        variant: what a kelvin does to other units, for mountings without a baseline of their own.
    """
    parts = mountings_asked(series, mountings)
    if not parts:
        return None
    chart = Chart(Design(threshold))
    for part in parts:
        _charted(chart, *judged_of(part, variant))
        chart.restart(Cause.REMOUNT)
    return chart


def mountings_asked(series: Series, mountings: Sequence[int]) -> list[Series]:
    """The newest of some stretches that have `MOUNTINGS_VALUES` values together, or all of them, oldest first; without those that have none."""
    parts, count = list[Series](), 0
    for stretch in reversed(mountings):
        part = thinned(series.part(series.stretch == stretch))
        if len(part.value):
            parts, count = [part, *parts], count + len(part.value)
        if count >= MOUNTINGS_VALUES:
            break
    return parts


def _charted(chart: Chart, series: Series, values: Float64s) -> tuple[Watched, Chart]:
    gaps = np.zeros(len(values), np.bool_)
    gaps[breaks_of(series)] = True
    means, seen = list[float](), None
    for place, reading in enumerate(_readings(chart, values, gaps)):
        means.append(reading.ewma)
        if reading.alarm is not None and seen is None:
            seen = int(series.ts[place])
    return Watched(seen, chart.why_not, tuple(means)), chart


def _readings(chart: Chart, values: Float64s, gaps: Bools) -> Iterator[Reading]:
    """The values one after the other; scores are worked out for many at once, and again from where one was odd or a level began anew."""
    scores = np.empty(0)
    for place, value in enumerate(values.tolist()):
        if not len(scores):
            scores = chart.series.ahead(values[place : place + AHEAD], gaps[place : place + AHEAD])
        if gaps[place]:
            chart.missed()
        known = bool(np.isfinite(scores[0]))
        before = chart.series.count
        reading = chart.take(value, float(scores[0])) if known else chart.add(value)
        usual = known and chart.series.count == before + 1
        scores = scores[1:] if usual else np.empty(0)
        yield reading
