"""A night in which no figure changed, followed live: whether its torque signal went bad, or its unit left its warm level."""

import math
from collections.abc import Sequence

import msgspec

from nightturn.model.figures import OK, CycleRecord
from nightturn.model.trends import NOTE, Because, Notice
from nightturn.trend.fits import Point
from nightturn.trend.followed import warm
from nightturn.trend.series import FOLLOWED
from nightturn.trend.unchanged import BAD_LEAST, MOVED_K, SIGNAL_CAUSES, is_bad

SIGNAL, TEMPERATURE = "signal", "temperature"
"""Words of `Notice.condition` of a notice that is of no figure."""
UNSEEN = "no change of a figure is seen. "


class Quiet(msgspec.Struct):
    """What is known of it.

    Attributes:
        newest: number of the newest cycle.
        bad: cycles whose signal railed or jumped. bad_ts: when the earliest of them began, UTC ns; 0 without one.
        low, high: range of the temperatures since the first cycle of a warm unit, °C; None before it.
        because: what that is consistent with, as asked last; None where nothing is to be said. told: the causes that people were told of.
    """

    newest: int = 0
    bad: int = 0
    bad_ts: int = 0
    low: float | None = None
    high: float | None = None
    because: Because | None = None
    told: list[tuple[str, ...]] = []

    def cycle(self, record: CycleRecord, points: Sequence[Point]) -> bool:
        """One more cycle, which is the newest of `points` where it is complete; whether it may change what is to be said."""
        self.newest, seen = record.cycle_no, record.symptoms
        bad = seen is not None and is_bad(seen.railed, seen.jumps)
        if bad:
            self.bad_ts = min(self.bad_ts or record.ts_start, record.ts_start)
            self.bad += 1
        if record.status == OK and points:
            self._read(points)
        return (bad or record.status == OK) and (self.since is not None or self._moved)

    def _read(self, points: Sequence[Point]) -> None:
        """The temperature of the newest cycle."""
        degc, place = points[-1].degc, self._place(points[-1])
        if not math.isfinite(degc) or place is None:
            return
        if self.low is None or self.high is None:
            self.low = self.high = degc if warm(points, place) else None
            return
        self.low, self.high = min(self.low, degc), max(self.high, degc)

    @staticmethod
    def _place(point: Point) -> int | None:
        return next((place for place in range(len(FOLLOWED)) if point.values[place] is not None), None)

    @property
    def since(self) -> int | None:
        """Since when the signal is bad, UTC ns; None while so few cycles are that it may be an accident."""
        return self.bad_ts if self.bad >= BAD_LEAST else None

    @property
    def _moved(self) -> bool:
        """Whether the warm unit can have left its level: without that range it cannot."""
        return self.low is not None and self.high is not None and self.high - self.low > MOVED_K

    def notice(self, ts: int) -> Notice | None:
        """What is to be said of it, as known at `ts`; None for nothing."""
        if self.because is None:
            return None
        condition = SIGNAL if SIGNAL_CAUSES & set(self.because.names) else TEMPERATURE
        first, said = self.because.said[0], " ".join(self.because.said)
        return Notice("", 0, condition, NOTE, ts, f"{UNSEEN}{first}", said)

    def is_new(self) -> bool:
        """Whether people were not told of these causes before; they count as told of."""
        if self.because is None or self.because.names in self.told:
            return False
        self.told = [*self.told, self.because.names]
        return True


def tonight(lanes: Sequence[Sequence[Point]], night: int, cycle_no: int) -> tuple[Point, ...]:
    """The cycles of this night, up to one, in the direction of the first series that a history of them has; none without a value."""
    those = [
        tuple(each for each in points if each.night == night and each.cycle_no <= cycle_no)
        for points in lanes
    ]
    for place in range(len(FOLLOWED)):
        for points in those:
            if any(each.values[place] is not None for each in points):
                return points
    return ()
