"""The course of one figure as a job that can be done anywhere: what it needs, and what comes back.

It is what `course.course_of` says of the same cycles afterwards, so a live watch and the history of a unit cannot disagree.
"""

from collections.abc import Iterator, Mapping, Sequence
from functools import partial

import msgspec
import numpy as np

from nightturn.errors import fault
from nightturn.estimation.fingerprint import fingerprint, one_blas_thread
from nightturn.evidence.cycle_values import Declared
from nightturn.model.clocks import ClockOffset, bench_text
from nightturn.model.facts import TrendFitted
from nightturn.model.trends import Because, Changed, Fitted, Rate
from nightturn.settings.rig import Limit
from nightturn.settings.variant import Variant
from nightturn.trend.causes import Kept, Window, because, window_of
from nightturn.trend.change_point import LEAST, Found, Kind
from nightturn.trend.course import Course, course_of
from nightturn.trend.cusum import Chart
from nightturn.trend.learning import VariantSlope
from nightturn.trend.limits_ahead import limits_ahead
from nightturn.trend.rolling import estimated
from nightturn.trend.series import FOLLOWED, Series
from nightturn.trend.slope import Slope
from nightturn.trend.temperature import TemperatureModel
from nightturn.trend.time_to_limit import Outcome, TimeToLimit, words
from nightturn.trend.unchanged import moved_temperature, signal_because, temperature_because
from nightturn.trend.watch import charted
from nightturn.trend.wording import Moment, changed_text, course_text

CLEAR = 3
"""Cycles that must lie between the set of a ramp and the last place where the search puts one: a step that is too new to be placed is
fitted as a ramp that begins there (500 standard deviations, seen 7 cycles on: told in 21 of 100 as a ramp from before it)."""
NOT_FITTED = "the course could not be fitted"
ROLLING = "rolling"
"""In the place of a figure: everything that is followed without being watched."""
UNCHANGED = "unchanged"
"""In the place of a figure: what a night in which none changed has to say."""
CHART = msgspec.msgpack.Decoder(Chart)


class Point(msgspec.Struct, frozen=True, array_like=True):
    """A cycle, or the mean of neighbouring ones: the figures of `FOLLOWED` in their order, None where a cycle has none.

    `strokes` are those of the unit's life before it, `degc` the temperature nearest to the bearing, NaN without one, `night` the number
    of its night among those that are followed together.
    """

    cycle_no: int
    ts: int
    strokes: float
    degc: float
    values: tuple[float | None, ...]
    us: tuple[float, ...]
    night: int = 0


class FitJob(msgspec.Struct, frozen=True):
    """Everything that the course of a figure follows from; `learn`: also what temperature does, and the watch over all cycles without it.

    `night` is that of the run; `before` is the packed watch that the newest mounting begins with, empty without one. `kept` are cycles of the run where
    a change is to be asked for its cause, by what is `declared` and with an encoder that is `referenced` or not. With the figure `ROLLING` estimates of `tracks` are wanted instead.
    `variant_slopes` is what a kelvin does to other units. With `UNCHANGED` the points are of one direction of the night, and `bad_ts` says since when its
    torque signal is bad, UTC ns, 0 where it is not.
    """

    figure: str
    direction: int
    cycle_no: int
    points: tuple[Point, ...]
    threshold: float
    variant: Variant
    protect: Mapping[str, Limit]
    offsets: tuple[ClockOffset, ...]
    learn: bool
    night: int = 0
    before: bytes = b""
    kept: tuple[Kept, ...] = ()
    declared: Declared = Declared()
    referenced: bool = True
    tracks: bytes = b""
    zero_nm_per_k: float = 0.0
    variant_slopes: tuple[VariantSlope, ...] = ()
    bad_ts: int = 0


def series_of(points: Sequence[Point], figure: str, direction: int, left_out: int = 0) -> Series:
    """The cycles in which a figure has a value, as a series without a known step."""
    place = FOLLOWED.index(figure)
    there = [each for each in points if each.values[place] is not None]
    count = len(there)
    return Series(
        figure=figure,
        direction=direction,
        strokes=np.array([each.strokes for each in there], np.float64),
        ts=np.array([each.ts for each in there], np.int64),
        value=np.array([each.values[place] for each in there], np.float64),
        u=np.array([each.us[place] for each in there], np.float64),
        degc=np.array([each.degc for each in there], np.float64),
        stretch=np.zeros(count, np.int64),
        night=np.array([each.night for each in there], np.int64),
        cycle_no=np.array([each.cycle_no for each in there], np.int64),
        left_out=left_out,
    )


def fitted(job: FitJob) -> TrendFitted:
    """The course up to the newest cycle of a job, or why there is none. A pure function, 5 to some 500 ms."""
    try:
        with one_blas_thread():
            found = OTHERS.get(job.figure, _fitted)(job)
    except Exception as error:  # noqa: BLE001 - a figure whose course is not known says so; the night goes on
        return TrendFitted(job.figure, job.direction, job.cycle_no, error=f"{NOT_FITTED}: {fault(error)}")
    return TrendFitted(job.figure, job.direction, job.cycle_no, found)


