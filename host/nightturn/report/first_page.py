"""The first page: how grave, one sentence, what happened, what to do, did the night count, figures against limits, could it be the rig."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightturn.calibration.due import is_due, until_text
from nightturn.errors import StorageError
from nightturn.estimation.figures import FIGURES, RIPPLE_PP, RIPPLE_RMS
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.quantities import interval, quantity
from nightturn.report.counted import counted, disturbed, margin_text
from nightturn.report.first_words import changed_lines, first_words, limits_said
from nightturn.report.night import ReportNight
from nightturn.report.reference import NO_UNIT, Reference
from nightturn.report.rig_words import rig_rows
from nightturn.sentences.lost import lost_text
from nightturn.sentences.morning import Doing, LimitSaid, Severity, to_do
from nightturn.sentences.names import isolated
from nightturn.storage.runs import RunSummary, found_runs
from nightturn.storage.zones import local_text
from nightturn.trend.wording import short
from nightturn.unit_history.account import Account, CourseLine
from nightturn.unit_history.headline import causes_named, headline

NOTHING_BEFORE = "its first night here"


LIMIT_HEAD = (
    "figure",
    "mean of the night",
    "newest cycle",
    "limit",
    "margin",
    "verdict",
    "last night",
    "reference envelope",
)


@dataclass(frozen=True, slots=True)
class FirstPage:
    """What stands on the first page, as texts."""

    about: str
    severity: Severity
    sentence: str
    happened: tuple[str, ...]
    to_do: tuple[Doing, ...]
    counted: tuple[tuple[str, str], ...]
    limits: tuple[tuple[str, ...], ...]
    rule: str
    rig: tuple[tuple[str, str], ...]


def first_page(
    night: ReportNight, others: Sequence[RunSummary], reference: Reference, reference_unit: str = ""
) -> FirstPage:
    """The first page of a night.

    Args:
        night: which.
        others: runs of other fixtures beside it.
        reference: what accepted units say.
        reference_unit: serial of a unit that is kept for checking rigs; empty where none is asked.
    """
    verdict = night.verdict
    word = verdict.word if verdict is not None else None
    limits = limits_said(night)
    changed = _once(changed_lines(night.life))
    first = first_words(night, changed=bool(changed))
    upset = disturbed(night)
    return FirstPage(
        about=_about(night),
        severity=first.need,
        sentence=first.sentence,
        happened=(*((first.more,) if first.more else ()), *_happened(night, changed)),
        to_do=to_do(
            isolated(night.unit),
            word,
            limits,
            changed=tuple(line.title for line in changed),
            measure_next=_measure_next(night.life),
            would_decide=_spoken(verdict.would_decide) if verdict is not None else (),
            disturbed=(*(_look_after(night) if upset else ()), *_calibrate(night)),
        ),
        counted=counted(night),
        limits=_limit_rows(night, limits, reference),
        rule=verdict.rule if verdict is not None else "",
        rig=rig_rows(night, others, reference_unit),
    )


def _spoken(texts: Sequence[str]) -> tuple[str, ...]:
    """The same, with a figure's name in words where its key begins a text."""
    said = []
    for text in texts:
        key, colon, rest = text.partition(": ")
        said.append(f"{FIGURES[key].spoken}: {rest}" if colon and key in FIGURES else text)
    return tuple(dict.fromkeys(said))


def _about(night: ReportNight) -> str:
    card, fixture = night.settings.card, night.settings.fixture
    return (
        f"Morning report. Unit {isolated(night.unit)}, variant {card.variant}, on {fixture.id}. Run {night.run.run}. "
        f"Mounted by {isolated(card.operator)}. Times are by the clocks of {night.summary.timezone}, with their offset from UTC."
        + (f" Figures made again by method {night.method}, not as recorded." if night.method else "")
    )


def _once(changed: Sequence[CourseLine]) -> list[CourseLine]:
    """The first of each figure; ripple as rms only where peak to peak did not change as well."""
    first: dict[str, CourseLine] = {}
    for line in changed:
        first.setdefault(line.figure, line)
    if RIPPLE_PP in first:
        first.pop(RIPPLE_RMS, None)
    return list(first.values())


