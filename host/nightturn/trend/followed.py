"""One figure in one direction followed live: its watch, what is suspected, and what was fitted last."""

import math
import statistics
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import NamedTuple

import msgspec

from nightturn.model.facts import TrendFitted
from nightturn.model.trends import Because, Changed, Fitted, Notice
from nightturn.settings.rig import Trend
from nightturn.trend.block_means import GAP_STEPS
from nightturn.trend.change_point import LEAST
from nightturn.trend.conditions import change_notice, course_notices
from nightturn.trend.cusum import Chart, Design
from nightturn.trend.fits import CHART, Point, series_of
from nightturn.trend.learning import BASELINE, LEARNED
from nightturn.trend.prewhiten import ALIKE_MAX
from nightturn.trend.series import FOLLOWED, Series
from nightturn.trend.settled import LIMIT_K, NS_PER_H, WINDOW_H, breaks_of, hours_of
from nightturn.trend.slope import POINTS_MIN
from nightturn.trend.temperature import TemperatureModel, explained, paused
from nightturn.trend.time_to_limit import words

TRIES_MAX = 2 * LEAST
"""Judged cycles in which a change that the watch has seen is looked for: a search wants `LEAST` behind it."""
GROWTH = 1.1
"""A course is fitted anew when it has so many times the cycles of the last fit: a night's fits then cost a share of its figures."""
RECENT_MAX = 32
"""Judged cycles that are kept of a figure: what is usual between two, and where a sum began to grow."""
LAGS = 12.0
"""Of a temperature that is so many lags old nothing is left."""
NOT_JUDGED, NOT_ARMED, WATCHED, SUSPECTED, CHANGED = (
    "not_judged",
    "not_armed",
    "watched",
    "suspected",
    "changed",
)
"""Words of `TrendRow.status`."""
COLD = f"not warmed up: the temperature is to keep within {LIMIT_K} K for an hour"
GONE = "the change that was said before is not found in the cycles up to now"
NO_TEMPERATURE = "no temperature was read"
AWAITED = "the earlier nights of the unit are not taken in yet"
BEFORE = -1
"""In the place of a cycle's number: before the first cycle of the run that was judged."""
MODEL = msgspec.msgpack.Decoder(TemperatureModel)


class Judged(NamedTuple):
    """The newest value of a series without what temperature explains; None where it is not judged, and why, a sentence."""

    value: float | None
    why_not: str


