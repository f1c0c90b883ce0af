"""When a watch that sees one cycle after the other would have told of a change, at a stated rate of false alarms."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightturn.trend.cusum import WATCHED_FROM, Chart, Design
from nightturn.trend.run_length import Budget
from nightturn.unit_history.course import Course
from nightturn.unit_history.settled import breaks_of

FALSE_ALARMS_PER_NIGHT = 0.05
"""Over all figures, directions and sides of a unit."""


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


def budget_of(courses: Sequence[Course], false_alarms_per_night: float) -> Budget:
    """What is watched of one unit in a night, from the nights there were.

    Raises:
        ConfigError: no threshold keeps that rate (when its threshold is asked for).
    """
    nights = [np.unique(each.series.night, return_counts=True)[1] for each in courses]
    values = max((int(np.median(counts)) for counts in nights if counts.size), default=1)
    return Budget(1, max(len(courses), 1), values, false_alarms_per_night, WATCHED_FROM)


def watched(course: Course, budget: Budget) -> Watched:
    """The series cycle by cycle, behind its last known step, without what temperature explains."""
    chart = Chart(Design(budget.threshold))
    breaks, means, seen = set(breaks_of(course.series).tolist()), [], None
    for place, value in enumerate(course.values.tolist()):
        if place in breaks:
            chart.missed()
        reading = chart.add(value)
        means.append(reading.ewma)
        if reading.alarm is not None and seen is None:
            seen = int(course.series.ts[place])
    return Watched(seen, chart.why_not, tuple(means))
