"""A figure over a whole night as one value with its budget, and the difference of two of them.

Between two nights on one rig what both share cancels: factor and certificate lines leave only the difference of their contributions
(JCGM 100:2008, 5.2.2 and F.1.2.3). What belongs to the cycles of a night alone stays.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from nightturn.estimation.budget import comparison
from nightturn.estimation.draft import combined
from nightturn.estimation.intervals import own_part
from nightturn.estimation.pooled import Pooled
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.figures import BUDGET, OK, REPEATABILITY, BudgetLine, Figure

REAL = "the difference is real"
NOT_SHOWN = "no difference is shown"
REMOUNTING = "within what remounting does"
ELSEWHERE = "within what another rig does"


@dataclass(frozen=True, slots=True)
class Scatter:
    """How a unit's mean differs where it is mounted or measured again.

    Attributes:
        sd, nu: standard deviation in the figure's unit, and its degrees of freedom.
        word: what is said of a difference within it. source: where it is known from.
    """

    sd: float
    nu: float
    word: str = REMOUNTING
    source: str = ""


@dataclass(frozen=True, slots=True)
class Difference:
    """Two nights in one figure, in its unit.

    Attributes:
        value, half: one less the other, with its 95 % interval.
        one, one_half, other, other_half: each with its own.
        word: `REAL`, `NOT_SHOWN`, or that of the scatter that it lies within. rests_on: where that is known from; else empty.
        shared: names of the budget's lines that cancel.
    """

    value: float
    half: float
    one: float
    one_half: float
    other: float
    other_half: float
    word: str
    shared: tuple[str, ...]
    rests_on: str = ""

    @property
    def relative_pct(self) -> float | None:
        """The difference in per cent of the other; None where that is zero."""
        return 100.0 * self.value / self.other if self.other else None


def night_figure(name: str, cycles: Sequence[Figure]) -> Figure | None:
    """One figure over all its judged cycles, in order: their mean, with a budget of its own scatter and of what they all share.

    None where no cycle was judged or none has an uncertainty.
    """
    pooled, last = Pooled(), None
    budgeted = True
    for each in cycles:
        if each.status != OK or each.value is None or each.u is None:
            continue
        pooled.add(each.value, *own_part(each), each.u_common)
        last = each
        budgeted &= each.kind == BUDGET
    if last is None:
        return None
    scatter, nu = pooled.scatter()
    lines = [BudgetLine("between cycles", scatter, nu, common=False, source="all judged cycles")]
    lines += [line for line in last.budget if line.common]
    u, together = combined(tuple(lines))
    kind = BUDGET if budgeted else REPEATABILITY
    return Figure(name, pooled.mean, u, together, n=pooled.count, kind=kind, budget=tuple(lines))


def difference(one: Figure, other: Figure, again: Scatter | None = None) -> Difference:
    """How far two nights differ, and whether that is more than their interval.

    Args:
        one: of `night_figure`.
        other: of `night_figure`, the same figure.
        again: how the figure of one unit scatters with what lies between the two; None where nothing does, or it is not known.

    Raises:
        ValueError: not the same figure.
    """
    value, u, nu = comparison(one, other)
    half = coverage_factor(nu) * u
    word, rests_on = REAL if abs(value) > half else NOT_SHOWN, ""
    # Two mountings differ by chance with the square root of two.
    if (
        again is not None
        and word == REAL
        and abs(value) <= coverage_factor(again.nu) * math.hypot(u, math.sqrt(2.0) * again.sd)
    ):
        word, rests_on = again.word, again.source
    theirs = {(line.name, line.source) for line in other.budget if line.common}
    shared = tuple(line.name for line in one.budget if line.common and (line.name, line.source) in theirs)
    assert one.value is not None
    assert other.value is not None
    return Difference(value, half, one.value, _half(one), other.value, _half(other), word, shared, rests_on)


def remounting(means: Sequence[float], source: str = "") -> Scatter | None:
    """How the means of several mountings of one unit scatter; None with less than three."""
    if len(means) < 3:
        return None
    middle = sum(means) / len(means)
    freedom = len(means) - 1.0
    sd = math.sqrt(sum((each - middle) ** 2 for each in means) / freedom)
    return Scatter(sd, freedom, REMOUNTING, source)


def _half(figure: Figure) -> float:
    assert figure.u is not None
    assert figure.nu is not None
    return coverage_factor(figure.nu) * figure.u
