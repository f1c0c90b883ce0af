"""One figure in one direction followed live: its watch, what is suspected, and what was fitted last."""

from collections.abc import Sequence
from typing import NamedTuple

import msgspec
import numpy as np

from nightturn.model.facts import TrendFitted
from nightturn.model.trends import Changed, Fitted
from nightturn.trend.block_means import UnusableSeriesError
from nightturn.trend.change_point import LEAST
from nightturn.trend.course import BASELINE, LEARNED
from nightturn.trend.cusum import Chart, Design
from nightturn.trend.series import Series
from nightturn.trend.settled import LIMIT_K, WINDOW_H, breaks_of, hours_of, settled
from nightturn.trend.slope import POINTS_MIN
from nightturn.trend.temperature import TemperatureModel, correction, paused
from nightturn.trend.time_to_limit import words

TRIES_MAX = 2 * LEAST
"""Judged cycles in which a change that the watch has seen is looked for: a search wants `LEAST` behind it."""
GROWTH = 1.1
"""A course is fitted anew when it has so many times the cycles of the last fit: a night's fits then cost a share of its figures."""
NOT_JUDGED, NOT_ARMED, WATCHED, SUSPECTED, CHANGED = (
    "not_judged",
    "not_armed",
    "watched",
    "suspected",
    "changed",
)
"""Words of `TrendRow.status`."""
MOVES = f"not warmed up: the temperature is to keep within {LIMIT_K} K for an hour"
NO_TEMPERATURE = "no temperature was read"
MODEL = msgspec.msgpack.Decoder(TemperatureModel)
CHART = msgspec.msgpack.Decoder(Chart)


class Judged(NamedTuple):
    """The newest value of a series without what temperature explains; None where it is not judged, and why, a sentence."""

    value: float | None
    why_not: str


class Watching(NamedTuple):
    """What a cycle has come to: a status of `TrendRow`, its reason, and the sums of the watch."""

    status: str
    reason: str
    up: float = 0.0
    down: float = 0.0


