"""The first page: how grave, one sentence, what happened, what to do, did the night count, figures against limits, could it be the rig."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightturn.errors import StorageError
from nightturn.estimation.figures import FIGURES
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.quantities import interval, quantity
from nightturn.report.counted import counted, disturbed, margin_text
from nightturn.report.first_words import first_words, limits_said
from nightturn.report.night import ReportNight
from nightturn.report.reference import NO_UNIT, Reference
from nightturn.sentences.morning import Doing, LimitSaid, Severity, to_do
from nightturn.sentences.names import isolated
from nightturn.storage.runs import RunSummary, found_runs
from nightturn.unit_history.account import WORN, Account, CourseLine, account_of
from nightturn.unit_history.headline import headline

OTHERS_MAX = 8
"""Other fixtures of the same night that are asked whether they changed as well."""
NOTHING_BEFORE = "its first night here"
OTHERS = "the other fixtures"


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


def first_page(night: ReportNight, others: Sequence[RunSummary], reference: Reference) -> FirstPage:
    """The first page of a night; `others` are runs of other fixtures beside it, `reference` is what accepted units say."""
    verdict = night.verdict
    word = verdict.word if verdict is not None else None
    limits = limits_said(night)
    changed = changed_lines(night.life)
    first = first_words(night, changed=bool(changed))
    titles = tuple(dict.fromkeys(line.title for line in changed))
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
            changed=titles,
            measure_next=_measure_next(night.life),
            would_decide=_spoken(verdict.would_decide) if verdict is not None else (),
            disturbed=_look_after(night) if upset else (),
        ),
        counted=counted(night),
        limits=_limit_rows(night, limits, reference),
        rule=verdict.rule if verdict is not None else "",
        rig=_rig(night, others),
    )


def _spoken(texts: Sequence[str]) -> tuple[str, ...]:
    """The same, with a figure's name in words where its key begins a text."""
    said = []
    for text in texts:
        key, colon, rest = text.partition(": ")
        said.append(f"{FIGURES[key].spoken}: {rest}" if colon and key in FIGURES else text)
    return tuple(dict.fromkeys(said))


def changed_lines(life: Account | None) -> list[CourseLine]:
    """Figures whose course changed, the gravest first."""
    if life is None:
        return []
    changed = [line for line in life.courses if line.changed_ts is not None]
    return sorted(changed, key=lambda line: (WORN.index(line.figure), line.changed_ts or 0))


def _about(night: ReportNight) -> str:
    card, fixture = night.settings.card, night.settings.fixture
    return (
        f"Morning report. Unit {isolated(night.unit)}, variant {card.variant}, on {fixture.id}. Run {night.run.run}. "
        f"Mounted by {isolated(card.operator)}. Times are by the clocks of {night.summary.timezone}, with their offset from UTC."
        + (f" Figures made again by method {night.method}, not as recorded." if night.method else "")
    )


def _happened(night: ReportNight, changed: Sequence[CourseLine]) -> tuple[str, ...]:
    """What changed, since when and what it is consistent with."""
    if night.life is None:
        return ("What changed cannot be said: the unit's figures could not be read.",)
    first = headline(night.life)
    said = [f"{_capital(first)}."]
    titles = {line.title for line in changed if first.startswith(f"{line.title} {line.said[0]}")}
    for line in changed:
        if line.title not in titles:
            titles.add(line.title)
            said.append(f"{_capital(line.title)} {line.said[0]}.")
    if night.life.temperature:
        said.append(f"{_capital(night.life.temperature)}.")
    return tuple(said)


def _measure_next(life: Account | None) -> tuple[Doing, ...]:
    """What each finding wants to be measured next."""
    if life is None:
        return ()
    return tuple(Doing(f"{_capital(each.what)}.", each.why) for each in life.measure_next)


def _look_after(night: ReportNight) -> tuple[Doing, ...]:
    found = []
    if night.gaps:
        causes = ", ".join(sorted({each.cause for each in night.gaps}))
        found.append(
            Doing(
                "Look at the line, the disk and the host of this fixture.",
                f"Samples are missing by {causes}.",
            )
        )
    if night.unread:
        found.append(Doing("Run `nightturn verify` on the data root.", night.unread[0]))
    if not len(night.cycles):
        found.append(Doing("Look why there is no cycle.", "None is among the files of the run."))
    return tuple(found)


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
                f"{sign} {quantity(said.limit, said.unit, beside=said.value or 0.0)}",
                margin_text(said.value or 0.0, said.half or 0.0, said.limit, upper=said.upper)
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


def _rig(night: ReportNight, others: Sequence[RunSummary]) -> tuple[tuple[str, str], ...]:
    """What speaks for or against the rig as the cause."""
    checks = [each.detail for each in night.events if each.kind == "shunt_check"]
    shunt = "; ".join(checks) or "no shunt check in this run"
    return (
        ("shunt check", shunt),
        ("cogging", _still(night.life, "cogging_pp_nm")),
        ("reference unit", "none was measured in this run"),
        (OTHERS, _others(night, others)),
    )


def _still(life: Account | None, figure: str) -> str:
    """Cogging is of the magnets: where it stays and friction moves, factor and gain of the torque channel have stayed too."""
    lines = (
        [line for line in life.courses if line.figure == figure and line.judged] if life is not None else []
    )
    if not lines:
        return "too few cycles to say whether it changed"
    moved = [line for line in lines if line.changed_ts is not None]
    if moved:
        return f"{moved[0].title} {moved[0].said[0]}"
    return f"no change was found, {lines[0].level_text}; so factor and gain of the torque channel have stayed as well"


def _others(night: ReportNight, others: Sequence[RunSummary]) -> str:
    root = night.run.stored.local
    if root is None or not others:
        return "no other fixture ran in this night"
    said = []
    for each in others[:OTHERS_MAX]:
        try:
            found = account_of(root, each.unit)
        except StorageError as error:
            said.append(f"{each.fixture}: {error}")
            continue
        changed = changed_lines(found)
        what = f"{changed[0].title} changed" if changed else "no change was found"
        said.append(f"{each.fixture} with {isolated(each.unit)}: {what}")
    left = len(others) - len(said)
    return "; ".join(said) + (f"; {left} more were not looked at" if left > 0 else "")


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
