"""One run as a page: the verdict first, what a person must do, how it stands now, then the pictures and what lies behind them."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from nightturn.estimation.figures import FIGURES
from nightturn.model.quantities import number, quantity
from nightturn.model.verdicts import MAX
from nightturn.pictures.night import Bound, moment_text
from nightturn.pictures.picture import Picture
from nightturn.pictures.ruler import draw_ruler
from nightturn.report.first_page import LIMIT_HEAD, FirstPage
from nightturn.report.night import ReportNight
from nightturn.report.notes import notes
from nightturn.report.rig_words import OTHERS
from nightturn.storage.alarm_log import Book
from nightturn.storage.runs import RunSummary
from nightturn.trend.series import NEAR
from nightturn.web.alarm_list import lines_of, of_fixture
from nightturn.web.glance import Glance, planned_end
from nightturn.web.nights import Shown
from nightturn.web.people import Person
from nightturn.web.templates import page
from nightturn.web.wall_page import clocks_text

ORDER = ("turn", "lens", "night", "map", "orders", "order-map", "temperature")
"""Of the pictures; those of events follow."""
EVENTS_MAX = 60
LONG = 240
"""Characters of an event from which its first sentence is shown and the rest folded."""
OTHER_RUNS_MAX = 12


@dataclass(frozen=True, slots=True)
class Hands:
    """Who looks at a page, None for somebody who is not signed in; and whether a daemon can be asked for something."""

    person: Person | None
    daemon: bool

    @property
    def may_act(self) -> bool:
        """Whether the page offers to acknowledge, pause and stop."""
        return self.daemon and self.person is not None and self.person.may_act


NOBODY = Hands(None, daemon=False)


def run_page(
    shown: Shown,
    glance: Glance,
    runs: Sequence[RunSummary],
    *,
    hands: Hands,
    live: bool,
    book: Book | None,
    width_px: int,
    now_ns: int,
    source: str,
    etag: str,
) -> str:
    """The whole page of a run.

    Args:
        shown: the run.
        glance: the same at a glance, as it is now.
        runs: all runs of its fixture, newest first.
        hands: who looks, and whether a daemon can be asked for something.
        live: whether a daemon says now what the sensors show.
        book: the alarms; None for a run that is not its fixture's newest, of which nothing is open.
        width_px: of the pictures.
        now_ns: UTC, for the offset of its clocks.
        source: whether somebody records it, in words.
        etag: of what it shows.
    """
    night = shown.night
    known = bool(len(night.cycles))
    return page(
        "fixture.html",
        title=f"{glance.fixture}: {glance.sentence}",
        etag=etag,
        live=not night.ended,
        strip=live,
        clock=clocks_text([night.summary.timezone], now_ns),
        source=source,
        glance=glance,
        first=shown.first,
        happens=known or night.ended,
        more="" if glance.more == glance.waits or (known and not live and not glance.asks) else glance.more,
        to_do=_to_do(glance, shown.first if known or night.ended else None),
        hands=hands,
        width=width_px,
        pictures=sorted(shown.drawn.pictures, key=_place),
        missing=[text for _, text in shown.drawn.missing],
        **_alarms(night, book),
        **_behind(night, shown.first, runs),
    )


def _to_do(glance: Glance, first: FirstPage | None) -> tuple[tuple[str, str], ...]:
    """What a person must do, each with its reason: what it waits for now, then what the report says; nothing only where nobody is asked for."""
    waits = ((glance.waits, ""),) if glance.asks and glance.waits else ()
    found = (*waits, *((each.what, each.why) for each in (first.to_do if first is not None else ())))
    return found or (((glance.more or glance.sentence, ""),) if glance.asks else ())


def _alarms(night: ReportNight, book: Book | None) -> dict[str, object]:
    rows = of_fixture(book, night.run.fixture) if book is not None else ()
    return {
        "alarms": lines_of(rows, night.summary.timezone),
        "alarm_problem": book.problem if book is not None else "",
    }


def _behind(night: ReportNight, first: FirstPage, runs: Sequence[RunSummary]) -> dict[str, object]:
    """What stands beside and below the pictures."""
    events, left = _events(night)
    return {
        "now_title": "At its end" if night.ended else "Now",
        "now_sentence": _stands(night),
        "rulers": tuple(_rulers(night)),
        "now": tuple(_now(night)),
        "limit_head": LIMIT_HEAD,
        "rig": [row for row in first.rig if row[0] != OTHERS],
        "events": events,
        "logbook": notes(night),
        "events_left": left,
        "run": night.run.run,
        "replay": f"nightturn replay {night.run.run} --at HH:MM",
        "others": _others(night, runs),
    }


def idle_page(glance: Glance, *, clock: str, source: str, etag: str) -> str:
    """The page of a fixture of which nothing is recorded yet."""
    return page("idle.html", glance=glance, clock=clock, source=source, etag=etag)


def _place(picture: Picture) -> int:
    return ORDER.index(picture.name) if picture.name in ORDER else len(ORDER)


def _stands(night: ReportNight) -> str:
    """What it does, from what is recorded."""
    summary = night.summary
    if summary.state == "ended":
        return f"Ended {moment_text(night.over[1], night.zone)}: {summary.reason or 'no reason is recorded'}."
    if summary.state == "interrupted":
        return "Nobody records it at the moment; the next start of the daemon goes on with it."
    if summary.state == "running":
        why = f": {summary.motion_text}" if summary.motion_text else ""
        return f"Recorded now. Motion is {summary.motion or 'not known'}{why}."
    return "Whether it goes on is not known."


def _rulers(night: ReportNight) -> Iterator[Picture]:
    """The newest judged value of each figure that has a limit."""
    for place, each in enumerate(night.verdict.limits if night.verdict is not None else ()):
        spec = FIGURES[each.figure]
        values, halves = night.values(each.figure), night.halves(each.figure)
        good = np.flatnonzero(np.isfinite(values))
        if not len(good):
            continue
        half = float(halves[good[-1]])
        yield draw_ruler(
            f"{spec.spoken}, newest cycle",
            spec.unit,
            float(values[good[-1]]),
            half if np.isfinite(half) else float("inf"),
            Bound(each.limit, each.direction == MAX),
            name=f"ruler-{place}",
        )


def _now(night: ReportNight) -> Iterator[tuple[str, str]]:
    cycles, planned = night.cycles, night.settings.fixture.plan.cycles
    if not len(cycles):
        yield "cycle", f"none finished of {number(planned)}"
    else:
        last = cycles.iloc[-1]
        yield "cycle", f"{number(int(last['cycle_no']))} of {number(planned)}"
        yield "it ended", moment_text(int(night.ended_ts[-1]), night.zone)
        for role in NEAR:
            name = f"temp_{role}_degc"
            if name in cycles:
                value = float(last[name])
                yield role, quantity(value, "°C", digits=3) if np.isfinite(value) else "not measured"
    if night.summary.state == "running":
        end_ns = planned_end(night)
        yield "expected end", moment_text(end_ns, night.zone) if end_ns is not None else "not known"
        yield (
            "newer figures",
            f"with the next files, every {number(night.settings.fixture.chunk_s / 60, 3)} min at most",
        )
    missing = sum(each.samples for each in night.gaps)
    yield "samples missing", number(missing, 9) if missing else "none"
    yield "on the disk up to", moment_text(night.over[1], night.zone)


def _events(night: ReportNight) -> tuple[tuple[tuple[str, str, str, str], ...], str]:
    """The newest events first: when, what, in words, and what a long one says behind its first sentence; and how many are not shown."""
    newest = night.events[::-1][:EVENTS_MAX]
    rows = tuple(
        (moment_text(each.ts, night.zone), each.kind.replace("_", " "), *_folded(each.detail))
        for each in newest
    )
    left = len(night.events) - len(rows)
    return rows, f"{left} older ones are in the report's dataset `events`." if left > 0 else ""


def _folded(text: str) -> tuple[str, str]:
    first, dot, behind = text.partition(". ")
    return (f"{first}{dot.strip()}", behind) if len(text) > LONG else (text, "")


def _others(night: ReportNight, runs: Sequence[RunSummary]) -> list[dict[str, str]]:
    found = [each for each in runs if each.run != night.run.run][:OTHER_RUNS_MAX]
    return [
        {"run": each.run, "words": f"{each.unit or 'unit not known'}, {each.started_utc:%Y-%m-%d}"}
        for each in found
    ]
