"""Which orders belong together, and what a cycle has of each family.

Unequal magnets show at multiples of the slots, unequal slots at multiples of the poles, cogging at the least common multiple (Z. Q. Zhu, D.
Howe, IEEE Trans. Energy Conversion 15(4), 2000, 407-412); sidebands are what one turn of the rotor modulates (common practice, no source).
"""

import math
from collections.abc import Callable, Sequence

from nightturn.evidence.comparing import Point
from nightturn.evidence.cycle_values import CycleValues, Declared, OrderValue
from nightturn.evidence.features import ELECTRICAL, LCM, POLES, SHAFT, SIDE_LINES, SIDEBANDS, SLOTS

SIDEBAND_MOST = 12
ELECTRICAL_MULTIPLES = (1, 2, 6, 12)
SHAFT_ORDERS = (1, 2)
SLIP = 0.03
"""Of a ball-pass order: bearings slip by 1 to 3 % (common practice, no source)."""
MULTIPLES = 5
"""Multiples of a ball-pass order that count as its line: a pulse shows at all of them, and where the first lies too near a whole order for the
turns of a pass, only the others can be told apart (the virtual plant's 10.01)."""
SAME_SLIP = 1e-3
"""Bearings whose multiples lie this near to each other, relative, share a line."""
BESIDE = 0.5
"""An order between two whole ones shows at the nearest, and beside it."""
SAME_LINE = 0.02
"""Two lines this near to each other are one line of two cycles."""
NU_OF_LINE = 10.0
"""Degrees of freedom that an amplitude's own uncertainty is taken to have, where nobody says."""


def lcm_of(declared: Declared) -> int:
    """The cogging order of the unit; 0 where poles and slots are not declared."""
    return math.lcm(2 * declared.pole_pairs, declared.slots) if declared.pole_pairs and declared.slots else 0


def family_of(order: int, declared: Declared) -> str:
    """The family of a whole order; empty for one of none. Sidebands are counted beside the first two multiples of the cogging order."""
    both = lcm_of(declared)
    if not both:
        return SHAFT if order in SHAFT_ORDERS else ""
    if order % both == 0:
        return LCM
    if order in SHAFT_ORDERS:
        return SHAFT
    if order % declared.slots == 0:
        return SLOTS
    if order % declared.pole_pairs == 0 and order // declared.pole_pairs in ELECTRICAL_MULTIPLES:
        return ELECTRICAL
    if order % (2 * declared.pole_pairs) == 0:
        return POLES
    beside = min(order % both, both - order % both)
    multiple = round(order / both)
    if multiple in (1, 2) and beside <= SIDEBAND_MOST:
        return SIDE_LINES if beside == 1 else SIDEBANDS
    return ""


def amplitude(
    table: Sequence[OrderValue] | None, wanted: Callable[[OrderValue], bool], direction: int
) -> Point | None:
    """Root of the sum of squares of the orders that are wanted; None where none stands out."""
    found = [each for each in table or () if wanted(each)]
    if not found:
        return None
    size = math.sqrt(sum(each.amplitude_nm**2 for each in found))
    u = math.sqrt(sum((each.amplitude_nm * each.u_nm) ** 2 for each in found)) / size if size else 0.0
    return Point(size, u, NU_OF_LINE, direction)


def at_order(table: Sequence[OrderValue] | None, order: int, direction: int) -> Point | None:
    """One whole order of a table; None where it does not stand out."""
    return amplitude(table, lambda each: each.order == order, direction)


def bearings_of(order: float, bearings: Sequence[tuple[str, float]]) -> dict[str, float]:
    """The bearing lines whose multiple an order is, with slip, and the first multiple that follows from it; the nearest alone."""
    near = {
        (name, line): (abs(order / times - line) / line, order / times)
        for name, line in bearings
        if (times := max(round(order / line), 1)) <= MULTIPLES and abs(order / times - line) <= SLIP * line
    }
    best = min((off for off, _ in near.values()), default=0.0)
    return {name: first for (name, _), (off, first) in near.items() if off <= best + SAME_SLIP}


def of_bearing(cycle: CycleValues, name: str, declared: Declared) -> Point | None:
    """What a cycle has at a bearing's line: orders between whole ones, else whole ones beside it that are of no family."""
    at = [line for other, line in declared.bearings if other == name]

    def whole(each: OrderValue) -> bool:
        own = not family_of(round(each.order), declared)
        return own and any(abs(each.order - line) <= max(BESIDE, SLIP * line) for line in at)

    apart = amplitude(cycle.lines, lambda each: name in bearings_of(each.order, declared.bearings), 0)
    return apart if apart is not None else amplitude(cycle.cogging_orders, whole, 0)
