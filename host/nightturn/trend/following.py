"""All figures of a unit followed live over the cycles of a run: what is kept of them, and which course is fitted next.

The state does not grow beyond `POINTS_MAX` cycles of each direction: then the older half are means of two neighbours. Up to so many
cycles the history of the unit sees the same cycles, so it finds the same.
"""

import math
from collections.abc import Mapping, Sequence

import msgspec
import numpy as np

from nightturn.evidence.cycle_values import Declared
from nightturn.model.clocks import ClockOffset
from nightturn.model.facts import TrendFitted
from nightturn.model.figures import OK, CycleRecord, Figure
from nightturn.model.rows import TrendRow
from nightturn.model.trends import URGENCIES, Changed, Notice
from nightturn.settings.rig import Limit, Trend
from nightturn.settings.variant import Variant
from nightturn.trend.causes import Keeping
from nightturn.trend.earlier import Earlier
from nightturn.trend.fits import ROLLING, UNCHANGED, FitJob, Point
from nightturn.trend.followed import NOT_JUDGED, Followed, Watching
from nightturn.trend.learning import VariantSlope
from nightturn.trend.live_rows import row_of
from nightturn.trend.quiet import Quiet, tonight
from nightturn.trend.rolling import Known, Rolling, Stroke, legs_of
from nightturn.trend.series import FOLLOWED, NEAR

POINTS_MAX = 600
"""Of each direction; 300 are what a course is judged from."""
MARKS_MAX = 16
"""Cycles whose strokes are counted before their figures have come; four may wait."""
DIRECTIONS = (1, -1)
INCOMPLETE = "the cycle is not complete"
NO_VALUE = "the figure has no value in this cycle"


class Terms(msgspec.Struct, frozen=True):
    """What the figures are held against, and what causes are asked with.

    Attributes:
        threshold: of the watch. variant, protect: limits of variant and rig. offsets: the bench's clocks.
        declared: of unit and rig; referenced: whether the encoder finds its zero again after a boot.
        known: what is followed without being watched; None where nothing is.
        zero_nm_per_k: what a kelvin may do to the zero. rolls_temperature: whether what is not watched is followed with its temperature.
        says_unchanged: whether a night without a change is asked for what its signal and its temperature did.
    """

    threshold: float
    variant: Variant
    protect: Mapping[str, Limit]
    offsets: tuple[ClockOffset, ...]
    declared: Declared = Declared()
    referenced: bool = True
    known: Known | None = None
    zero_nm_per_k: float = 0.0
    rolls_temperature: bool = False
    says_unchanged: bool = False


class Asked(msgspec.Struct, frozen=True, array_like=True):
    """A course that is being fitted; `causes`: a change in it is to be asked for its cause."""

    figure: str
    direction: int
    cycle_no: int
    learn: bool
    causes: bool = False


class Lane(msgspec.Struct):
    """The cycles of one direction of turning, and the figures in them."""

    points: list[Point]
    figures: list[Followed]

    @classmethod
    def start(cls, threshold: float, points: Sequence[Point] = (), charts: Sequence[bytes] = ()) -> "Lane":
        """No cycle yet, or those of earlier nights; `charts` as `Earlier` has them."""
        known = charts or (b"",) * len(FOLLOWED)
        figures = [
            Followed.start(name, threshold, before) for name, before in zip(FOLLOWED, known, strict=True)
        ]
        return cls(list(points), figures)

    def add(self, point: Point) -> None:
        """One more; of too many the older half become means of two."""
        self.points = [*self.points, point]

    def thin(self) -> None:
        """Keep the lane within its bound."""
        if len(self.points) < POINTS_MAX:
            return
        pairs = POINTS_MAX // 4
        old = self.points
        self.points = [each for at in range(pairs) for each in _merged(old[2 * at], old[2 * at + 1])]
        self.points += old[2 * pairs :]

    def figure(self, name: str) -> Followed:
        """The state of one figure."""
        return self.figures[FOLLOWED.index(name)]


