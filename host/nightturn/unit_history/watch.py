"""What is watched of one unit in a night, and how many false alarms that may raise."""

from collections.abc import Sequence

import numpy as np

from nightturn.trend.course import Course
from nightturn.trend.cusum import WATCHED_FROM
from nightturn.trend.run_length import Budget


def budget_of(courses: Sequence[Course], false_alarms_per_night: float) -> Budget:
    """What is watched of one unit in a night, from the nights there were.

    Raises:
        ConfigError: no threshold keeps that rate (when its threshold is asked for).
    """
    nights = [np.unique(each.series.night, return_counts=True)[1] for each in courses]
    values = max((int(np.median(counts)) for counts in nights if counts.size), default=1)
    return Budget(1, max(len(courses), 1), values, false_alarms_per_night, WATCHED_FROM)
