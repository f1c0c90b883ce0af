"""All figures of a unit followed live over the cycles of a run: what is kept of them, and which course is fitted next.

The state does not grow beyond `POINTS_MAX` cycles of each direction: then the older half are means of two neighbours. Up to so many
cycles the history of the unit sees the same cycles, so it finds the same.
"""

from collections.abc import Mapping

import msgspec
import numpy as np

from nightturn.model.clocks import ClockOffset
from nightturn.model.facts import TrendFitted
from nightturn.model.figures import OK, CycleRecord, Figure
from nightturn.model.rows import TrendRow
from nightturn.model.trends import Changed
from nightturn.settings.rig import Limit
from nightturn.settings.variant import Variant
from nightturn.trend.fits import FitJob, Point
from nightturn.trend.followed import NOT_JUDGED, Followed, Watching
from nightturn.trend.series import FOLLOWED, NEAR

POINTS_MAX = 600
"""Of each direction; 300 are what a course is judged from."""
MARKS_MAX = 16
"""Cycles whose strokes are counted before their figures have come; four may wait."""
DIRECTIONS = (1, -1)
INCOMPLETE = "the cycle is not complete"
NO_VALUE = "the figure has no value in this cycle"


class Terms(msgspec.Struct, frozen=True):
    """What the figures are held against: threshold of the watch, limits of variant and rig, the bench's clocks, what a kelvin may do to the zero, N·m."""

    threshold: float
    variant: Variant
    protect: Mapping[str, Limit]
    offsets: tuple[ClockOffset, ...]
    zero_nm_per_k: float = 0.0


class Asked(msgspec.Struct, frozen=True, array_like=True):
    """A course that is being fitted."""

    figure: str
    direction: int
    cycle_no: int
    learn: bool


class Lane(msgspec.Struct):
    """The cycles of one direction of turning, and the figures in them."""

    points: list[Point]
    figures: list[Followed]

    @classmethod
    def start(cls, threshold: float) -> "Lane":
        """No cycle yet."""
        return cls([], [Followed.start(name, threshold) for name in FOLLOWED])

    def add(self, point: Point) -> None:
        """One more; of too many the older half become means of two."""
        self.points = [*self.points, point]

    def thin(self) -> None:
        """Keep the lane within its bound."""
        if len(self.points) < POINTS_MAX:
            return
        pairs = POINTS_MAX // 4
        old = self.points
        merged = [_mean(old[2 * at], old[2 * at + 1]) for at in range(pairs)]
        self.points = merged + old[2 * pairs :]

    def figure(self, name: str) -> Followed:
        """The state of one figure."""
        return self.figures[FOLLOWED.index(name)]


class Following(msgspec.Struct):
    """The state of all figures.

    Attributes:
        lanes: by direction.
        strokes: of the run so far; marks: for cycles whose figures have not come, how many there were before.
        wanted: figures and directions whose course is to be fitted, in order, each once; asked: the one under way.
        ticks: control ticks since it was asked for.
    """

    lanes: dict[int, Lane] = {}
    strokes: int = 0
    marks: list[tuple[int, int]] = []
    wanted: list[tuple[str, int]] = []
    asked: Asked | None = None
    ticks: int = 0

    def begin(self, packed: bytes) -> None:
        """A run begins, or goes on with what was known before the host restarted; a fit that was under way is asked for again."""
        if not packed:
            return
        before = msgspec.msgpack.decode(packed, type=Following)
        self.lanes, self.strokes, self.marks = before.lanes, before.strokes, before.marks
        asked, again = before.asked, list[tuple[str, int]]()
        if asked is not None:
            again = [(asked.figure, asked.direction)]
            self.lanes[asked.direction].figure(asked.figure).give_back(learning=asked.learn)
        self.wanted = [*again, *(each for each in before.wanted if each not in again)]

    @property
    def packed(self) -> bytes:
        """What is known, for the run that goes on after a host restart; empty where nothing is followed."""
        return msgspec.msgpack.encode(self) if self.lanes or self.strokes else b""

    def stroke(self, cycle_no: int) -> None:
        """A stroke of this cycle has ended."""
        if not self.marks or self.marks[-1][0] < cycle_no:
            self.marks = [*self.marks[1 - MARKS_MAX :], (cycle_no, self.strokes)]
        self.strokes += 1

    def cycle(self, record: CycleRecord, terms: Terms) -> list[TrendRow]:
        """A cycle has its figures; a row for each that is followed."""
        if record.direction not in DIRECTIONS:
            return []
        if record.direction not in self.lanes:
            self.lanes = {**self.lanes, record.direction: Lane.start(terms.threshold)}
        lane, point = self.lanes[record.direction], self._point(record)
        if record.status == OK:
            if self.asked is None:  # a course is made again from the points that it was asked for
                lane.thin()
            lane.add(point)
        rows = []
        for place, each in enumerate(lane.figures):
            watching = Watching(NOT_JUDGED, INCOMPLETE)
            if record.status == OK:
                watching = self._followed(lane, place, record.direction)
            rows.append(_row(record, point, place, each, watching))
        return rows

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
        degc = next(
            (record.temperatures_degc[role] for role in NEAR if role in record.temperatures_degc), np.nan
        )
        values = tuple(None if each is None else each[0] for each in found)
        us = tuple(0.0 if each is None else each[1] for each in found)
        return Point(record.cycle_no, record.ts_start, float(before), float(degc), values, us)

    def ask(self, terms: Terms) -> FitJob | None:
        """The next course to be fitted; None where none is, or one is under way."""
        if self.asked is not None or not self.wanted:
            return None
        (figure, direction), *self.wanted = self.wanted
        lane = self.lanes[direction]
        learn = lane.figure(figure).take_learning()
        self.asked, self.ticks = Asked(figure, direction, lane.points[-1].cycle_no, learn), 0
        return self.job(terms)

    def job(self, terms: Terms) -> FitJob:
        """The one under way, from the cycles that there were when it was asked for."""
        asked = self.asked
        assert asked is not None
        points = tuple(each for each in self.lanes[asked.direction].points if each.cycle_no <= asked.cycle_no)
        return FitJob(
            asked.figure,
            asked.direction,
            asked.cycle_no,
            points,
            terms.threshold,
            terms.variant,
            terms.protect,
            terms.offsets,
            asked.learn,
            terms.zero_nm_per_k,
        )

    def is_asked(self, fact: TrendFitted) -> bool:
        """Whether this is the course that is waited for."""
        asked = self.asked
        return (
            asked is not None
            and asked.cycle_no == fact.cycle_no
            and (asked.figure, asked.direction)
            == (
                fact.figure,
                fact.direction,
            )
        )

    def take(self, fact: TrendFitted) -> Changed | None:
        """The course that was waited for has come; a change that people are to be told of."""
        self.asked = None
        return self.lanes[fact.direction].figure(fact.figure).take(fact)

    def nears(self, fact: TrendFitted, within_h: float) -> str:
        """As `Followed.nears`, of the figure whose course has come."""
        return self.lanes[fact.direction].figure(fact.figure).nears(within_h)

    def late(self, ticks_max: int) -> bool:
        """A control tick has passed; whether the course under way has taken too many."""
        self.ticks += self.asked is not None
        return self.asked is not None and self.ticks > ticks_max


