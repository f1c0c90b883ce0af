"""How soon a person has to act on a night, and what is said of it first: one rule for report, wall, page and MQTT."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from nightturn.model.nights import LimitVerdict, NightVerdict
from nightturn.model.rows import FAILED, UNRECORDED
from nightturn.model.trends import NOTE, Notice
from nightturn.model.verdicts import ACCEPT, MAX, MISSED, REJECT
from nightturn.sentences.morning import (
    BY_WORD,
    LimitSaid,
    Severity,
    inside_so_far,
    severity_of,
    verdict_sentence,
)
from nightturn.sentences.names import isolated

ENOUGH_PART = 0.8
"""Of the cycles: with fewer judged a night cannot be accepted, so a person has to look why."""
CYCLES_BEFORE = 10
"""So many cycles come before that is asked."""
NO_FIGURES = "The first figures come with the end of the first cycle."


@dataclass(frozen=True, slots=True)
class FirstWords:
    """How soon a person has to act, the sentence, whether everything that was judged lies inside its limits, and what to say beside."""

    need: Severity
    sentence: str
    inside: bool
    more: str = ""


@dataclass(frozen=True, slots=True)
class SoFar:
    """What is known of a night.

    Attributes:
        unit: its serial.
        word: of the night's verdict; None where nobody has worked it out.
        limits: each limit with its numbers.
        running, ended: whether the run is recorded now; whether it is over. One that was interrupted is neither.
        cycles: whether one is finished.
        waits: what motion waits for a person for, in words; empty where it does not.
        few: `too_few` of it.
        purpose: what its verdict may be used for, in words; empty where there is no verdict.
        changed: whether a figure is known to have changed in the run.
        disturbed: whether the night did not run as planned.
    """

    unit: str
    word: str | None
    limits: Sequence[LimitSaid]
    running: bool
    ended: bool
    cycles: bool
    waits: str
    few: str
    purpose: str
    changed: bool
    disturbed: bool


def first_words_of(night: SoFar) -> FirstWords:
    """What is said first."""
    so_far = inside_so_far(isolated(night.unit), night.limits)
    inside = night.word == ACCEPT or (not night.ended and bool(so_far))
    rejected = night.word == REJECT
    still = _standing_still(night)
    if still and not rejected:
        return FirstWords(Severity.TODAY, still, inside)
    if night.running and not night.cycles:
        return FirstWords(Severity.NOTE, NO_FIGURES, inside)
    need = severity_of(night.word, changed=night.changed, disturbed=night.disturbed)
    sentence = verdict_sentence(isolated(night.unit), night.word, night.limits, ended=night.ended)
    if night.running and not rejected:
        # nobody is called because it is not decided yet
        upset = night.changed or night.disturbed or bool(night.few)
        need = Severity.TODAY if upset else Severity.NOTE
        sentence = night.few or so_far or sentence
    sentence = " ".join(each for each in (sentence, night.purpose) if each)
    return FirstWords(need, sentence, inside, still)


def too_few(verdict: NightVerdict | None, done: int, titles: Sequence[str]) -> str:
    """Whether so few of the cycles that are `done` were judged that the night cannot be accepted; `titles` are of the verdict's limits."""
    for each, title in zip(verdict.limits if verdict is not None else (), titles, strict=True):
        if done >= CYCLES_BEFORE and each.cycles_judged < ENOUGH_PART * done:
            return f"Only {each.cycles_judged} of {done} cycles could be held against the limit of {title}."
    return ""


def limit_said(
    each: LimitVerdict,
    title: str,
    unit: str,
    half: float | None,
    newest_first: Iterable[tuple[float, float]],
) -> LimitSaid:
    """A limit of the verdict with the numbers that are said of it.

    Args:
        each: the limit.
        title: of its figure, in lower case.
        unit: of its numbers.
        half: half-width of the 95 % interval of the night's mean; None without one.
        newest_first: value and half-width of the cycles that are known: where not the mean but a row of cycles decided, the first one beyond is named.
    """
    by_mean = each.value is not None and half is not None and each.word_on(each.value, half) == MISSED
    rows = newest_first if each.word == REJECT and not by_mean else ()
    last = next((pair for pair in rows if each.word_on(*pair) == MISSED), (None, None))
    return LimitSaid(
        title=title,
        unit=unit,
        limit=each.limit,
        upper=each.direction == MAX,
        word=each.word,
        judged=each.cycles_judged,
        value=each.value,
        half=half,
        last_value=last[0],
        last_half=last[1],
        kind=each.kind,
        signed=each.signed,
        guard=each.guard,
    )


def _standing_still(night: SoFar) -> str:
    if not night.running or not night.waits:
        return ""
    return f"Standing still: {night.waits}. Nothing turns until a person releases it."


def with_courses(words: FirstWords, courses: Sequence[Notice]) -> FirstWords:
    """The same with what the courses of figures ask of people, the most urgent first: it may be more urgent, and is said beside."""
    if not courses or courses[0].urgency == NOTE:
        return words
    first = courses[0]
    more = " ".join(each for each in (words.more, sentence_of(first.said)) if each)
    return FirstWords(max(words.need, BY_WORD[first.urgency]), words.sentence, words.inside, more)


def standing_words(state: str, reason: str, waits_for: str) -> FirstWords:
    """What is said where no core speaks for a fixture; `state` is the word of its `StandingRow`."""
    need = Severity.ACT_NOW if state in {UNRECORDED, FAILED} else Severity.NOTE
    return FirstWords(need, sentence_of(reason, waits_for), inside=False)


def sentence_of(text: str, more: str = "") -> str:
    """Words with a capital and a full stop, and what is waited for behind them."""
    whole = f"{text}; {more}" if more else text
    return f"{whole[:1].upper()}{whole[1:].rstrip('.')}." if whole else ""