class Following(msgspec.Struct):
    """The state of all figures.

    Attributes:
        lanes: by direction.
        night: the number of this run's among those whose cycles are followed together.
        strokes: of the unit's life so far; marks: for cycles whose figures have not come, how many there were before.
        wanted: figures and directions whose course is to be fitted, in order, each once; asked: the one under way.
        ticks: control ticks since it was asked for. kept: the cycles that causes are asked of.
        rolling: families of orders and strokes. variant_slopes: what a kelvin does to other units of the variant.
        notices: what the courses ask of people, the most urgent first; noticed: how often that has changed.
        quiet: what a night without a change has to say.
    """

    lanes: dict[int, Lane] = {}
    night: int = 0
    strokes: int = 0
    marks: list[tuple[int, int]] = []
    wanted: list[tuple[str, int]] = []
    asked: Asked | None = None
    ticks: int = 0
    kept: Keeping = msgspec.field(default_factory=Keeping)
    rolling: Rolling = msgspec.field(default_factory=Rolling)
    notices: tuple[Notice, ...] = ()
    noticed: int = 0
    variant_slopes: tuple[VariantSlope, ...] = ()
    quiet: Quiet = msgspec.field(default_factory=Quiet)

    def begin(self, packed: bytes) -> None:
        """A run begins, or goes on with what was known before the host restarted; a fit that was under way is asked for again."""
        if not packed:
            return
        before = msgspec.msgpack.decode(packed, type=Following)
        self.lanes, self.strokes, self.marks = before.lanes, before.strokes, before.marks
        self.night, self.kept = before.night, before.kept
        self.variant_slopes, self.quiet = before.variant_slopes, before.quiet
        self.notices, self.noticed = before.notices, before.noticed
        asked, again = before.asked, list[tuple[str, int]]()
        self.rolling = before.rolling
        if asked is not None and asked.figure == ROLLING:
            again = [(ROLLING, 0)]
            self.rolling.answered()
        elif asked is not None and asked.figure == UNCHANGED:
            again = [(UNCHANGED, 0)]
        elif asked is not None:
            again = [(asked.figure, asked.direction)]
            self.lanes[asked.direction].figure(asked.figure).give_back(learning=asked.learn)
        self.wanted = [*again, *(each for each in before.wanted if each not in again)]

    def begin_with(self, earlier: Earlier, threshold: float) -> None:
        """A run begins behind earlier nights of its unit; the course of each figure that has a value in them is asked for."""
        self.strokes, self.night = earlier.strokes, earlier.night
        self.variant_slopes = earlier.variant_slopes
        for direction in earlier.directions:
            points = earlier.points.get(direction, ())
            lane = Lane.start(threshold, points, earlier.charts.get(direction, ()))
            self.lanes = {**self.lanes, direction: lane}
            begins = [(each.figure, direction) for each in lane.figures if each.begin_with(points)]
            self.wanted = [*self.wanted, *begins]

    @property
    def packed(self) -> bytes:
        """What is known, for the run that goes on after a host restart; empty where nothing is followed."""
        known = self.lanes or self.strokes or self.variant_slopes
        return msgspec.msgpack.encode(self) if known else b""

    def stroke(self, cycle_no: int, stroke: Stroke | None = None) -> None:
        """A stroke of this cycle has ended; it is followed itself where it is given."""
        if stroke is not None:
            self.rolling.stroke(cycle_no, stroke)
        if not self.marks or self.marks[-1][0] < cycle_no:
            self.marks = [*self.marks[1 - MARKS_MAX :], (cycle_no, self.strokes)]
        self.strokes += 1

    def cycle(self, record: CycleRecord, terms: Terms) -> list[TrendRow]:
        """A cycle has its figures; a row for each that is followed."""
        self.kept.add(record, thin=self.asked is None)
        if record.direction not in DIRECTIONS:
            self._roll(record, self.strokes, terms)
            self._look(record, (), terms)
            return []
        if record.direction not in self.lanes:
            self.lanes = {**self.lanes, record.direction: Lane.start(terms.threshold)}
        lane, point = self.lanes[record.direction], self._point(record)
        self._roll(record, point.strokes, terms)
        if record.status == OK:
            if self.asked is None:  # a course is made again from the points that it was asked for
                lane.thin()
            lane.add(point)
        rows = []
        for place, each in enumerate(lane.figures):
            watching = Watching(NOT_JUDGED, INCOMPLETE)
            if record.status == OK:
                watching = self._followed(lane, place, record.direction)
            rows.append(row_of(record, point, place, each, watching))
        self._look(record, lane.points, terms)
        return rows

    @property
    def changes(self) -> bool:
        """Whether the course of any figure has a change."""
        every = (each for lane in self.lanes.values() for each in lane.figures)
        return any(each.fitted is not None and each.fitted.changes for each in every)

    def _look(self, record: CycleRecord, points: Sequence[Point], terms: Terms) -> None:
        """What a night without a change has to say may be something else now."""
        asks = terms.says_unchanged and self.quiet.cycle(record, points) and not self.changes
        if asks and (UNCHANGED, 0) not in self.wanted:
            self.wanted = [*self.wanted, (UNCHANGED, 0)]

    def _roll(self, record: CycleRecord, strokes: float, terms: Terms) -> None:
        """What is followed without being watched."""
        if terms.known is None:
            return
        legs, complete = legs_of(record.curves), record.status == OK
        degc = _degc(record) if terms.rolls_temperature else math.nan
        self.rolling.cycle(
            record.cycle_no, record.ts_start, strokes, legs, terms.known, degc=degc, complete=complete
        )
        if complete and self.rolling.wants_estimates() and (ROLLING, 0) not in self.wanted:
            self.wanted = [*self.wanted, (ROLLING, 0)]

    def _followed(self, lane: Lane, place: int, direction: int) -> Watching:
        each = lane.figures[place]
        if lane.points[-1].values[place] is None:
            return Watching(NOT_JUDGED, NO_VALUE)
        watching = each.add(lane.points, direction)
        key = each.figure, direction
        if watching.status != NOT_JUDGED and each.wants_fit() and key not in self.wanted:
            self.wanted = [*self.wanted, key]
        return watching

    def _point(self, record: CycleRecord) -> Point:
        waiting = [(no, before) for no, before in self.marks if no >= record.cycle_no]
        before = waiting[0][1] if waiting else self.strokes
        self.marks = waiting
        figures = {each.name: each for each in record.figures} if record.status == OK else {}
        found = [_value(figures.get(name)) for name in FOLLOWED]
        values = tuple(None if each is None else each[0] for each in found)
        us = tuple(0.0 if each is None else each[1] for each in found)
        return Point(record.cycle_no, record.ts_start, float(before), _degc(record), values, us, self.night)

    def ask(self, terms: Terms) -> FitJob | None:
        """The next course to be fitted; None where none is, or one is under way."""
        if self.asked is not None or not self.wanted:
            return None
        (figure, direction), *self.wanted = self.wanted
        if figure == ROLLING:
            self.rolling.ask()
            self.asked, self.ticks = Asked(ROLLING, 0, self.rolling.newest, learn=False), 0
            return self.job(terms)
        if figure == UNCHANGED:
            self.asked, self.ticks = Asked(UNCHANGED, 0, self.quiet.newest, learn=False), 0
            return self.job(terms)
        lane = self.lanes[direction]
        learn, newest = lane.figure(figure).take_learning(), lane.points[-1]
        up_to = newest.cycle_no if newest.night == self.night else 0
        causes = lane.figure(figure).asks_causes
        self.asked, self.ticks = Asked(figure, direction, up_to, learn, causes), 0
        return self.job(terms)

    def job(self, terms: Terms) -> FitJob:
        """The one under way, from the cycles that there were when it was asked for."""
        asked = self.asked
        assert asked is not None
        if asked.figure == ROLLING:
            return FitJob(
                ROLLING, 0, asked.cycle_no, (), terms.threshold, terms.variant, terms.protect, terms.offsets,
                learn=False, tracks=self.rolling.asked,
            )  # fmt: skip
        if asked.figure == UNCHANGED:
            return self._job_unchanged(asked.cycle_no, terms)
        lane = self.lanes[asked.direction]
        points, count = lane.points, len(lane.points)
        while count and points[count - 1].night == self.night and points[count - 1].cycle_no > asked.cycle_no:
            count -= 1
        return FitJob(
            asked.figure,
            asked.direction,
            asked.cycle_no,
            tuple(points[:count]),
            terms.threshold,
            terms.variant,
            terms.protect,
            terms.offsets,
            asked.learn,
            self.night,
            lane.figure(asked.figure).before,
            self.kept.up_to(asked.cycle_no) if asked.causes else (),
            terms.declared,
            terms.referenced,
            zero_nm_per_k=terms.zero_nm_per_k,
            variant_slopes=self.variant_slopes,
        )

    def _job_unchanged(self, cycle_no: int, terms: Terms) -> FitJob:
        lanes = [self.lanes[each].points for each in DIRECTIONS if each in self.lanes]
        return FitJob(
            UNCHANGED, 0, cycle_no, tonight(lanes, self.night, cycle_no), terms.threshold, terms.variant, terms.protect,
            terms.offsets, learn=False, kept=self.kept.up_to(cycle_no), declared=terms.declared,
            referenced=terms.referenced, bad_ts=self.quiet.since or 0,
        )  # fmt: skip

    def is_asked(self, fact: TrendFitted) -> bool:
        """Whether this is the course that is waited for."""
        wanted = fact.figure, fact.direction, fact.cycle_no
        asked = self.asked
        return asked is not None and (asked.figure, asked.direction, asked.cycle_no) == wanted

    def take(self, fact: TrendFitted) -> Changed | None:
        """The course that was waited for has come; a change that people are to be told of."""
        self.asked = None
        if fact.figure == ROLLING:
            self.rolling.answered()
            return None
        if fact.figure == UNCHANGED:
            return None
        return self.lanes[fact.direction].figure(fact.figure).take(fact)

    def notice(self, fact: TrendFitted, ts: int, trend: Trend) -> list[Notice]:
        """Take over what the course that has come asks of people; what is more urgent by it than before, so that they are told."""
        before = {each.key: each for each in self.notices}
        if fact.figure == UNCHANGED:
            self.quiet.because = fact.fitted.because if fact.fitted is not None else None
            about, now = ("", 0), []
        else:
            about = fact.figure, fact.direction
            now = list(self.lanes[fact.direction].figure(fact.figure).notices(fact.direction, ts, trend))
        if self.changes:
            self.quiet.because = None
        now += [each for each in [self.quiet.notice(ts)] if each is not None]
        found = [_since(before.get(each.key), each) for each in now]
        kept = [each for each in self.notices if (each.figure, each.direction) not in {about, ("", 0)}]
        every = tuple(sorted([*kept, *found], key=lambda each: -URGENCIES.index(each.urgency)))
        self.noticed += every != self.notices
        self.notices = every
        again = not self.quiet.is_new()
        more = [each for each in found if _more_urgent(before.get(each.key), each)]
        return [each for each in more if each.figure or not again]

    def late(self, ticks_max: int) -> bool:
        """A control tick has passed; whether the course under way has taken too many."""
        self.ticks += self.asked is not None
        return self.asked is not None and self.ticks > ticks_max


