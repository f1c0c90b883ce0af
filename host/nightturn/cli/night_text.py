"""The night's verdict as text: a word for a list, a table of limits for one run."""

import math

from nightturn.estimation.figures import unit_of
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.figures import INTERVAL_IS
from nightturn.model.nights import LimitVerdict, NightVerdict
from nightturn.model.purposes import ENGINEERING
from nightturn.model.quantities import interval, quantity
from nightturn.model.verdicts import MAX
from nightturn.sentences.purpose import purpose_reasons, purpose_word

HEAD = ("limit", "verdict", "mean of the judged cycles")
NOT_WORKED_OUT = "not worked out"


def word(verdict: NightVerdict | None, *, ended: bool) -> str:
    """`night: reject, engineering`; `so far` while cycles may follow."""
    said = f"{verdict.word}, {purpose_word(verdict)}" if verdict is not None else NOT_WORKED_OUT
    return f"night{'' if ended else ' so far'}: {said}"


def title(verdict: NightVerdict, *, ended: bool) -> str:
    """The word, how much it rests on, and what its ± hold."""
    said = f"{word(verdict, ended=ended)}; cycles: {verdict.cycles}, planned: {verdict.planned}"
    return said if verdict.kind is None else f"{said}; {INTERVAL_IS[verdict.kind]}"


def limit_rows(verdict: NightVerdict) -> list[tuple[str, str, str]]:
    """A row for each limit."""
    return [(_limit(each), each.word, _found(each)) for each in verdict.limits]


def because(verdict: NightVerdict) -> list[tuple[str, str]]:
    """The reasons, and for an open verdict what would decide it."""
    return [
        *(("because", reason) for reason in verdict.reasons),
        *(("would decide", text) for text in verdict.would_decide),
        *((("decision rule", verdict.rule),) if verdict.rule else ()),
        *((ENGINEERING, text) for text in purpose_reasons(verdict)),
    ]


def _limit(each: LimitVerdict) -> str:
    sign = "\u2264" if each.direction == MAX else "\u2265"
    return f"{each.figure} {sign} {quantity(each.limit, unit_of(each.figure))}"


def _found(each: LimitVerdict) -> str:
    """Value, how many cycles it is the mean of, and the condition under which the limit holds."""
    if each.value is None:
        text = "no cycle could be judged"
    else:
        wide = math.inf if each.u is None or each.nu is None else coverage_factor(each.nu) * each.u
        mean = interval(each.value, wide, unit_of(each.figure), beside=each.limit)
        text = f"{mean} over {each.cycles_judged} cycle{'' if each.cycles_judged == 1 else 's'}"
    return f"{text}; {each.condition}" if each.condition else text
