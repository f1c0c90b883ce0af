"""What is said of a run first: how soon a person has to act, and one sentence; for report, wall, page and terminal alike."""

import numpy as np

from nightturn.estimation.figures import FIGURES
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.figures import OK
from nightturn.model.nights import LimitVerdict
from nightturn.model.verdicts import MAX, MISSED, REJECT
from nightturn.report.counted import disturbed
from nightturn.report.night import ReportNight
from nightturn.sentences.first_words import FirstWords, SoFar, first_words_of, too_few
from nightturn.sentences.morning import LimitSaid
from nightturn.sentences.purpose import purpose_sentence
from nightturn.storage.manifest import RUNNING
from nightturn.unit_history.account import WORN, Account, CourseLine

LOCKED = "locked"
UNKNOWN = "it is not known what for"


def first_words(night: ReportNight, *, changed: bool) -> FirstWords:
    """What is said first; `changed`: whether a figure is known to have changed in the run."""
    verdict, running = night.verdict, night.summary.state == RUNNING
    titles = [FIGURES[each.figure].spoken for each in verdict.limits] if verdict is not None else []
    return first_words_of(
        SoFar(
            unit=night.unit,
            word=verdict.word if verdict is not None else None,
            limits=limits_said(night),
            running=running,
            ended=night.ended,
            cycles=bool(len(night.cycles)),
            waits=night.summary.motion_text or UNKNOWN if night.summary.motion == LOCKED else "",
            few=too_few(verdict, int((night.cycles["status"] == OK).sum()), titles),
            purpose=purpose_sentence(verdict) if verdict is not None else "",
            changed=changed,
            disturbed=disturbed(night),
        )
    )


def changed_lines(life: Account | None) -> list[CourseLine]:
    """Figures whose course changed, the gravest first."""
    if life is None:
        return []
    changed = [line for line in life.courses if line.changed_ts is not None]
    return sorted(changed, key=lambda line: (WORN.index(line.figure), line.changed_ts or 0))


def limits_said(night: ReportNight) -> tuple[LimitSaid, ...]:
    """The limits of the verdict with the numbers that the first sentence needs."""
    return tuple(_limit(night, each) for each in night.verdict.limits) if night.verdict is not None else ()


def _limit(night: ReportNight, each: LimitVerdict) -> LimitSaid:
    spec = FIGURES[each.figure]
    half = coverage_factor(each.nu) * each.u if each.u is not None and each.nu is not None else None
    beyond = each.word == REJECT and not _mean_beyond(each, half)
    newest = _newest_beyond(night, each) if beyond else None
    asked = night.settings.variant.accept.get(each.figure)
    return LimitSaid(
        title=spec.spoken,
        unit=spec.unit,
        limit=each.limit,
        upper=each.direction == MAX,
        word=each.word,
        judged=each.cycles_judged,
        kind=each.kind,
        value=each.value,
        half=half,
        last_value=newest[0] if newest is not None else None,
        last_half=newest[1] if newest is not None else None,
        signed=each.signed,
        guard=asked.guard if asked is not None else 0.0,
    )


def _mean_beyond(each: LimitVerdict, half: float | None) -> bool:
    """Whether the mean of the night lies beyond the limit with its whole interval."""
    return each.value is not None and half is not None and each.word_on(each.value, half) == MISSED


def _newest_beyond(night: ReportNight, each: LimitVerdict) -> tuple[float, float] | None:
    """The newest cycle whose whole interval lies beyond the limit, where the mean of the night does not."""
    value, half = night.values(each.figure), night.halves(each.figure)
    for at in range(len(value) - 1, -1, -1):
        if not (np.isfinite(value[at]) and np.isfinite(half[at])):
            continue
        middle, wide = float(value[at]), float(half[at])
        if each.word_on(middle, wide) == MISSED:
            return middle, wide
    return None
