"""Edges of logic levels and zeros of a sine, from pieces of samples: index pulses, and the steps of two tracks A and B."""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from nightturn.errors import TableError

Float64s = npt.NDArray[np.float64]
Int64s = npt.NDArray[np.int64]
BAND = 0.15
"""Of the span, on either side of its middle: what a level has to pass before it counts as the other one."""
ORDER = np.array([0, 3, 1, 2])
"""The place of each pair of levels (2·A + B) in the sequence of a shaft that turns forward: A comes before B."""
MARKS_MAX = 500_000
"""Pulses of one capture; that many turns nobody records."""
TAIL_MAX = 100_000
"""Samples of a rise that is slower than a piece of the file."""
LOW, HIGH, NEITHER = 0, 1, -1


def logic(values: Float64s, low: float, high: float, before: int) -> Int64s:
    """Levels 0 and 1 of samples (n,), each kept until the other one is reached; `before` is that of the sample before."""
    middle, band = (low + high) / 2, BAND * (high - low)
    seen = np.full(len(values) + 1, NEITHER, np.int64)
    seen[0] = before
    seen[1:][values > middle + band] = HIGH
    seen[1:][values < middle - band] = LOW
    places = np.maximum.accumulate(np.where(seen != NEITHER, np.arange(len(seen)), 0))
    return np.asarray(seen[places][1:], np.int64)


@dataclass(slots=True)
class Edges:
    """Times at which a signal rises through its middle."""

    low: float
    high: float
    at_s: list[float] = field(default_factory=list)
    _level: int = NEITHER
    _tail: tuple[Float64s, Float64s] = (np.zeros(0), np.zeros(0))

    def take(self, time_s: Float64s, values: Float64s) -> None:
        """A further piece (n,).

        Raises:
            TableError: too many rise.
        """
        level = logic(values, self.low, self.high, self._level)
        before = np.concatenate(([self._level], level[:-1]))
        middle = (self.low + self.high) / 2
        earlier = len(self._tail[0])
        time, value = np.concatenate((self._tail[0], time_s)), np.concatenate((self._tail[1], values))
        rises = np.flatnonzero((before == LOW) & (level == HIGH))
        if len(rises) + len(self.at_s) > MARKS_MAX:
            raise TableError(f"more than {MARKS_MAX} index pulses or periods; give another column")
        for at in rises.tolist():
            self.at_s.append(self._crossing(time, value, at + earlier, middle))
        self._level = int(level[-1])
        # What may still belong to a rise: from the last sample below the middle on.
        below = np.flatnonzero(value[:-1] <= middle)
        start = max(int(below[-1]) if len(below) else len(value) - 1, len(value) - TAIL_MAX)
        self._tail = time[start:], value[start:]

    def taken(self) -> list[float]:
        """The times so far; the last one stays, as the first of what follows."""
        found, self.at_s = self.at_s, self.at_s[-1:]
        return found

    @staticmethod
    def _crossing(time: Float64s, value: Float64s, at: int, middle: float) -> float:
        """Where the line between two samples passes the middle, at or before sample `at`."""
        while at > 1 and value[at - 1] > middle:
            at -= 1
        if at == 0:
            return float(time[0])
        rise = float(value[at] - value[at - 1])
        share = (middle - float(value[at - 1])) / rise if rise > 0 else 1.0
        return float(time[at - 1] + min(max(share, 0.0), 1.0) * (time[at] - time[at - 1]))


@dataclass(slots=True)
class Quadrature:
    """Counts of two tracks, four in a period; `skipped` are steps of both at once, of which nothing says the direction."""

    a: tuple[float, float]
    b: tuple[float, float]
    skipped: int = 0
    _levels: tuple[int, int] = (NEITHER, NEITHER)
    _place: int = 0
    _total: int = 0

    def take(self, a: Float64s, b: Float64s) -> Float64s:
        """Counts (n,) of a further piece."""
        levels = (logic(a, *self.a, self._levels[0]), logic(b, *self.b, self._levels[1]))
        first = self._levels == (NEITHER, NEITHER)
        place = ORDER[2 * np.maximum(levels[0], 0) + np.maximum(levels[1], 0)]
        steps = np.diff(place, prepend=place[0] if first else self._place)
        steps = (steps + 1) % 4 - 1
        self.skipped += int((steps == 2).sum())
        steps[steps == 2] = 0
        counts = self._total + np.cumsum(steps)
        self._levels = (int(levels[0][-1]), int(levels[1][-1]))
        self._place, self._total = int(place[-1]), int(counts[-1])
        return counts.astype(np.float64)
