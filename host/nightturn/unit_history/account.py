"""Everything that is told of a unit's life: its nights, the course of each figure, limits ahead, and what a change is consistent with."""

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import msgspec
import numpy as np
import pandas as pd

from nightturn.calibration.records import certificate_of
from nightturn.errors import StorageError
from nightturn.estimation.figures import BREAKAWAY, COGGING_PP, FIGURES, FRICTION, RIPPLE_PP, RIPPLE_RMS, ZERO
from nightturn.evidence.judge import NOTHING_MOVED
from nightturn.evidence.wording import finding_text, how_text
from nightturn.model.verdicts import REJECT
from nightturn.settings.rig import FALSE_ALARMS_PER_NIGHT
from nightturn.storage.reader import Run
from nightturn.storage.zones import local_text
from nightturn.trend.change_point import VALUES_MIN
from nightturn.trend.course import Course, course_of, zero_per_k
from nightturn.trend.limits_ahead import limits_ahead
from nightturn.trend.run_length import Budget
from nightturn.trend.time_to_limit import words
from nightturn.trend.watch import watched
from nightturn.trend.wording import (
    change_text,
    course_text,
    left_out_text,
    level_text,
    temperature_text,
    watch_text,
)
from nightturn.unit_history.causes import bad_signal_ts, causes_since
from nightturn.unit_history.life import Life, life_of
from nightturn.unit_history.nights import Night
from nightturn.unit_history.standing import standing_still
from nightturn.unit_history.watch import budget_of

WORN = (FRICTION, RIPPLE_PP, COGGING_PP, RIPPLE_RMS, BREAKAWAY, ZERO)
"""Whose change is asked for its cause, the first of them that changed."""


class NightLine(msgspec.Struct, frozen=True):
    """One night: which run on which fixture, how much it added, its verdict; `problem` says why its figures are not here."""

    run: str
    fixture: str
    started_ts: int
    cycles: int
    complete: int
    strokes: int | None
    strokes_before: int
    verdict: str
    problem: str = ""


class StepLine(msgspec.Struct, frozen=True):
    """A known change of how the unit was measured."""

    ts: int
    strokes: int
    words: str


class CourseLine(msgspec.Struct, frozen=True):
    """The course of one figure in one direction.

    Attributes:
        figure, direction: which. title: for people.
        cycles: that are judged; judged: whether they are enough to look for a change; left_out: why others are not, in words.
        level, level_half: where it is now, N·m, with the 95 % interval; None where that is not known.
        limit_text: the nearest limit ahead; empty without one or without a slope.
        watch_ts: when a watch that sees one cycle after the other told of a change; watch_text: that, or why it would not.
        changed_ts, changed_strokes: the first change behind the last known step; from, to: the 90 % set, UTC ns.
        said: the sentences.
    """

    figure: str
    direction: int
    title: str
    cycles: int
    judged: bool
    left_out: str
    level: float | None
    level_half: float | None
    level_text: str
    limit_text: str
    watch_ts: int | None
    watch_text: str
    changed_ts: int | None
    changed_from_ts: int | None
    changed_to_ts: int | None
    changed_strokes: int | None
    said: tuple[str, ...]


class Account(msgspec.Struct, frozen=True):
    """The life of a unit as it is told.

    Attributes:
        strokes, revolutions: recorded strokes, and turns by the plan. hours_at: hours in cycles by the lower end of classes of 5 K;
            None stands for hours without a temperature.
        beside: strokes and hours of warm-up and soak by phase; park_stops: how often the shaft was parked for a person.
        temperature: whether it stood still when the last night ended.
        watch: what the rate of false alarms means for this unit.
        courses: by figure and direction. causes: what the first change is consistent with, or a torque signal
            that went bad, sentences; empty without either.
        unknown: nights of which no figures are here, and why.
        rejected_ts: when the first cycle of the last night began that its limits reject, UTC ns; None without one.
    """

    unit: str
    timezone: str
    strokes: int
    revolutions: float
    hours_at: tuple[tuple[float | None, float], ...]
    watch: str
    temperature: str
    nights: tuple[NightLine, ...]
    steps: tuple[StepLine, ...]
    courses: tuple[CourseLine, ...]
    causes: tuple[str, ...]
    unknown: tuple[str, ...]
    beside: dict[str, tuple[int, float]] = {}
    park_stops: int = 0
    rejected_ts: int | None = None


RowsOf = Callable[[Night], pd.DataFrame]
"""All columns of a night's cycles."""