def _value(figure: Figure | None) -> tuple[float, float] | None:
    """Value and the standard uncertainty of its own scatter; None where the figure is not `ok`."""
    if figure is None or figure.status != OK or figure.value is None:
        return None
    u = figure.u if figure.u_rep is None else figure.u_rep
    return figure.value, 0.0 if u is None else u


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
    return Point(
        first.cycle_no, first.ts, (first.strokes + second.strokes) / 2, float(degc), tuple(values), tuple(us)
    )


def _row(record: CycleRecord, point: Point, place: int, each: Followed, watching: Watching) -> TrendRow:
    value, fit, changed = point.values[place], each.level, each.changed
    row = TrendRow(
        ts=record.ts_end,
        epoch=record.epoch,
        cycle_no=record.cycle_no,
        figure=each.figure,
        direction=record.direction,
        strokes=round(point.strokes),
        value=value,
        u=None if value is None else point.us[place],
        degc=point.degc if np.isfinite(point.degc) else None,
        status=watching.status,
        reason=watching.reason,
        baseline=None if fit is None else fit[0],
        scatter=None if fit is None else fit[1],
        sum_up=watching.up,
        sum_down=watching.down,
        threshold=each.chart.design.threshold,
        suspected_cycle_no=each.suspected or None,
    )
    row = _with_change(row, changed) if changed is not None else row
    return _with_fit(row, each)


def _with_change(row: TrendRow, changed: Changed) -> TrendRow:
    return msgspec.structs.replace(
        row,
        changed_kind=changed.kind,
        changed_cycle_no=changed.cycle_no,
        changed_cycle_no_from=changed.cycle_no_from,
        changed_cycle_no_to=changed.cycle_no_to,
        changed_strokes=changed.strokes,
        ts_changed=changed.ts,
        ts_changed_from=changed.ts_from,
        ts_changed_to=changed.ts_to,
    )


def _with_fit(row: TrendRow, each: Followed) -> TrendRow:
    fitted = each.fitted
    if fitted is None:
        return row
    known: dict[str, object] = {
        "fitted_cycle_no": each.fitted_cycle_no,
        "level": fitted.level,
        "level_half": fitted.level_half,
    }
    for axis, per in (("strokes", "stroke"), ("hours", "hour")):
        rate = fitted.rate(axis)
        if rate is None:
            continue
        known |= {
            f"slope_per_{per}": rate.slope,
            f"slope_per_{per}_u": rate.u,
            f"slope_per_{per}_half": rate.half,
        }
        if rate.limit is not None:
            known |= {"limit": rate.limit, "limit_bound": rate.bound, f"not_before_{axis}": rate.not_before}
    return msgspec.structs.replace(row, **known)
