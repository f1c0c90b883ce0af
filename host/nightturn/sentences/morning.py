"""The first sentences of a morning: does the unit pass, how grave is it, what must a person do.

The verdict chooses the words, never the point value: "passes" is said only where it is accept. Every clause names the number that it
rests on; what is not known is said to be not known.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum

from nightturn.model.figures import REPEATABILITY
from nightturn.model.quantities import interval, quantity
from nightturn.model.verdicts import (
    ACCEPT,
    MAX,
    MET,
    MIN,
    MISSED,
    NOT_JUDGED,
    REJECT,
    UNDECIDED,
    against,
    ends_of,
)

PER_CENT = "%"
OF_RATED = "% of rated torque"


class Severity(IntEnum):
    """How soon a person has to act, as so many upright strokes."""

    NOTE = 1
    TODAY = 2
    ACT_NOW = 3

    @property
    def word(self) -> str:
        """For people."""
        return {Severity.NOTE: "note", Severity.TODAY: "today", Severity.ACT_NOW: "act now"}[self]


BY_WORD: Mapping[str, Severity] = {each.word: each for each in Severity}
"""By the word that alarms, pages and reports have for it."""


@dataclass(frozen=True, slots=True)
class LimitSaid:
    """A limit of the night, with the numbers that are said of it.

    Attributes:
        title: of the figure, in lower case. unit: of its numbers, N·m or %.
        limit: in the unit; upper: whether more is forbidden.
        word: accept, reject or undecided.
        judged: cycles that were held against it.
        value, half: mean of the night with its 95 % interval; None without a judged cycle.
        last_value, last_half: of the newest cycle that lies beyond the limit; None where none does.
        kind: of what each ± is: of a whole budget, or repeatability, which is said beside it.
        signed: whether the value counts with its sign, else its magnitude does.
        guard: width of the band inside the limit in which nothing is accepted.
    """

    title: str
    unit: str
    limit: float
    upper: bool
    word: str
    judged: int
    value: float | None = None
    half: float | None = None
    last_value: float | None = None
    last_half: float | None = None
    kind: str = REPEATABILITY
    signed: bool = False
    guard: float = 0.0


@dataclass(frozen=True, slots=True)
class Doing:
    """Something that a person must do, and why."""

    what: str
    why: str


def verdict_sentence(unit: str, word: str | None, limits: Sequence[LimitSaid], *, ended: bool) -> str:
    """Whether the unit passes, in one sentence.

    Args:
        unit: its serial.
        word: the night's verdict; None where nobody has worked it out.
        limits: each limit with its own word, in the variant's order.
        ended: whether the run has; else the sentence says "so far".
    """
    if word is None:
        return f"{unit} is not judged: nobody has worked out a verdict of this run."
    if word == NOT_JUDGED or not limits:
        return f"{unit} has no limits to be judged by; its variant gives none."
    so_far = "" if ended else " so far"
    if word == ACCEPT:
        return f"{unit} passes{so_far}: every figure is inside its limit."
    if word == REJECT:
        beyond = [each for each in limits if each.word == REJECT]
        return f"{unit} does not pass{so_far}: {'; '.join(map(_beyond, beyond))}."
    unjudged = [each for each in limits if not each.judged]
    if unjudged:
        names = " or ".join(dict.fromkeys(each.title for each in unjudged))
        return f"{unit} cannot be judged{so_far}: no cycle gave a {names} that can be held against its limit."
    open_limits = [each for each in limits if each.word == UNDECIDED]
    if open_limits and all(map(_inside, open_limits)):
        counts = ", ".join(f"{_cycles(each.judged)} for {each.title}" for each in open_limits)
        return f"{unit} is not decided{so_far}: what was judged is inside its limit, but of too few cycles: {counts}."
    return f"{unit} is not decided{so_far}: {'; '.join(map(_open, open_limits))}."


def inside_so_far(unit: str, limits: Sequence[LimitSaid]) -> str:
    """`Q-0117 is inside its limits so far, 12 cycles judged.`, while a night goes on; empty where one of them says otherwise."""
    if not limits or not all(each.judged and _inside(each) for each in limits):
        return ""
    return f"{unit} is inside its limits so far, {_cycles(min(each.judged for each in limits))} judged."


def severity_of(word: str | None, *, changed: bool, disturbed: bool) -> Severity:
    """How soon a person has to act.

    Args:
        word: the night's verdict.
        changed: a figure has changed within the run.
        disturbed: the night did not run as planned: samples missing, a protective limit, a fault.
    """
    if word == REJECT:
        return Severity.ACT_NOW
    return Severity.TODAY if word != ACCEPT or changed or disturbed else Severity.NOTE


def _beyond(each: LimitSaid) -> str:
    """`ripple is 0.80 ± 0.01 % of rated torque, 0.6 % is allowed`; `reached` where it is a row of cycles that decides, not the mean."""
    if each.last_value is not None:
        came = "reached" if each.upper else "fell to"
        return f"{each.title} {came} {_with_unit(each.last_value, each.last_half, each)}, {_allowed(each)}"
    if each.value is None or not _against(each, 0.0, MISSED):
        return f"{each.title} lies beyond its limit, {_allowed(each)}"
    return f"{each.title} is {_with_unit(each.value, each.half, each)}, {_allowed(each)}"


def _open(each: LimitSaid) -> str:
    if each.value is None:
        return f"{each.title} is not known"
    found = _with_unit(each.value, each.half, each)
    if _inside(each):
        return f"{each.title} is {found}, inside its limit, but of too few cycles ({each.judged})"
    return f"{each.title} is {found}, too near to the limit to decide, {_allowed(each)}"


def _inside(each: LimitSaid) -> bool:
    """Whether the whole interval of the night lies inside the limit and its guard band."""
    return _against(each, each.guard, MET)


def _against(each: LimitSaid, guard: float, word: str) -> bool:
    """Whether the interval of the night's mean meets or misses the limit, as `word` asks."""
    if each.value is None or each.half is None:
        return False
    ends = ends_of(each.value, each.half, signed=each.signed)
    return against(*ends, each.limit, guard, MAX if each.upper else MIN) == word


