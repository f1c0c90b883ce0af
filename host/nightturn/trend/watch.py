"""When a watch that sees one cycle after the other would have told of a change, at a stated rate of false alarms."""

from dataclasses import dataclass

from nightturn.trend.course import Course
from nightturn.trend.cusum import Chart, Design
from nightturn.trend.settled import breaks_of


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


def watched(course: Course, threshold: float) -> Watched:
    """The series cycle by cycle, behind its last known step, without what temperature explains."""
    return charted(course, threshold)[0]


def charted(course: Course, threshold: float) -> tuple[Watched, Chart]:
    """The same, and the watch as it stands behind the last cycle."""
    chart = Chart(Design(threshold))
    breaks, means, seen = set(breaks_of(course.series).tolist()), [], None
    for place, value in enumerate(course.values.tolist()):
        if place in breaks:
            chart.missed()
        reading = chart.add(value)
        means.append(reading.ewma)
        if reading.alarm is not None and seen is None:
            seen = int(course.series.ts[place])
    return Watched(seen, chart.why_not, tuple(means)), chart
