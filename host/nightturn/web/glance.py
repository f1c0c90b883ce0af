"""One fixture at a glance: one sentence, how soon a person has to act, and the night as a line against its limit."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from nightturn.errors import RunNotFoundError, StorageError
from nightturn.estimation.figures import FIGURES, FRICTION
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.clocks import NS_PER_S
from nightturn.model.figures import REPEATABILITY
from nightturn.model.nights import LimitVerdict, NightVerdict
from nightturn.model.quantities import interval, number, quantity
from nightturn.model.verdicts import MAX
from nightturn.pictures.night import Bound, Row, moment_text
from nightturn.pictures.strip import draw_strip
from nightturn.report.first_words import first_words
from nightturn.report.night import ReportNight, glimpse_of
from nightturn.sentences.morning import OF_RATED, PER_CENT, Severity
from nightturn.sentences.wall import silent_sentence
from nightturn.storage.reader import Run
from nightturn.storage.runs import RunSummary

CHANGES_MAX = 2
OUTSIDE = {
    "locked": "waits for a person",
    "paused": "paused",
    "allowed": "about to turn",
    "announced": "about to turn",
    "stopping": "stopping",
    "turning": "turning",
}
"""What motion does, in words for a tile."""
TREND_COLUMNS = ("ts", "figure", "direction", "changed_cycle_no", "ts_changed")


@dataclass(frozen=True, slots=True)
class Glance:
    """What a tile of the wall says of one fixture.

    Attributes:
        fixture, run, unit, variant: which.
        need: how soon a person has to act.
        quiet: whether nothing asks for anybody's eyes.
        silent: whether nothing is known of now.
        turning: whether it turns and passes so far.
        word: what it does, in a word or two. sentence: what is to be said first; more: what the run's watch saw change, or empty.
        strip: an SVG of the night, empty where there is nothing to draw.
        waits: what it waits for a person to do, from its daemon. begun, until: moments at the strip's ends. value: the figure nearest its limit. foot: cycle and time. The strip ends with the newest
            sealed file; where a daemon speaks, value and foot are those of the cycle that ended last.
    """

    fixture: str
    run: str
    unit: str
    variant: str
    need: Severity
    quiet: bool
    silent: bool
    turning: bool
    word: str
    sentence: str
    more: str = ""
    waits: str = ""
    strip: str = ""
    begun: str = ""
    until: str = ""
    value: str = ""
    foot: str = ""

    @property
    def asks(self) -> bool:
        """Whether a person has to act, today or now."""
        return self.need > Severity.NOTE


def glance_of(run: Run, summary: RunSummary) -> Glance:
    """A fixture by its newest run as it is stored; what cannot be read is said, never left out."""
    figures = _figures(summary)
    try:
        night = glimpse_of(run, summary, figures)
    except (RunNotFoundError, StorageError) as error:
        return _unreadable(summary, str(error))
    changed = tuple(_changed(run, night))
    first = first_words(night, changed=bool(changed))
    need, sentence, inside = first.need, first.sentence, first.inside
    silent = summary.state == "interrupted"
    if silent:
        need = need if need is Severity.ACT_NOW else Severity.NOTE
        sentence = silent_sentence(_last_word(night), _was(night))
    nearest = _nearest(night)
    strip, until = _strip(night, nearest)
    turning = summary.state == "running" and summary.motion == "turning"
    return Glance(
        fixture=summary.fixture,
        run=summary.run,
        unit=night.unit,
        variant=summary.variant,
        need=need,
        quiet=need is Severity.NOTE and inside and not silent,
        silent=silent,
        turning=turning and inside and need is Severity.NOTE,
        word=_word(summary),
        sentence=sentence,
        more=" ".join([*([first.more] if first.more else []), *changed[:CHANGES_MAX]]),
        strip=strip,
        begun=clock_text(night.over[0], night),
        until=until,
        value=_value(night, nearest) if not silent else "",
        foot=_foot(night),
    )


def _figures(summary: RunSummary) -> tuple[str, ...]:
    verdict = summary.night_verdict
    limits = verdict.limits if verdict is not None else ()
    return tuple(dict.fromkeys(each.figure for each in limits)) or (FRICTION,)


def _unreadable(summary: RunSummary, why: str) -> Glance:
    """Nothing can be said of the run; while it is recorded that is so until its first chunk is sealed."""
    running = summary.state == "running"
    sentence = (
        "Begun; nothing of it is sealed on the disk yet."
        if running
        else f"Nothing can be said of run {summary.run}: {why}."
    )
    return Glance(
        fixture=summary.fixture,
        run=summary.run,
        unit=summary.unit or "unit not known",
        variant=summary.variant,
        need=Severity.NOTE if running else Severity.TODAY,
        quiet=False,
        silent=False,
        turning=False,
        word=_word(summary),
        sentence=sentence,
    )


def _word(summary: RunSummary) -> str:
    if summary.state == "running":
        return OUTSIDE.get(summary.motion, summary.motion or "recording")
    return {"interrupted": "no word", "ended": "ended"}.get(summary.state, "not known")


def _changed(run: Run, night: ReportNight) -> Iterator[str]:
    """`Friction changed at 28 Nov 04:04 +00:00.`: what the run's own watch has seen and placed, the first first."""
    try:
        rows = run.frame("trend", TREND_COLUMNS)
    except StorageError:
        return
    if not len(rows):
        return
    newest = rows.sort_values("ts", kind="stable").groupby(["figure", "direction"]).tail(1)
    seen = newest[newest["changed_cycle_no"].notna()].sort_values("ts_changed", kind="stable")
    for figure, ts in seen.drop_duplicates("figure")[["figure", "ts_changed"]].itertuples(index=False):
        if pd.notna(ts) and figure in FIGURES:
            spoken = FIGURES[figure].spoken
            yield f"{spoken[:1].upper()}{spoken[1:]} changed at {moment_text(int(ts.value), night.zone)}."