def _allowed(each: LimitSaid) -> str:
    beside = each.value or each.last_value or 0.0
    text = quantity(each.limit, each.unit, beside=beside)
    sense = " either way" if beside < 0 and not each.signed else ""
    guard = f", guard band {quantity(each.guard, each.unit)}" if each.guard else ""
    return f"{text} is allowed{sense}{guard}" if each.upper else f"at least {text} is asked for{sense}{guard}"


def _with_unit(value: float, half: float | None, each: LimitSaid) -> str:
    text = interval(value, half if half is not None else float("inf"), each.unit, beside=each.limit)
    text = text.replace(PER_CENT, OF_RATED, 1) if each.unit == PER_CENT else text
    return f"{text} ({REPEATABILITY})" if each.kind == REPEATABILITY and half is not None else text


def _cycles(count: int) -> str:
    return f"{count} cycle{'' if count == 1 else 's'}"


def to_do(
    unit: str,
    word: str | None,
    limits: Sequence[LimitSaid],
    *,
    changed: Sequence[str],
    measure_next: Sequence[Doing],
    would_decide: Sequence[str],
    disturbed: Sequence[Doing],
) -> tuple[Doing, ...]:
    """What a person must do, the gravest first, each with its reason.

    Args:
        unit: its serial.
        word: the night's verdict.
        limits: as in `verdict_sentence`.
        changed: titles of the figures that changed.
        measure_next: what would show the cause of a change.
        would_decide: what would decide an undecided night.
        disturbed: what to look after because the night was disturbed.
    """
    found: list[Doing] = []
    if word == REJECT:
        titles = list(dict.fromkeys(each.title for each in limits if each.word == REJECT))
        are = "is" if len(titles) == 1 else "are"
        found.append(
            Doing(f"Do not release {unit}.", f"Its {_all(titles)} {are} beyond what the variant allows.")
        )
        if changed:
            found.append(
                Doing(
                    "Do not run it on before somebody has looked at it.",
                    f"{_capital(_all(changed))} changed during the run; more strokes may make damage grow.",
                )
            )
    elif changed:
        found.append(
            Doing(
                f"Look at what changed before {unit} goes on.",
                f"{_capital(_all(changed))} changed during the run.",
            )
        )
    found += measure_next
    if word == UNDECIDED and would_decide:
        found.append(Doing("Measure on, to decide.", f"It would decide: {'; '.join(would_decide)}."))
    return (*found, *disturbed)


def _all(titles: Sequence[str]) -> str:
    """`friction, ripple and zero`."""
    *most, last = titles
    return f"{', '.join(most)} and {last}" if most else last


def _capital(text: str) -> str:
    """The first letter as a sentence begins; nothing else, because N·m is no n·m."""
    return text[:1].upper() + text[1:]