class Newest(msgspec.Struct, frozen=True, array_like=True):
    """Of a cycle that was judged."""

    cycle_no: int
    ts: int
    strokes: float


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
        seen: cycles with a value. unread: whether one of them had no temperature.
        recent: number, begin and strokes of the newest cycles that were judged.
        count: cycles that were judged. fitted_at: how many there were at the last fit that was asked for.
        level: what the watch rests on: mean, standard deviation and resemblance of neighbours; None before three values.
        learned: whether what temperature does has been asked for; model: that, packed; empty where it is not known.
        suspected: the cycle from which on the watch sees a change, 0 for none; behind: judged cycles from there on; tries: in which it was looked for.
        fitted, fitted_cycle_no: the last fit and its newest cycle; trouble: why the last one failed.
        told_ts: of the newest change that people were told of, UTC ns; 0 for none. told_at: when they were, UTC ns.
        because: what the newest change is consistent with, as asked last; None where it was not.
        before: the packed watch that the newest mounting began with. awaits: whether the watch over earlier nights has not come.
    """

    figure: str
    chart: Chart
    seen: int = 0
    unread: bool = False
    recent: list[Newest] = []
    count: int = 0
    fitted_at: int = 0
    level: tuple[float, float, float] | None = None
    learned: bool = False
    model: bytes = b""
    suspected: int = 0
    behind: int = 0
    tries: int = 0
    fitted: Fitted | None = None
    fitted_cycle_no: int = 0
    trouble: str = ""
    told_ts: int = 0
    told_at: int = 0
    before: bytes = b""
    awaits: bool = False
    because: Because | None = None

    @classmethod
    def start(cls, figure: str, threshold: float, before: bytes = b"") -> "Followed":
        """Nothing is known but how it scattered before, where the packed watch of earlier mountings says so."""
        return cls(figure, CHART.decode(before) if before else Chart(Design(threshold)), before=before)

    def begin_with(self, points: Sequence[Point]) -> bool:
        """A run begins behind these cycles of earlier ones; whether the figure has a value in any, so that its course is asked for."""
        place = FOLLOWED.index(self.figure)
        there = [each for each in points if each.values[place] is not None]
        self.seen, self.awaits = len(there), bool(there)
        self.unread = any(not math.isfinite(each.degc) for each in there)
        return self.awaits

    def add(self, points: Sequence[Point], direction: int) -> Watching:
        """The newest point of a lane is one more; it has a value."""
        self.seen += 1
        point = points[-1]
        self.unread = self.unread or not math.isfinite(point.degc)
        if self.awaits:
            return Watching(NOT_JUDGED, AWAITED)
        newest = self._judged(points, direction)
        if newest.value is None:
            return Watching(NOT_JUDGED, newest.why_not)
        self.count += 1
        self.behind += bool(self.suspected)
        if self._begins_a_stretch(point):
            self.chart.missed()
        self.recent = [*self.recent[1 - RECENT_MAX :], Newest(point.cycle_no, point.ts, point.strokes)]
        reading = self.chart.add(newest.value)
        self.level = self.chart.series.fit
        if reading.alarm is not None:
            back = reading.alarm.at - reading.alarm.since + 1
            kept = min(back, len(self.recent))
            earlier = back > kept and kept < RECENT_MAX
            self.suspect(BEFORE if earlier else self.recent[-kept].cycle_no, kept)
        return Watching(
            self._status(reading.why_not), self._reason(reading.why_not), reading.up, reading.down
        )

    def suspect(self, cycle_no: int, behind: int) -> None:
        """The watch sees a change from this cycle on, so many judged cycles back."""
        self.suspected, self.behind, self.tries = cycle_no, behind, 0

    def _judged(self, points: Sequence[Point], direction: int) -> Judged:
        """The newest value, as the course afterwards takes it."""
        place, point = FOLLOWED.index(self.figure), points[-1]
        value = point.values[place]
        assert value is not None
        if self.model and not math.isfinite(point.degc):
            return Judged(None, NO_TEMPERATURE)
        if self.unread and not self.model:  # as the course, which then knows nothing of temperature
            return Judged(value, "")
        if not warm(points, place):
            return Judged(None, COLD)
        if not self.model:
            return Judged(value, "")
        model = MODEL.decode(self.model)
        # without a lag the newest reading says it all
        behind = _within(points, LAGS * model.curve.lag_h) if model.curve.lag_h > 0 else points[-1:]
        late = [each for each in behind if math.isfinite(each.degc)]
        return without_temperature(series_of(late, self.figure, direction), model)

    def _begins_a_stretch(self, point: Point) -> bool:
        """Whether the step from the last judged cycle is much longer than those before it, in time or in strokes, or from another night."""
        if not self.recent:
            return self.count > 1
        times = [each.ts for each in self.recent]
        strokes = [each.strokes for each in self.recent]
        return _long(times, point.ts) or _long(strokes, point.strokes)

    def wants_fit(self) -> bool:
        """Whether the course is to be fitted behind the newest cycle, which was judged; it counts as asked for."""
        learn = self._learns
        if self.suspected and self.behind >= LEAST:
            self.tries += 1
        elif not learn and (self.count < POINTS_MIN or self.count < GROWTH * self.fitted_at):
            return False
        self.fitted_at = self.count
        return True

    @property
    def _learns(self) -> bool:
        return self.figure in LEARNED and not self.learned and self.seen >= BASELINE

    def take_learning(self) -> bool:
        """Whether the fit that is asked for is also to learn what temperature does, or the watch over earlier nights; once."""
        learn = self._learns
        self.learned = self.learned or learn
        return learn or self.awaits

    def notices(self, direction: int, ts: int, trend: Trend) -> Iterator[Notice]:
        """What the course that was fitted last asks of people, as known at `ts`."""
        changed = self.changed
        if changed is not None:
            self.told_at = self.told_at or ts
            yield change_notice(self.figure, direction, changed, self.because, self.told_at, trend)
        if self.fitted is not None:
            yield from course_notices(self.figure, direction, self.fitted, ts, trend)

    def give_back(self, *, learning: bool) -> None:
        """The fit that was asked for will not come; what it was to learn is asked for again."""
        self.learned = self.learned and not learning

    @property
    def asks_causes(self) -> bool:
        """Whether a change that the next fit may find is of interest."""
        return bool(self.suspected or self.told_ts)

    def take(self, fact: TrendFitted) -> Changed | None:
        """A fit has come; a change that the watch has seen and that people were not told of yet."""
        self.trouble, awaited, self.awaits = fact.error, self.awaits, False
        if fact.fitted is None:
            return None
        self.fitted, self.fitted_cycle_no = fact.fitted, fact.cycle_no
        self.because = fact.fitted.because
        if awaited:
            self.count = self.fitted_at = fact.fitted.cycles
        if fact.fitted.chart and (awaited or fact.fitted.model):
            self.model, self.chart = fact.fitted.model, CHART.decode(fact.fitted.chart)
            self.level = self.chart.series.fit
            newer = [each for each in fact.fitted.changes if each.ts_from > self.told_ts]
            if fact.fitted.alarmed and not self.suspected and newer:
                self.suspect(fact.fitted.changes[-1].cycle_no or BEFORE, LEAST)
        if not self.suspected or self.behind < LEAST:
            return None
        last = self.tries >= TRIES_MAX
        newest = fact.fitted.changes[-1] if fact.fitted.changes else None
        if newest is not None and newest.ts_from > self.told_ts and (newest.placed or last):
            self.told_ts, self.told_at, self.suspected = newest.ts, 0, 0
            return newest
        if last:
            self.suspected = 0
        return None

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
            since = "before this run" if self.suspected == BEFORE else f"about cycle {self.suspected}"
            return f"the watch sees a change since {since}, which is not placed yet"
        changed = self.changed
        if changed is not None:
            return changed.said
        if self.told_ts and self.fitted is not None and not self.fitted.changes:
            return GONE
        alike = self.level is not None and self.level[2] > ALIKE_MAX
        return why_not or self.trouble or (self.chart.remark if alike else "")


def without_temperature(series: Series, model: TemperatureModel) -> Judged:
    """The newest value of a series of a warm unit without what temperature explains."""
    outside = paused(model, series.degc[-1:])
    if outside is not None:
        return Judged(None, words(outside, series.unit))
    shift = explained(model, hours_of(series), series.degc, breaks=breaks_of(series))
    return Judged(float(series.value[-1] - shift[-1]), "")


def warm(points: Sequence[Point], place: int) -> bool:
    """Whether the unit had warmed up in the newest cycle, by those with a value of this figure: the rule of `settled.settled`."""
    newest = points[-1]
    low = high = newest.degc
    for point in reversed(points[:-1]):
        if point.night != newest.night:
            return False
        if point.values[place] is None or not math.isfinite(point.degc):
            continue
        if (newest.ts - point.ts) / NS_PER_H > WINDOW_H:
            return high - low <= LIMIT_K
        low, high = min(low, point.degc), max(high, point.degc)
        if (newest.ts - point.ts) / NS_PER_H == WINDOW_H:
            return high - low <= LIMIT_K
    return False


def _within(points: Sequence[Point], hours: float) -> Sequence[Point]:
    """The newest points, of so many hours or `RECENT_MAX` at least."""
    first = len(points)
    while first and (
        len(points) - first < RECENT_MAX or (points[-1].ts - points[first].ts) / NS_PER_H <= hours
    ):
        first -= 1
    return points[first:]


def _long(before: Sequence[float], newest: float) -> bool:
    if len(before) < 2:
        return False
    usual = statistics.median(b - a for a, b in pairwise(before))
    return newest - before[-1] > (GAP_STEPS * usual if usual > 0 else 0)