class Followed(msgspec.Struct):
    """The state of one figure in one direction.

    Attributes:
        figure: which.
        chart: the watch, of the cycles that are judged.
        judged: for each point of the lane whether its value was judged.
        seen: cycles with a value. count: cycles that were judged. fitted_at: how many there were at the last fit that was asked for.
        learned: whether what temperature does has been asked for; model: that, packed; empty where it is not known.
        suspected: the cycle from which on the watch sees a change, 0 for none; tries: cycles in which it was looked for since.
        fitted, fitted_cycle_no: the last fit and its newest cycle; trouble: why the last one failed.
        told_ts: of the newest change that people were told of, UTC ns; 0 for none.
    """

    figure: str
    chart: Chart
    judged: list[bool] = []
    seen: int = 0
    count: int = 0
    fitted_at: int = 0
    learned: bool = False
    model: bytes = b""
    suspected: int = 0
    tries: int = 0
    fitted: Fitted | None = None
    fitted_cycle_no: int = 0
    trouble: str = ""
    told_ts: int = 0

    @classmethod
    def start(cls, figure: str, threshold: float) -> "Followed":
        """Nothing is known."""
        return cls(figure, Chart(Design(threshold)))

    def without(self, why_not: str) -> Watching:
        """A cycle in which the figure has no value."""
        self.judged = [*self.judged, False]
        return Watching(NOT_JUDGED, why_not)

    def add(self, series: Series, there: Sequence[bool]) -> Watching:
        """The newest value of the series is one more; `there` says of each point of the lane whether it has one."""
        self.seen += 1
        newest = judged_now(series, MODEL.decode(self.model) if self.model else None)
        self.judged = [*self.judged, newest.value is not None]
        if newest.value is None:
            return Watching(NOT_JUDGED, newest.why_not)
        self.count += 1
        taken = [was for was, value in zip(self.judged, there, strict=True) if value]
        before = series.part(np.array(taken, np.bool_))
        if len(before.ts) > 1 and len(before.ts) - 1 in breaks_of(before):
            self.chart.missed()
        reading = self.chart.add(newest.value)
        if reading.alarm is not None:
            since = reading.alarm.at - reading.alarm.since
            self.suspect(int(before.cycle_no[max(len(before.ts) - 1 - since, 0)]))
        return Watching(
            self._status(reading.why_not), self._reason(reading.why_not), reading.up, reading.down
        )

    def suspect(self, cycle_no: int) -> None:
        """The watch sees a change from this cycle on."""
        self.suspected, self.tries = cycle_no, 0

    def wants_fit(self) -> bool:
        """Whether the course is to be fitted behind the newest cycle, which was judged; it counts as asked for."""
        learn = self._learns
        if self.suspected:
            self.tries += 1
        elif not learn and (self.count < POINTS_MIN or self.count < GROWTH * self.fitted_at):
            return False
        self.fitted_at = self.count
        return True

    @property
    def _learns(self) -> bool:
        return self.figure in LEARNED and not self.learned and self.seen >= BASELINE

    def take_learning(self) -> bool:
        """Whether the fit that is asked for is also to learn what temperature does; once."""
        learn = self._learns
        self.learned = self.learned or learn
        return learn

    def take(self, fact: TrendFitted) -> Changed | None:
        """A fit has come; a change that the watch has seen and that people were not told of yet."""
        self.trouble = fact.error
        if fact.fitted is None:
            return None
        self.fitted, self.fitted_cycle_no = fact.fitted, fact.cycle_no
        if fact.fitted.model:
            self.model, self.chart = fact.fitted.model, CHART.decode(fact.fitted.chart)
            if fact.fitted.alarmed and not self.suspected and fact.fitted.changes:
                self.suspect(fact.fitted.changes[-1].cycle_no)
        if not self.suspected:
            return None
        newest = fact.fitted.changes[-1] if fact.fitted.changes else None
        if newest is not None and newest.ts_from > self.told_ts:
            self.told_ts, self.suspected = newest.ts, 0
            return newest
        if self.tries >= TRIES_MAX:
            self.suspected = 0
        return None

    def thinned(self, pairs: int) -> None:
        """The first `2 * pairs` points of the lane are means of two now."""
        old = self.judged
        self.judged = [old[2 * at] or old[2 * at + 1] for at in range(pairs)] + old[2 * pairs :]

    @property
    def changed(self) -> Changed | None:
        """The newest change that people were told of, as fitted last."""
        if not self.told_ts or self.fitted is None or not self.fitted.changes:
            return None
        return self.fitted.changes[-1]

    def _status(self, why_not: str) -> str:
        if self.suspected:
            return SUSPECTED
        if self.changed is not None:
            return CHANGED
        return NOT_ARMED if why_not else "watched"

    def _reason(self, why_not: str) -> str:
        if self.suspected:
            return f"the watch sees a change since about cycle {self.suspected}, which is not placed yet"
        changed = self.changed
        if changed is not None:
            return changed.said
        return why_not or self.trouble or self.chart.remark


def judged_now(series: Series, model: TemperatureModel | None) -> Judged:
    """The newest value of a series, as the course afterwards takes it."""
    if model is None:
        if not np.isfinite(series.degc).all():
            return Judged(float(series.value[-1]), "")
        return Judged(float(series.value[-1]), "") if _warm(series) else Judged(None, MOVES)
    if not np.isfinite(series.degc).all():
        return Judged(None, NO_TEMPERATURE)
    if not _warm(series):
        return Judged(None, MOVES)
    outside = paused(model, series.degc[-1:])
    if outside is not None:
        return Judged(None, words(outside, series.unit))
    try:
        taken = correction(model, hours_of(series), series.degc, breaks=breaks_of(series))
    except UnusableSeriesError as error:
        return Judged(None, str(error))
    return Judged(float(series.value[-1] - taken.shift[-1]), "")


def _warm(series: Series) -> bool:
    """Whether the unit had warmed up in the newest cycle, from the cycles of the last hour and one before it."""
    hours = hours_of(series)
    first = max(int(np.searchsorted(hours, hours[-1] - WINDOW_H, side="right")) - 1, 0)
    tail = np.arange(len(hours)) >= first
    return bool(settled(series.part(tail))[-1])