def _fitted(job: FitJob) -> Fitted:
    series = series_of(job.points, job.figure, job.direction)
    course = course_of(series, job.zero_nm_per_k, lambda: job.variant_slopes)
    along = limits_ahead(course, job.variant, job.protect)
    hourly = limits_ahead(course, job.variant, job.protect, by_hours=True)
    moment = partial(bench_text, offsets=job.offsets)
    level = course.level
    found = Fitted(
        cycles=len(course.values),
        level=None if level is None else level[0],
        level_half=None if level is None else level[1],
        rates=tuple(rates_of(course, along, hourly)),
        changes=changes_of(course, moment, job.night),
        said=course_text(course, along, hourly),
        fingerprint=fingerprint(),
        because=_because(job, course),
    )
    if not job.learn:
        return found
    seen, chart = charted(course, job.threshold, CHART.decode(job.before) if job.before else None)
    model = msgspec.msgpack.encode(course.model) if isinstance(course.model, TemperatureModel) else b""
    return msgspec.structs.replace(
        found, alarmed=seen.ts is not None, model=model, chart=msgspec.msgpack.encode(chart)
    )


def _rolled(job: FitJob) -> Fitted:
    return Fitted(0, None, None, (), (), (), fingerprint(), rolled=estimated(job.tracks))


def _unchanged(job: FitJob) -> Fitted:
    """A signal that went bad, else another temperature, as a history says it."""
    found = (
        signal_because(job.kept, job.bad_ts, job.declared, referenced=job.referenced) if job.bad_ts else None
    )
    moved = None if found is not None else _moved(job.points)
    if moved is not None:
        found = temperature_because(job.kept, moved, job.declared, referenced=job.referenced)
    return Fitted(0, None, None, (), (), (), fingerprint(), because=found)


def _moved(points: Sequence[Point]) -> Window | None:
    """When the unit was at another temperature, by the first figure that has a value in these cycles."""
    figures = (
        name for place, name in enumerate(FOLLOWED) if any(each.values[place] is not None for each in points)
    )
    figure = next(figures, None)
    return None if figure is None else moved_temperature(series_of(points, figure, 0))


OTHERS = {ROLLING: _rolled, UNCHANGED: _unchanged}
"""What is asked in the place of a figure."""


def _because(job: FitJob, course: Course) -> Because | None:
    """What the newest change is consistent with."""
    if not job.kept or not course.found:
        return None
    window = window_of(course, len(course.found) - 1)
    return because(job.kept, window, job.declared, referenced=job.referenced)


def rates_of(course: Course, along: Sequence[TimeToLimit], hourly: Sequence[TimeToLimit]) -> Iterator[Rate]:
    """The slope along strokes and along hours, each once, with the nearest limit."""
    for line, limits in ((course.slope, along), (course.by_hours, hourly)):
        if not isinstance(line, Slope) or (limits is hourly and course.by_hours is course.slope):
            continue
        nearest = min(limits, key=lambda each: each.not_before, default=None)
        rate = Rate(line.axis.value, line.slope, line.slope_u, line.half_width)
        if nearest is not None:
            rate = msgspec.structs.replace(
                rate,
                limit=nearest.limit,
                bound=nearest.bound,
                not_before=nearest.not_before,
                capped=nearest.capped,
                towards=nearest.outcome in {Outcome.TOWARDS, Outcome.REACHED},
                said=words(nearest, course.series.unit),
            )
        yield rate


def changes_of(course: Course, moment: Moment, night: int) -> tuple[Changed, ...]:
    """Every change of a course, in order; cycles have a number where they are of this night."""
    return tuple(_changed(course, each, moment, night) for each in course.found)


def _changed(course: Course, found: Found, moment: Moment, night: int) -> Changed:
    change, series = found.change, course.series
    ts, ts_from, ts_to = course.spanned(change)
    low, high = course.places(change)

    def number(at: int) -> int | None:
        return int(series.cycle_no[at]) if series.night[at] == night else None

    return Changed(
        kind=change.kind.value,
        cycle_no=number(change.at),
        strokes=round(float(series.strokes[change.at])),
        ts=ts,
        cycle_no_from=number(low),
        cycle_no_to=number(high),
        ts_from=ts_from,
        ts_to=ts_to,
        before=change.before,
        u_before=change.u_before,
        after=change.after,
        u_after=change.u_after,
        placed=change.places[-1] < len(course.values) - LEAST - (CLEAR if change.kind is Kind.BEND else 0),
        said=changed_text(course, found, moment),
        strokes_from=round(float(series.strokes[low])),
        strokes_to=round(float(series.strokes[high])),
    )