def _nearest(night: ReportNight) -> LimitVerdict | None:
    """The limit whose figure is nearest to it in the newest judged cycle, or farthest beyond."""
    newest = {}
    for each in night.verdict.limits if night.verdict is not None else ():
        values = night.values(each.figure)
        good = values[np.isfinite(values)]
        if len(good):
            newest[each.figure] = float(good[-1])
    return nearest_of(night.verdict, newest)


def nearest_of(verdict: NightVerdict | None, values: Mapping[str, float]) -> LimitVerdict | None:
    """The limit of a verdict that one of these figures is nearest to, or farthest beyond."""
    used: list[tuple[float, LimitVerdict]] = []
    for each in verdict.limits if verdict is not None else ():
        if each.figure in values and each.limit:
            part = abs(values[each.figure] / each.limit)
            used.append((part if each.direction == MAX else 1 / max(part, 1e-9), each))
    return max(used, key=lambda pair: pair[0])[1] if used else None


def _row(night: ReportNight, nearest: LimitVerdict | None) -> Row:
    figure = nearest.figure if nearest is not None else _figures(night.summary)[0]
    spec = FIGURES[figure]
    bounds = (Bound(nearest.limit, nearest.direction == MAX),) if nearest is not None else ()
    forward = (night.cycles["direction"] > 0).to_numpy()
    return Row(
        spec.spoken, spec.unit, night.ended_ts, night.values(figure), night.halves(figure), forward, bounds
    )


def _strip(night: ReportNight, nearest: LimitVerdict | None) -> tuple[str, str]:
    """The strip and the moment at its right end: the planned end while the run goes on."""
    begin, end = night.over
    planned = planned_end(night) if not night.ended else None
    over = (begin, max(end, planned or end))
    if not len(night.cycles):
        return "", ""
    holes = [(each.from_ts, each.to_ts) for each in night.gaps]
    picture = draw_strip(_row(night, nearest), holes, over, night.zone, name=f"strip-{night.run.fixture}")
    words = clock_text(over[1], night)
    return picture.svg, f"planned end {words}" if planned is not None and planned > end else words


def planned_end(night: ReportNight) -> int | None:
    """When the plan is through if cycles go on as the last ones went; None before two."""
    ends, planned = night.ended_ts, night.settings.fixture.plan.cycles
    if len(ends) < 2:
        return None
    each_ns = float(np.median(np.diff(ends)))
    left = max(planned - int(night.cycles["cycle_no"].iloc[-1]), 0)
    return int(ends[-1]) + round(left * each_ns)


def clock_text(ns: int, night: ReportNight) -> str:
    """`07:06` by the clocks of the run's bench."""
    return moment_text(ns, night.zone).split(" ")[2]


def _value(night: ReportNight, nearest: LimitVerdict | None) -> str:
    """That of the newest judged cycle on the disk."""
    if nearest is None:
        return "no figure has been judged yet" if len(night.cycles) else ""
    values, half = night.values(nearest.figure), night.halves(nearest.figure)
    at = int(np.flatnonzero(np.isfinite(values))[-1])
    return value_text(nearest, float(values[at]), float(half[at]))


def value_text(limit: LimitVerdict, value: float, half: float) -> str:
    """`ripple 0.649 ± 0.008 % of rated torque, 0.6 % allowed`; `(repeatability)` behind a ± that is no more."""
    spec = FIGURES[limit.figure]
    wide, u, nu = half, limit.u, limit.nu
    if not np.isfinite(wide):
        wide = coverage_factor(nu) * u if u is not None and nu is not None else float("inf")
    text = interval(value, wide, spec.unit, beside=limit.limit)
    if spec.unit == PER_CENT:
        text = text.replace(PER_CENT, OF_RATED, 1)
    if limit.kind == REPEATABILITY:
        text += f" ({REPEATABILITY})"
    allowed = quantity(limit.limit, spec.unit, beside=value)
    return f"{spec.spoken} {text}, {allowed} {'allowed' if limit.direction == MAX else 'asked for'}"


def _foot(night: ReportNight) -> str:
    if not len(night.cycles):
        return "no cycle yet"
    planned = night.settings.fixture.plan.cycles
    no = int(night.cycles["cycle_no"].iloc[-1])
    return f"cycle {number(no)} of {number(planned)}, {clock_text(int(night.ended_ts[-1]), night)}"


def _last_word(night: ReportNight) -> str:
    last = max([*night.ended_ts.tolist(), *(each.to_ts for each in night.gaps)], default=0)
    return moment_text(int(last), night.zone) if last > NS_PER_S else ""


def _was(night: ReportNight) -> tuple[str, ...]:
    motion = night.summary.motion
    did = (OUTSIDE.get(motion, motion),) if motion else ()
    return (*did, f"cycle {int(night.cycles['cycle_no'].iloc[-1])}") if len(night.cycles) else did
