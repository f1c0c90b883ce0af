"""A value against its limit, so that noise near the limit neither raises an alarm nor lets one come and go.

What keeps noise from raising is that several values in a row, for some time, have to be beyond the limit itself; the deadband only
holds an alarm that is there, and is four standard deviations of the noise as it was measured. A deadband that also held a
value which has not raised yet would raise more often, not less (measured: `tests/alarms/test_level.py`).
"""

import math
from collections.abc import Sequence
from itertools import pairwise
from statistics import median

import msgspec

from nightturn.model.clocks import NS_PER_S

KEPT = 50
"""Values that the noise is measured on."""
KNOWN = 8
"""Differences of values from which on it is known."""
SIGMAS, LEAST_REL = 4.0, 0.02
ROBUST = 0.6745 * math.sqrt(2.0)
"""Median of the absolute difference of two values with normal noise, in its standard deviations (0.6745: upper quartile of the normal)."""


class Level(msgspec.Struct):
    """Whether a value is beyond its upper limit; for a lower one both come with the other sign.

    Attributes:
        there: whether it is. values: the newest. run: how many in a row say otherwise than `there`; run_ts: since when.
        count, on_s, off_s: how many in a row, and for how long, change that.
    """

    count: int = 5
    on_s: float = 5.0
    off_s: float = 15.0
    there: bool = False
    values: list[float] = []
    run: int = 0
    run_ts: int = 0

    def add(self, ts: int, value: float, limit: float) -> bool:
        """Take the next value; whether `there` has changed by it. A value that is not finite says nothing."""
        if not math.isfinite(value):
            return False
        self.values = [*self.values, value][-KEPT:]
        other = value <= limit - deadband(self.values, limit) if self.there else value > limit
        if not other:
            self.run = 0
            return False
        if self.run == 0:
            self.run_ts = ts
        self.run += 1
        delay_s = self.off_s if self.there else self.on_s
        if self.run < self.count or ts - self.run_ts < delay_s * NS_PER_S:
            return False
        self.there, self.run = not self.there, 0
        return True


def noise(values: Sequence[float]) -> float | None:
    """Standard deviation of the noise of values, of the differences from one to the next, so that a slope or a step is none.

    None where there are too few of them.
    """
    steps = [abs(after - before) for before, after in pairwise(values)]
    return median(steps) / ROBUST if len(steps) >= KNOWN else None


def deadband(values: Sequence[float], limit: float) -> float:
    """How far below its limit a value has returned."""
    measured = noise(values) or 0.0
    return max(SIGMAS * measured, LEAST_REL * abs(limit))