def account_of(
    root: str | Path, unit: str, false_alarms_per_night: float = FALSE_ALARMS_PER_NIGHT
) -> Account:
    """The account of a unit's life below a data root.

    Raises:
        RunNotFoundError: no such root, or no run of that unit.
        ConfigError: no watch keeps that rate of false alarms.
    """

    def rows_of(night: Night) -> pd.DataFrame:
        rows = Run(Path(root), night.place.fixture, night.run).cycles()
        return rows.sort_values("ts_start", kind="stable", ignore_index=True)

    return account(life_of(root, unit), rows_of, false_alarms_per_night)


def account(found: Life, rows_of: RowsOf, false_alarms_per_night: float = FALSE_ALARMS_PER_NIGHT) -> Account:
    """The same of a life; `rows_of` reads the cycles of the night in which something changed."""
    per_k = zero_per_k(certificate_of(found.nights[-1].settings.calibration)) if found.nights else 0.0
    courses = [course_of(series, per_k) for series in found.series]
    budget = budget_of(courses, false_alarms_per_night)
    zone = found.nights[-1].timezone if found.nights else "UTC"
    return Account(
        unit=found.unit,
        timezone=zone,
        strokes=found.strokes,
        revolutions=sum(night.revolutions for night in found.nights),
        hours_at=tuple((low if np.isfinite(low) else None, hours) for low, hours in found.hours_at().items()),
        watch=budget.sentence() if courses else "",
        temperature=temperature_text(standing_still(found.nights[-1])) if found.nights else "",
        nights=tuple(_nights(found)),
        steps=tuple(StepLine(step.ts, step.strokes, step.words) for step in found.steps),
        courses=tuple(_line(course, found, zone, budget) for course in courses),
        causes=_causes(rows_of, found, courses),
        unknown=found.unknown,
        beside=found.beside(),
        park_stops=found.park_stops,
        rejected_ts=_rejected(found.nights[-1]) if found.nights else None,
    )


def _rejected(night: Night) -> int | None:
    begins = night.cycles["ts_start"][night.cycles["verdict"] == REJECT]
    return int(begins.astype("int64").min()) if len(begins) else None


def _nights(found: Life) -> Sequence[NightLine]:
    return [
        NightLine(
            night.run,
            night.place.fixture,
            night.started_ts,
            len(night.cycles),
            night.complete,
            None if night.strokes is None else len(night.strokes),
            before,
            night.verdict,
            night.problem,
        )
        for night, before in zip(found.nights, found.strokes_before, strict=True)
    ]


def _line(course: Course, found: Life, zone: str, budget: Budget) -> CourseLine:
    series, first = course.series, course.found[0].change if course.found else None
    at = course.when
    level = course.level
    settings = found.nights[-1].settings
    limits = limits_ahead(course, settings.variant, settings.fixture.protect)
    watch = watched(course, budget.threshold)
    moment = partial(local_text, zone=zone)
    return CourseLine(
        figure=series.figure,
        direction=series.direction,
        title=FIGURES[series.figure].followed,
        cycles=len(series.value),
        judged=len(series.value) >= VALUES_MIN,
        left_out=left_out_text(course),
        level=None if level is None else level[0],
        level_half=None if level is None else level[1],
        level_text=level_text(course),
        limit_text=words(limits[0], series.unit) if limits else "",
        watch_ts=watch.ts,
        watch_text=watch_text(watch, moment),
        changed_ts=None if at is None else at[0],
        changed_from_ts=None if at is None else at[1],
        changed_to_ts=None if at is None else at[2],
        changed_strokes=None if first is None else int(series.strokes[first.at]),
        said=(*change_text(course, moment), *course_text(course, limits)),
    )


def _begun(found: Life, courses: Sequence[Course]) -> tuple[Night, int] | None:
    """In which night and when the first figure changed; where none did, when the torque signal of the last night went bad."""
    changed = [course for course in courses if course.found]
    if changed:
        course = min(
            changed, key=lambda each: (WORN.index(each.series.figure), -abs(each.found[0].change.gain))
        )
        place = course.found[0].change.places[0]
        return found.nights[int(course.series.night[place])], int(course.series.ts[place])
    if not found.nights:
        return None
    night = found.nights[-1]
    bad = bad_signal_ts(night)
    return None if bad is None else (night, bad)


def _causes(rows_of: RowsOf, found: Life, courses: Sequence[Course]) -> tuple[str, ...]:
    """What the first figure that changed is consistent with; a change within one night alone can be held against its own baseline."""
    begun = _begun(found, courses)
    if begun is None:
        return ()
    night, ts = begun
    try:
        rows = rows_of(night)
    except StorageError as error:
        return (f"Causes are not looked for: {error}",)
    features, findings = causes_since(night, rows, ts)
    if findings[0].cause == NOTHING_MOVED:
        return (finding_text(findings[0], features),)
    return (*(finding_text(each, features) for each in findings), how_text(features))