def _since(before: Notice | None, now: Notice) -> Notice:
    """Since when it is as urgent as now."""
    same = before is not None and before.urgency == now.urgency
    return msgspec.structs.replace(now, since_ts=before.since_ts) if before is not None and same else now


def _more_urgent(before: Notice | None, now: Notice) -> bool:
    return before is None or URGENCIES.index(now.urgency) > URGENCIES.index(before.urgency)


def _degc(record: CycleRecord) -> float:
    """The temperature nearest to the bearing; NaN where none was read."""
    read = record.temperatures_degc
    return float(next((read[role] for role in NEAR if role in read), math.nan))


def _value(figure: Figure | None) -> tuple[float, float] | None:
    """Value and the standard uncertainty of its own scatter; None where the figure is not `ok`."""
    if figure is None or figure.status != OK or figure.value is None:
        return None
    u = figure.u if figure.u_rep is None else figure.u_rep
    return figure.value, 0.0 if u is None else u


def _merged(first: Point, second: Point) -> Sequence[Point]:
    """Two neighbours as one, unless a night lies between them."""
    return (_mean(first, second),) if first.night == second.night else (first, second)


def _mean(first: Point, second: Point) -> Point:
    """Two neighbours as one, at the first of them."""
    values: list[float | None] = []
    us: list[float] = []
    for a, b, u, v in zip(first.values, second.values, first.us, second.us, strict=True):
        if a is None or b is None:
            values.append(b if a is None else a)
            us.append(v if a is None else u)
        else:
            values.append((a + b) / 2)
            us.append(float(np.hypot(u, v)) / 2)
    known = [each for each in (first.degc, second.degc) if np.isfinite(each)]
    degc = sum(known) / len(known) if known else np.nan
    strokes = (first.strokes + second.strokes) / 2
    return Point(first.cycle_no, first.ts, strokes, float(degc), tuple(values), tuple(us), first.night)
