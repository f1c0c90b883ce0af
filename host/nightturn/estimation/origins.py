"""Where an order comes from: the unit, the rig that turns it, the mains, or nothing that was declared.

One function for everything that shows orders. An order of several causes names them all, and nobody decides between them:
only a record of the rig can. Electrical order e shows at e times the pole pairs, cogging at the LCM of poles and slots, unequal
magnets at multiples of the slots, unequal slots at multiples of the poles (Z. Q. Zhu, D. Howe, IEEE Trans. Energy
Conversion 15(4), 2000, 407-412, for the cogging; the rest is common practice, no source).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import lcm

from nightturn.estimation.conditions import Conditions
from nightturn.estimation.families import FAMILY_REACH, RIG_ORDERS
from nightturn.estimation.hum import hum_at
from nightturn.model.quantities import number, quantity

OF_UNIT, OF_RIG, OF_BOTH, OF_MAINS, UNDECLARED = "unit", "rig", "unit or rig", "mains", "undeclared"
ELECTRICAL = (1, 2, 6, 12)
"""Current offset, gain mismatch, and the harmonics that phases make together."""
COGGING_MOST = 3
"""Multiples of the drive's cogging that are reckoned with; more are below 1 % of it (common practice, no source)."""
BEARING_MOST = 2
BEARING_SLIP = 0.02
"""Of a ball-pass order: bearings slip by 1 to 3 % (common practice, no source)."""
BEARING_NEAR = 0.5
"""An order between two whole ones shows at the nearest, and beside it."""
SHAFT = "turn of the shaft, of unit or rig"


@dataclass(frozen=True, slots=True)
class Origin:
    """Whose an order is, `unit`, `rig`, `unit or rig`, `mains` or `undeclared`, and by what cause, in words."""

    whose: str
    words: str

    @property
    def may_be_rig(self) -> bool:
        """Whether the rig may have made it."""
        return self.whose in (OF_RIG, OF_BOTH)


def origin_of(order: int, conditions: Conditions, speed_rpm: float, turns: int) -> Origin:
    """The origin of an order that was read at this speed over so many turns."""
    causes = list(_causes(order, conditions, speed_rpm, turns))
    whose = {each for each, _ in causes}
    words = " or ".join(dict.fromkeys(text for _, text in causes))
    if not causes:
        return Origin(UNDECLARED, UNDECLARED)
    if len(whose) == 1:
        return Origin(whose.pop(), words)
    return Origin(OF_BOTH if whose & {OF_RIG, OF_BOTH} else OF_UNIT, words)


def _causes(order: int, conditions: Conditions, speed_rpm: float, turns: int) -> Iterator[tuple[str, str]]:
    """Whose and why, for every declared cause."""
    if order <= RIG_ORDERS:
        yield OF_BOTH, SHAFT
    yield from _of_unit(order, conditions.pole_pairs, conditions.slots)
    yield from _of_drive(order, conditions.drive_pole_pairs, conditions.drive_slots)
    yield from _of_bearings(order, conditions.bearings, OF_RIG, "")
    yield from _of_bearings(order, conditions.unit_bearings, OF_UNIT, " of the unit")
    hum_hz = hum_at(order, speed_rpm, turns, conditions.mains_hz)
    if hum_hz is not None:
        yield OF_MAINS, f"mains hum of {quantity(hum_hz, 'Hz')}"


def _of_bearings(
    order: int, bearings: Sequence[tuple[str, float]], whose: str, of_whom: str
) -> Iterator[tuple[str, str]]:
    for name, pass_order in bearings:
        for times in range(1, BEARING_MOST + 1):
            at = times * pass_order
            if abs(order - at) <= max(BEARING_NEAR, BEARING_SLIP * at):
                yield whose, f"{name}{of_whom} ({_times(times, number(pass_order, 4))})"
                break


def _of_unit(order: int, pairs: int, slots: int) -> Iterator[tuple[str, str]]:
    if pairs <= 0 or slots <= 0:
        return
    both = lcm(2 * pairs, slots)
    if order % both == 0:
        yield OF_UNIT, f"cogging of the unit ({_times(order // both, both)})"
        return
    electrical = [e for e in ELECTRICAL if e * pairs == order and e != 2]
    if electrical:
        yield OF_UNIT, f"current of the unit ({_times(electrical[0], f'{pairs} pole pairs')})"
    elif order % (2 * pairs) == 0 and order <= FAMILY_REACH * both:
        yield OF_UNIT, f"poles of the unit ({_times(order // (2 * pairs), 2 * pairs)})"
    if order % slots == 0 and order <= FAMILY_REACH * both:
        yield OF_UNIT, f"slots of the unit ({_times(order // slots, slots)})"


def _of_drive(order: int, pairs: int, slots: int) -> Iterator[tuple[str, str]]:
    if pairs <= 0 or slots <= 0:
        return
    both = lcm(2 * pairs, slots)
    if order % both == 0 and order // both <= COGGING_MOST:
        yield OF_RIG, f"cogging of the drive ({_times(order // both, both)})"
    elif order in (slots, 2 * slots):
        yield OF_RIG, f"slots of the drive ({_times(order // slots, slots)})"
    elif order % pairs == 0 and order // pairs in ELECTRICAL:
        yield OF_RIG, f"current of the drive ({_times(order // pairs, f'{pairs} pole pairs')})"


def _times(times: int, what: object) -> str:
    return f"{times} × {what}"
