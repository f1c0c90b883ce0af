"""Everything that is told of a unit's life: its nights, the course of each figure, limits ahead, and what a change is consistent with."""

from collections.abc import Callable, Iterator, Sequence
from functools import cache, partial
from pathlib import Path

import msgspec
import numpy as np
import pandas as pd

from nightturn.calibration.records import certificate_of
from nightturn.errors import StorageError
from nightturn.estimation.figures import BREAKAWAY, COGGING_PP, FIGURES, FRICTION, RIPPLE_PP, RIPPLE_RMS, ZERO
from nightturn.evidence.wording import next_texts
from nightturn.model.trends import Because, Changed, Rate
from nightturn.model.verdicts import REJECT
from nightturn.outlook.watch_outlook import watch_budget
from nightturn.settings.rig import FALSE_ALARMS_PER_NIGHT, FixtureSettings
from nightturn.storage.zones import local_text
from nightturn.trend.change_point import VALUES_MIN
from nightturn.trend.course import Course, course_of, zero_per_k
from nightturn.trend.fits import changes_of, rates_of
from nightturn.trend.learning import Variant, VariantSlope, unknown_variant
from nightturn.trend.limits_ahead import limits_ahead
from nightturn.trend.series import Series
from nightturn.trend.slope import Axis
from nightturn.trend.time_to_limit import TimeToLimit, words
from nightturn.trend.unchanged import moved_temperature
from nightturn.trend.watch import known_before, watched
from nightturn.trend.wording import (
    change_text,
    course_text,
    left_out_text,
    level_text,
    temperature_text,
    watch_text,
)
from nightturn.unit_history.causes import (
    bad_signal_ts,
    because_of,
    because_of_signal,
    because_of_temperature,
    complete_begins,
    stored_rows,
)
from nightturn.unit_history.life import Life, life_of
from nightturn.unit_history.nights import Night
from nightturn.unit_history.standing import standing_still
from nightturn.unit_history.variant import slopes_of_variant

WORN = (FRICTION, RIPPLE_PP, COGGING_PP, RIPPLE_RMS, BREAKAWAY, ZERO)
"""Whose change is said first."""


class NightLine(msgspec.Struct, frozen=True):
    """One night: which run on which fixture, how much it added of what its plan has, its verdict; `problem` says why its figures are not here."""

    run: str
    fixture: str
    started_ts: int
    cycles: int
    complete: int
    strokes: int | None
    strokes_before: int
    verdict: str
    problem: str = ""
    strokes_planned: int = 0
    purpose: str = ""


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
        changes: all of them; numbers of cycles are of the newest night.
        rates: slopes along strokes and along hours, each with its interval and the nearest limit; none without a slope.
        not_before_strokes, not_before_hours: with 95 % no limit is reached before so many more, never more than three times what was seen;
            None without a slope or a limit.
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
    changes: tuple[Changed, ...] = ()
    rates: tuple[Rate, ...] = ()
    not_before_strokes: float | None = None
    not_before_hours: float | None = None


class NextLine(msgspec.Struct, frozen=True):
    """What to measure next, and which cause that would hold or rule out."""

    what: str
    why: str


class CauseLine(msgspec.Struct, frozen=True):
    """What one change is consistent with.

    Attributes:
        figure, direction, title: of which figure. changed_ts: when it most likely was, UTC ns.
        names: causes that fit by their key in the table, best first. said: the sentences.
    """

    figure: str
    direction: int
    title: str
    changed_ts: int
    names: tuple[str, ...]
    said: tuple[str, ...]


class Account(msgspec.Struct, frozen=True):
    """The life of a unit as it is told.

    Attributes:
        strokes, revolutions: recorded strokes, and turns by the plan. hours_at: hours in cycles by the lower end of classes of 5 K;
            None stands for hours without a temperature.
        beside: strokes and hours of warm-up and soak by phase; park_stops: how often the shaft was parked for a person.
        temperature: whether it stood still when the last night ended.
        watch: what the rate of false alarms means for this unit.
        courses: by figure and direction. causes: what the first change is consistent with, or a torque signal that went bad, sentences; empty
            without either.
        asked: the same of every change of every figure, the first of which `causes` repeats.
        unknown: nights of which no figures are here, and why.
        measure_next: for each cause of the first change, what would hold it or rule it out.
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
    asked: tuple[CauseLine, ...] = ()
    measure_next: tuple[NextLine, ...] = ()
    rejected_ts: int | None = None


RowsOf = Callable[[Night], pd.DataFrame]
"""A night's cycles with what causes are asked of."""


def account_of(
    root: str | Path,
    unit: str,
    false_alarms_per_night: float = FALSE_ALARMS_PER_NIGHT,
    fixtures: int = 1,
    until: str = "",
) -> Account:
    """The account of a unit's life below a data root; a rate that a bench of so many fixtures shares gives the threshold of its live watch.

    With a run as `until` only what was recorded up to its end.

    Raises:
        RunNotFoundError: no such root, or no run of that unit.
        ConfigError: no watch keeps that rate of false alarms.
    """
    found, rows_of = life_of(root, unit, until), partial(stored_rows, Path(root))
    return account(found, rows_of, false_alarms_per_night, fixtures, variant_of(Path(root), found))


def variant_of(root: Path, found: Life) -> Variant:
    """What other units of its variant say of temperature, read once where a figure asks."""

    @cache
    def slopes() -> Sequence[VariantSlope]:
        newest = found.nights[-1]
        return slopes_of_variant(root, newest.settings.card.variant, found.unit, newest.place.plan)

    return slopes


