"""Did the night count: hours, strokes and cycles of what was planned, what is missing and why, who was at the rig."""

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping

import numpy as np

from nightturn.estimation.figures import FIGURES
from nightturn.model.clocks import NS_PER_S
from nightturn.model.figures import OK
from nightturn.model.limits import settled
from nightturn.model.phases import EXERCISE
from nightturn.model.quantities import fixed, number
from nightturn.model.tiles import Float64s
from nightturn.model.verdicts import ends_of
from nightturn.pictures.night import moment_text
from nightturn.report.night import ReportNight
from nightturn.sentences.lost import lost_text
from nightturn.sentences.purpose import purpose_text

S_PER_H = 3600.0
REASONS_MAX = 3
PEOPLE_KINDS = frozenset({"motion_allowed", "intervention", "motion_stopped", "parked", "motion_ended"})
"""Events at which a person or a limit changed what the shaft may do."""
PEOPLE_MAX = 12
WORDS = re.compile(r"[^\W\d_]+")
MANY = 1_000_000
SERIOUS = 0.01
"""Part of the night without samples from which on it was disturbed."""


def counted(night: ReportNight) -> tuple[tuple[str, str], ...]:
    """Rows of name and words."""
    return tuple(_rows(night))


def disturbed(night: ReportNight) -> bool:
    """Whether a good part of the samples is missing, or of the cycles could not be judged."""
    begin, end = night.over
    missing_s = sum(each.seconds for each in night.gaps)
    good = int((night.cycles["status"] == OK).sum())
    return (
        bool(night.unread)
        or missing_s > SERIOUS * (end - begin) / NS_PER_S
        or good < len(night.cycles) - 1
        or not len(night.cycles)
    )


def _rows(night: ReportNight) -> Iterator[tuple[str, str]]:
    yield "time", _hours(night)
    yield "cycles", _cycles(night)
    yield "strokes", _strokes(night)
    yield "samples", _missing(night)
    refused = _not_judged(night)
    if refused:
        yield "not judged", refused
    if night.verdict is not None:
        yield "counts for", purpose_text(night.verdict)
    yield "people and stops", _people(night)
    for text in night.unread:
        yield "not read", text


def _hours(night: ReportNight) -> str:
    begin, end = night.over
    whole_s = (end - begin) / NS_PER_S
    in_cycles_s = float(_spans_s(night).sum())
    gaps_s = sum(each.seconds for each in night.gaps)
    still_s = max(whole_s - in_cycles_s - gaps_s, 0.0)
    return (
        f"{_lasting(whole_s)} from {moment_text(begin, night.zone)} to {moment_text(end, night.zone)}: "
        f"{_lasting(in_cycles_s)} in cycles, {_lasting(still_s)} outside them, {_lasting(gaps_s)} without samples"
    )


def _spans_s(night: ReportNight) -> Float64s:
    """How long each cycle took (cycles,)."""
    spans = night.cycles["ts_end"] - night.cycles["ts_start"]
    return np.asarray(spans.dt.total_seconds(), np.float64)


def _lasting(seconds: float) -> str:
    """`7.9 h`, `4.2 min`, `32 s`."""
    if seconds >= S_PER_H:
        return f"{fixed(seconds / S_PER_H, 1)} h"
    return f"{fixed(seconds / 60.0, 1)} min" if seconds >= 60.0 else f"{fixed(seconds, 0)} s"


def _cycles(night: ReportNight) -> str:
    planned = night.settings.fixture.plan.cycles
    done = len(night.cycles)
    good = int((night.cycles["status"] == OK).sum())
    verdict = night.verdict
    text = f"{good} complete of {done} begun, {planned} planned"
    if verdict is not None and verdict.limits:
        judged = ", ".join(
            f"{each.cycles_judged} for {FIGURES[each.figure].spoken}" for each in verdict.limits
        )
        text += f"; held against limits: {judged}"
        if (measured := max(each.cycles_judged for each in verdict.limits) - good) > 0:
            text += f", {measured} of them measured though not complete"
    return text


