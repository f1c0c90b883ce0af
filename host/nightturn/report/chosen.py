"""Which runs a report is asked for, and which ran beside them."""

from collections.abc import Sequence
from datetime import date, timedelta

from nightturn.errors import RunNotFoundError
from nightturn.model.verdicts import ACCEPT
from nightturn.storage.manifest import ENDED
from nightturn.storage.runs import RunSummary
from nightturn.storage.zones import zone_of

NOON = timedelta(hours=12)
"""A night is named after the day on whose afternoon or evening it began, by the clocks of its bench."""


def date_of(run: RunSummary) -> date:
    """The date of the night in which a run began."""
    zone = zone_of(run.timezone)
    started = run.started_utc.astimezone(zone) if zone is not None else run.started_utc
    return (started - NOON).date()


def of_night(runs: Sequence[RunSummary], night: date | None) -> list[RunSummary]:
    """The newest run of each fixture in a night, or in the newest one; in the order of the fixtures.

    Raises:
        RunNotFoundError: no run began in it; names the nights that are near.
    """
    if night is None:
        night = max((date_of(each) for each in runs), default=None)
    found: dict[str, RunSummary] = {}
    for each in runs:  # the newest comes first
        if date_of(each) == night:
            found.setdefault(each.fixture, each)
    if not found or night is None:
        known = sorted({date_of(each) for each in runs})[-5:]
        nights = ", ".join(map(str, known)) or "none"
        raise RunNotFoundError(f"no run began in the night of {night}; the newest nights: {nights}")
    return [found[fixture] for fixture in sorted(found)]


def of_unit(runs: Sequence[RunSummary], unit: str) -> RunSummary:
    """The newest run of a unit.

    Raises:
        RunNotFoundError: it has none; names units that have.
    """
    for each in runs:
        if each.unit == unit:
            return each
    known = ", ".join(sorted({each.unit for each in runs if each.unit})[:5]) or "none"
    raise RunNotFoundError(f"no run of unit {unit}; there are runs of {known}")


def first_of(runs: Sequence[RunSummary], run: RunSummary) -> RunSummary:
    """The first run of the same unit.

    Raises:
        RunNotFoundError: the run is that one itself.
    """
    first = next(each for each in reversed(runs) if each.unit == run.unit)
    if (first.fixture, first.run) == (run.fixture, run.run):
        raise RunNotFoundError(f"{run.run} is the first run of {run.unit}; there is none before it")
    return first


def beside(runs: Sequence[RunSummary], run: RunSummary) -> list[RunSummary]:
    """The newest run of every other fixture in the same night that had a unit."""
    others = [each for each in of_night(runs, date_of(run)) if each.fixture != run.fixture]
    return [each for each in others if each.unit]


def accepted_before(runs: Sequence[RunSummary], run: RunSummary) -> list[RunSummary]:
    """Of every other unit of the variant the newest run that had ended and began no later than this one, where it is accepted.

    Later runs are no part of what a morning could know.
    """
    newest: dict[str, RunSummary] = {}
    for each in runs:  # the newest comes first
        known = each.night_verdict is not None and each.state == ENDED
        if known and each.unit and each.variant == run.variant and each.started_utc <= run.started_utc:
            newest.setdefault(each.unit, each)
    newest.pop(run.unit, None)
    return [
        each
        for each in newest.values()
        if each.night_verdict is not None and each.night_verdict.word == ACCEPT
    ]
