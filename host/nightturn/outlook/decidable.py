"""What a rig can decide at all: how near to a limit the calibration alone leaves a figure open, whatever the number of cycles.

The common part of the budget does not shrink with cycles (JCGM 100:2008, 4.2.7 and F.1.2.4 from memory), so it bounds what a
night can tell. Converter steps, noise and the scatter between cycles come on top.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from nightturn.estimation.budget import Seen, budget_lines, kind_of
from nightturn.estimation.conditions import Conditions
from nightturn.estimation.figures import FIGURES, MEAN_TORQUE
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.figures import BUDGET, NU_MANY
from nightturn.model.quantities import quantity
from nightturn.model.verdicts import MAX, MIN
from nightturn.outlook.limit_outlook import AcceptanceOutlook


@dataclass(frozen=True, slots=True)
class Decidable:
    """One bound of an acceptance limit, all in the figure's unit.

    Attributes:
        narrowest: no unit, however good, can be shown to keep an upper limit below this; with the guard band in it.
        open_within: a figure this near to its limit is never decided.
        guard: the band beside the limit in which nothing is accepted.
    """

    figure: str
    unit: str
    bound: str
    limit: float
    narrowest: float
    open_within: float
    guard: float


def decidable(accepted: Sequence[AcceptanceOutlook], conditions: Conditions) -> tuple[Decidable, ...]:
    """What the certificate of these conditions leaves open of each limit; nothing where it states no uncertainty."""
    if kind_of(conditions.certificate) != BUDGET:
        return ()
    return tuple(
        Decidable(
            each.figure,
            each.unit,
            bound,
            limit,
            narrowest=_expanded_nm(each.figure, 0.0, conditions) * limit / limit_nm + each.limit.guard,
            open_within=_expanded_nm(each.figure, abs(limit_nm), conditions) * limit / limit_nm,
            guard=each.limit.guard,
        )
        for each in accepted
        for bound, limit, limit_nm in each.bounds
        if limit_nm
    )


def never_accepted(found: Sequence[Decidable]) -> tuple[str, ...]:
    """A sentence for each limit that no unit can be shown to keep on this rig, however good it is and however many cycles run."""
    out = []
    for each in found:
        lower = next((low for low in found if (low.figure, low.bound) == (each.figure, MIN)), None)
        if each.bound != MAX:
            continue
        if lower is None:
            room, open_within, between = each.limit, each.narrowest, quantity(each.limit, each.unit)
        else:
            room, open_within = (
                each.limit - lower.limit,
                each.open_within + lower.open_within + 2 * each.guard,
            )
            between = f"{quantity(lower.limit, each.unit)} to {quantity(each.limit, each.unit)}"
        if room <= open_within:
            out.append(
                f"{each.figure}: nothing can be accepted at {between}, because calibration and guard band leave "
                f"{quantity(open_within, each.unit, digits=2)} open whatever is measured; widen the limit, or use a certificate of "
                "less uncertainty"
            )
    return tuple(out)


def torque_expanded_nm(torque_nm: float, conditions: Conditions) -> float:
    """± that the certificate of these conditions leaves at a torque that is held, N·m; 0 where it states no uncertainty."""
    if kind_of(conditions.certificate) != BUDGET:
        return 0.0
    return _expanded_nm(MEAN_TORQUE, torque_nm, conditions)


def _expanded_nm(figure: str, size_nm: float, conditions: Conditions) -> float:
    """± of the common part of the budget of a figure of this size, N·m."""
    lines = budget_lines(
        size_nm, FIGURES[figure].enters, Seen(span_nm=2 * size_nm, zero_known=True), conditions
    )
    return coverage_factor(NU_MANY) * math.hypot(*(line.u for line in lines))
