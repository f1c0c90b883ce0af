"""What is said of a run first: how soon a person has to act, and one sentence; for report, wall, page and terminal alike."""

import msgspec
import numpy as np

from nightturn.estimation.figures import FIGURES
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.figures import OK
from nightturn.model.nights import LimitVerdict
from nightturn.report.counted import disturbed
from nightturn.report.night import ReportNight
from nightturn.sentences.first_words import FirstWords, SoFar, first_words_of, limit_said, too_few
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
    spec, asked = FIGURES[each.figure], night.settings.variant.accept.get(each.figure)
    half = coverage_factor(each.nu) * each.u if each.u is not None and each.nu is not None else None
    if asked is not None and not each.guard:  # a night from before verdicts kept it
        each = msgspec.structs.replace(each, guard=asked.guard)
    cycles = zip(night.values(each.figure).tolist(), night.halves(each.figure).tolist(), strict=True)
    known = [pair for pair in cycles if np.isfinite(pair).all()]
    return limit_said(each, spec.spoken, spec.unit, half, reversed(known))
