"""What is said of a run first: how soon a person has to act, and one sentence; for report, wall, page and terminal alike."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightturn.estimation.figures import FIGURES
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.figures import OK
from nightturn.model.limits import exceeds
from nightturn.model.nights import LimitVerdict
from nightturn.model.verdicts import ACCEPT, MAX, REJECT
from nightturn.report.counted import disturbed
from nightturn.report.night import ReportNight
from nightturn.sentences.morning import (
    LimitSaid,
    Severity,
    inside_so_far,
    severity_of,
    verdict_sentence,
)
from nightturn.sentences.names import isolated
from nightturn.storage.manifest import RUNNING

ENOUGH_PART = 0.8
"""Of the cycles: with fewer judged a night cannot be accepted, so a person has to look why."""
CYCLES_BEFORE = 10
"""So many cycles come before that is asked."""
LOCKED = "locked"


@dataclass(frozen=True, slots=True)
class FirstWords:
    """How soon a person has to act, the sentence, whether everything that was judged lies inside its limits, and what to say beside."""

    need: Severity
    sentence: str
    inside: bool
    more: str = ""


def first_words(night: ReportNight, *, changed: bool) -> FirstWords:
    """What is said first; `changed`: whether a figure is known to have changed in the run."""
    limits = limits_said(night)
    inside = _accepted(night) or (not night.ended and bool(_so_far(night, limits)))
    still = _standing_still(night)
    if still and not _rejected(night):
        return FirstWords(Severity.TODAY, still, inside)
    if night.summary.state == RUNNING and not len(night.cycles):
        return FirstWords(Severity.NOTE, "The first figures come with the end of the first cycle.", inside)
    need, sentence = _judged(night, limits, changed=changed)
    return FirstWords(need, sentence, inside, still)


def _judged(night: ReportNight, limits: Sequence[LimitSaid], *, changed: bool) -> tuple[Severity, str]:
    """By the verdict; while the run goes on nobody is called because it is not decided yet."""
    word = night.verdict.word if night.verdict is not None else None
    sentence = verdict_sentence(isolated(night.unit), word, limits, ended=night.ended)
    upset = disturbed(night)
    if _rejected(night) or night.summary.state != RUNNING:
        return severity_of(word, changed=changed, disturbed=upset), sentence
    few = _too_few(night)
    need = Severity.TODAY if changed or few or upset else Severity.NOTE
    return need, few or _so_far(night, limits) or sentence


def _accepted(night: ReportNight) -> bool:
    return night.verdict is not None and night.verdict.word == ACCEPT


def _rejected(night: ReportNight) -> bool:
    return night.verdict is not None and night.verdict.word == REJECT


def _standing_still(night: ReportNight) -> str:
    """What a run under way waits for a person for; empty where it does not."""
    if night.summary.state != RUNNING or night.summary.motion != LOCKED:
        return ""
    return f"Standing still: {night.summary.motion_text}. Nothing turns until a person releases it."


def _so_far(night: ReportNight, limits: Sequence[LimitSaid]) -> str:
    return inside_so_far(isolated(night.unit), limits)


def _too_few(night: ReportNight) -> str:
    """Whether so few cycles can be judged that the night cannot be accepted."""
    done = int((night.cycles["status"] == OK).sum())
    for each in night.verdict.limits if night.verdict is not None else ():
        if done >= CYCLES_BEFORE and each.cycles_judged < ENOUGH_PART * done:
            return f"Only {each.cycles_judged} of {done} cycles could be held against the limit of {FIGURES[each.figure].spoken}."
    return ""


def limits_said(night: ReportNight) -> tuple[LimitSaid, ...]:
    """The limits of the verdict with the numbers that the first sentence needs."""
    return tuple(_limit(night, each) for each in night.verdict.limits) if night.verdict is not None else ()


def _limit(night: ReportNight, each: LimitVerdict) -> LimitSaid:
    spec = FIGURES[each.figure]
    half = coverage_factor(each.nu) * each.u if each.u is not None and each.nu is not None else None
    upper = each.direction == MAX
    beyond = each.word == REJECT and not _mean_beyond(each, half, upper=upper)
    newest = _newest_beyond(night, each, upper=upper) if beyond else None
    return LimitSaid(
        title=spec.spoken,
        unit=spec.unit,
        limit=each.limit,
        upper=upper,
        word=each.word,
        judged=each.cycles_judged,
        value=each.value,
        half=half,
        last_value=newest[0] if newest is not None else None,
        last_half=newest[1] if newest is not None else None,
    )


def _mean_beyond(each: LimitVerdict, half: float | None, *, upper: bool) -> bool:
    """Whether the mean of the night lies beyond the limit with its whole interval."""
    if each.value is None or half is None:
        return False
    if upper:
        return exceeds(abs(each.value) - half, each.limit)
    return exceeds(each.limit, each.value + half)


def _newest_beyond(night: ReportNight, each: LimitVerdict, *, upper: bool) -> tuple[float, float] | None:
    """The newest cycle whose whole interval lies beyond the limit, where the mean of the night does not."""
    value, half = night.values(each.figure), night.halves(each.figure)
    for at in range(len(value) - 1, -1, -1):
        if not (np.isfinite(value[at]) and np.isfinite(half[at])):
            continue
        middle, wide = float(value[at]), float(half[at])
        if exceeds(abs(middle) - wide, each.limit) if upper else exceeds(each.limit, middle + wide):
            return middle, wide
    return None