def account(
    found: Life,
    rows_of: RowsOf,
    false_alarms_per_night: float = FALSE_ALARMS_PER_NIGHT,
    fixtures: int = 1,
    variant: Variant = unknown_variant,
) -> Account:
    """The same of a life; `rows_of` reads the cycles of the night in which something changed, `variant` what is known of other units."""
    per_k = zero_per_k(certificate_of(found.nights[-1].settings.calibration)) if found.nights else 0.0
    courses = [course_of(series, per_k, variant) for series in found.series]
    asked = tuple(_asked(rows_of, found, courses))
    budget = watch_budget(_newest(found), fixtures, false_alarms_per_night) if courses else None
    zone = found.nights[-1].timezone if found.nights else "UTC"
    return Account(
        unit=found.unit,
        timezone=zone,
        strokes=found.strokes,
        revolutions=sum(night.revolutions for night in found.nights),
        hours_at=tuple((low if np.isfinite(low) else None, hours) for low, hours in found.hours_at.items()),
        watch=budget.sentence() if budget is not None else "",
        temperature=temperature_text(standing_still(found.nights[-1])) if found.nights else "",
        nights=tuple(_nights(found)),
        steps=tuple(StepLine(step.ts, step.strokes, step.words) for step in found.steps),
        courses=tuple(
            _line(*each, found, zone, budget.threshold, variant)
            for each in zip(courses, found.series, strict=True)
            if budget is not None
        ),
        causes=asked[0].said if asked else (),
        unknown=found.unknown,
        beside=found.beside(),
        park_stops=found.park_stops,
        asked=asked,
        measure_next=tuple(
            NextLine(*each) for each in map(next_texts, asked[0].names if asked else ()) if each
        ),
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
            night.strokes_planned,
            night.purpose,
        )
        for night, before in zip(found.nights, found.strokes_before, strict=True)
    ]


def _newest(found: Life) -> FixtureSettings:
    """The rig of its newest night."""
    return found.nights[-1].settings.fixture


def _line(
    course: Course, whole: Series, found: Life, zone: str, threshold: float, variant: Variant
) -> CourseLine:
    series, first = course.series, course.found[0].change if course.found else None
    at = course.when
    level = course.level
    settings = found.nights[-1].settings
    limits = limits_ahead(course, settings.variant, settings.fixture.protect)
    hourly = limits_ahead(course, settings.variant, settings.fixture.protect, by_hours=True)
    watch = watched(course, threshold, known_before(whole, found.mountings, threshold, variant))
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
        said=(*change_text(course, moment), *course_text(course, limits, hourly)),
        changes=changes_of(course, moment, len(found.nights) - 1),
        rates=tuple(rates_of(course, limits, hourly)),
        not_before_strokes=_soonest(limits) if course.axis is Axis.STROKES else None,
        not_before_hours=_soonest(hourly),
    )


def _soonest(limits: Sequence[TimeToLimit]) -> float | None:
    return min((each.not_before for each in limits), default=None)


def _rank(course: Course, place: int) -> tuple[int, bool, float]:
    """What is worn by turning first; the first change of a figure, and the plainest."""
    return WORN.index(course.series.figure), place > 0, -abs(course.found[place].change.gain)


def _asked(rows_of: RowsOf, found: Life, courses: Sequence[Course]) -> Iterator[CauseLine]:
    """What each change is consistent with, those that are said first in front; each night is read once."""
    read: dict[str, pd.DataFrame] = {}

    def rows(night: Night) -> pd.DataFrame:
        if night.run not in read:
            read[night.run] = rows_of(night)
        return read[night.run]

    changed = [(course, place) for course in courses for place in range(len(course.found))]
    changed.sort(key=lambda each: _rank(*each))
    begins = complete_begins(found.nights) if changed else []
    for course, place in changed:
        because = _asked_for(partial(because_of, course, place, found.nights, begins, rows))
        assert because is not None
        figure, at = course.series.figure, course.spanned(course.found[place].change)[0]
        title = FIGURES[figure].followed
        yield CauseLine(figure, course.series.direction, title, at, because.names, because.said)
    if not changed and found.nights:
        line = _bad_signal(rows, found.nights[-1]) or _temperature(rows, found)
        yield from [line] if line is not None else []


def _bad_signal(rows_of: RowsOf, night: Night) -> CauseLine | None:
    """What a torque signal that went bad in the last night is consistent with; its cycles have no figure."""
    bad = bad_signal_ts(night)
    if bad is None:
        return None
    because = _asked_for(lambda: because_of_signal(night, rows_of(night), bad))
    return None if because is None else CauseLine("", 0, "torque signal", bad, because.names, because.said)


def _temperature(rows_of: RowsOf, found: Life) -> CauseLine | None:
    """What a unit that became colder or warmer in the last night has to say of it, where what it may have done is no change."""
    night, window = found.nights[-1], moved_temperature(found.series[0]) if found.series else None
    if window is None or found.series[0].night[-1] != len(found.nights) - 1:
        return None
    because = _asked_for(lambda: because_of_temperature(night, rows_of(night), window))
    if because is None:
        return None
    return CauseLine("", 0, "temperature", window.first, because.names, because.said)


def _asked_for(ask: Callable[[], Because | None]) -> Because | None:
    try:
        return ask()
    except StorageError as error:
        return Because((), (f"Causes are not looked for: {error}",))