def _happened(night: ReportNight, changed: Sequence[CourseLine]) -> tuple[str, ...]:
    """What changed, since when and what it is consistent with."""
    life = night.life
    if life is None:
        return ("What changed cannot be said: the unit's figures could not be read.",)
    said = [] if changed else [f"{_capital(headline(life))}."]
    for place, line in enumerate(changed):
        said.append(f"{_capital(line.title)} {line.said[0]}.")
        if not place and (causes := causes_named(life)):
            said.append(f"It is {'; or '.join(causes)}.")
    if changed and life.rejected_ts is not None:
        begins = short(local_text(life.rejected_ts, life.timezone))
        said.append(f"The first cycle that its limits reject began at {begins}.")
    if life.temperature:
        said.append(f"{_capital(life.temperature)}.")
    return tuple(said)


def _measure_next(life: Account | None) -> tuple[Doing, ...]:
    """What each finding wants to be measured next."""
    if life is None:
        return ()
    return tuple(Doing(f"{_capital(each.what)}.", each.why) for each in life.measure_next)


def _look_after(night: ReportNight) -> tuple[Doing, ...]:
    found = []
    if night.gaps:
        causes = ", ".join(lost_text(each) for each in sorted({gap.cause for gap in night.gaps}))
        found.append(
            Doing(
                "Look at the line, the disk and the host of this fixture.",
                f"Samples were lost {causes}.",
            )
        )
    if night.unread:
        found.append(Doing("Run `nightturn verify` on the data root.", night.unread[0]))
    if not len(night.cycles):
        found.append(Doing("Look why there is no cycle.", "None is among the files of the run."))
    return tuple(found)


def _calibrate(night: ReportNight) -> tuple[Doing, ...]:
    """Where the calibration was due when the run began."""
    record = night.settings.calibration
    if not is_due(record, night.summary.started_utc):
        return ()
    standing = until_text(record, night.summary.started_utc)
    return (
        Doing(
            f"Calibrate transducer {record.transducer} again.",
            f"When the run began: record {record.id}, {standing}.",
        ),
    )


def _limit_rows(
    night: ReportNight, limits: Sequence[LimitSaid], reference: Reference
) -> tuple[tuple[str, ...], ...]:
    verdict = night.verdict
    if verdict is None:
        return ()
    rows = []
    for each, said in zip(verdict.limits, limits, strict=True):
        known = said.value is not None and said.half is not None
        condition = f" {each.condition}" if each.condition else ""
        sign = "at most" if said.upper else "at least"
        rows.append(
            (
                f"{said.title}{condition}",
                _interval(said.value, said.half, said.unit, said.limit)
                if said.value is not None
                else "no cycle judged",
                _newest(night, each.figure),
                f"{sign} {quantity(said.limit, said.unit, beside=said.value or 0.0)}"
                + (f", guard band {quantity(said.guard, said.unit)}" if said.guard else ""),
                margin_text(
                    said.value or 0.0, said.half or 0.0, said.limit, upper=said.upper, signed=said.signed
                )
                if known
                else "not known",
                each.word,
                _last_night(night, each.figure),
                reference.figures.get((each.figure, each.direction), NO_UNIT),
            )
        )
    return tuple(rows)


def _interval(value: float, half: float | None, unit: str, beside: float = 0.0) -> str:
    return interval(value, half if half is not None else float("inf"), unit, beside=beside)


def _newest(night: ReportNight, figure: str) -> str:
    values, halves = night.values(figure), night.halves(figure)
    good = np.flatnonzero(np.isfinite(values))
    if not len(good):
        return "no cycle judged"
    half = float(halves[good[-1]])
    return _interval(float(values[good[-1]]), half if np.isfinite(half) else None, FIGURES[figure].unit)


def _last_night(night: ReportNight, figure: str) -> str:
    """The same figure's mean in the verdict of the unit's run before this one."""
    if night.life is None or len(night.life.nights) < 2:
        return NOTHING_BEFORE
    before = night.life.nights[-2]
    try:
        found = [each for each in found_runs(night.run.stored, before.run) if each.fixture == before.fixture]
    except StorageError as error:
        return str(error)
    verdict = found[0].night_verdict if found else None
    for each in verdict.limits if verdict is not None else ():
        if each.figure == figure and each.value is not None:
            half = coverage_factor(each.nu) * each.u if each.u is not None and each.nu is not None else None
            return _interval(each.value, half, FIGURES[figure].unit)
    return "not judged"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