def _strokes(night: ReportNight) -> str:
    plan = night.settings.fixture.plan
    phases = night.strokes["phase"].fillna(EXERCISE) if "phase" in night.strokes else None
    done = len(night.strokes) if phases is None else int((phases == EXERCISE).sum())
    text = f"{done} of {plan.exercise.strokes * plan.cycles} planned"
    if phases is not None:
        for phase, count in Counter(phases[phases != EXERCISE]).items():
            text += f", {count} of {str(phase).replace('_', '-')} beside them"
    return text


def _missing(night: ReportNight) -> str:
    if not night.gaps:
        return f"{_samples(night.summary.samples)} recorded, none is missing"
    by_cause: dict[str, float] = {}
    for each in night.gaps:
        by_cause[each.cause] = by_cause.get(each.cause, 0.0) + each.seconds
    words = ", ".join(
        f"{number(seconds, 3)} s {lost_text(cause)}" for cause, seconds in sorted(by_cause.items())
    )
    missing = sum(each.samples for each in night.gaps)
    return f"{_samples(night.summary.samples)} recorded, {_samples(missing)} lost: {words}"


def _samples(count: int) -> str:
    return f"{number(count / 1e6, 4)} million" if count >= MANY else str(count)


def _not_judged(night: ReportNight) -> str:
    """How many cycles lack a figure with a limit, and the most frequent reasons, each counted once a cycle."""
    figures = {each.figure for each in night.verdict.limits} if night.verdict is not None else set()
    lacking = np.zeros(len(night.cycles), bool)
    by_cycle: dict[int, dict[frozenset[str], str]] = {}
    for figure in sorted(figures):
        good = (night.cycles[f"{figure}_status"] == OK).to_numpy()
        lacking |= ~good
        said = night.cycles[f"{figure}_reasons"]
        # what is said of judged cycles as well, whatever its numbers, did not keep one from being judged
        always = {_kind(text) for each in said[good] for text in np.atleast_1d(each)}
        for at in np.flatnonzero(~good).tolist():
            kinds = {_kind(text): _first(text) for text in np.atleast_1d(said.iloc[at])}
            own = {kind: text for kind, text in kinds.items() if kind not in always}
            by_cycle.setdefault(at, {}).update(own or kinds)
    if not lacking.any():
        return ""
    whole = f"{int(lacking.sum())} of {len(lacking)} cycles, {_lasting(float(_spans_s(night)[lacking].sum()))}, lack a figure that has a limit"
    why = "; ".join(_most_frequent(by_cycle.values()))
    return f"{whole}: {why}" if why else whole


def _most_frequent(cycles: Iterable[Mapping[frozenset[str], str]]) -> Iterator[str]:
    """`61 × the torque signal jumped 2 times (others with other numbers)`."""
    texts: dict[frozenset[str], Counter[str]] = {}
    for cycle in cycles:
        for kind, text in cycle.items():
            texts.setdefault(kind, Counter()).update([text])
    for found in sorted(texts.values(), key=lambda each: (-each.total(), *each))[:REASONS_MAX]:
        ((first, count),) = found.most_common(1)
        others = "" if count == found.total() else " (others with other numbers)"
        yield f"{found.total()} × {first}{others}"


def _first(text: object) -> str:
    """The first sentence."""
    return str(text).partition(". ")[0].rstrip(".")


def _kind(text: object) -> frozenset[str]:
    """What makes two reasons one: their words, whatever the numbers and however many are listed."""
    return frozenset(WORDS.findall(str(text)))


def _people(night: ReportNight) -> str:
    rows = [each for each in night.events if each.kind in PEOPLE_KINDS]
    said = [f"{moment_text(each.ts, night.zone)} {each.detail}" for each in rows[:PEOPLE_MAX]]
    left = len(rows) - len(said)
    return (
        "; ".join(said) + (f"; and {left} more" if left > 0 else "")
        if said
        else "no intervention and no stop is on record"
    )


def margin_text(value: float, half: float, limit: float, *, upper: bool, signed: bool) -> str:
    """How far the interval's end is from the limit, in per cent of the limit; with its sign, minus is beyond."""
    low, high = ends_of(value, half, signed=signed)
    room = limit - high if upper else low - limit
    return f"{fixed(100 * settled(room / abs(limit)), 1, signed=True)} %" if limit else "not known"
