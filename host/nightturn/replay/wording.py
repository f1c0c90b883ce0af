"""How a difference between two values reads: with as many digits as tell them apart, and how far apart they are."""

import math
from collections.abc import Mapping

from nightturn.model.quantities import scientific, significant

DIGITS = range(4, 18)
"""Significant digits to try; the last, 17, tell any two floats apart."""
PLAIN_DIGITS = 6
ORDER_COLUMNS = ("amplitude_nm", "phase_rad", "u_nm")
"""Of an order table, behind the order."""
Table = Mapping[int, tuple[float, ...]]


def change(was: object, now: object) -> str:
    """From which value to which, such as `0.08910 -> 0.08912 (2.2 × 10⁻⁴ relative)`."""
    if isinstance(was, float) and isinstance(now, float):
        return _numbers(was, now)
    if isinstance(was, dict) and isinstance(now, dict):
        names = [name for name in {**was, **now} if was.get(name) != now.get(name)]
        return "; ".join(f"{name} {change(was.get(name), now.get(name))}" for name in names)
    if isinstance(was, tuple) and isinstance(now, tuple):
        return _tuples(was, now)
    return f"{_plain(was)} -> {_plain(now)}"


def phase_apart(was_rad: float, now_rad: float) -> float:
    """The angle between two phases, rad; -pi and pi are one phase."""
    return math.remainder(was_rad - now_rad, math.tau)


def order_table(value: object) -> Table | None:
    """The rows of an order table by their order; None for anything else."""
    if not isinstance(value, tuple) or not all(
        isinstance(row, tuple) and len(row) == 1 + len(ORDER_COLUMNS) for row in value
    ):
        return None
    return {row[0]: row[1:] for row in value}


def _numbers(was: float, now: float) -> str:
    if not (math.isfinite(was) and math.isfinite(now)) or was == now:
        return f"{_plain(was)} -> {_plain(now)}"
    texts = ((significant(was, digits), significant(now, digits)) for digits in DIGITS)
    old, new = next((old, new) for old, new in texts if old != new)
    return f"{old} -> {new} ({scientific(abs(was - now) / max(abs(was), abs(now)))} relative)"


def _tuples(was: tuple[object, ...], now: tuple[object, ...]) -> str:
    """Order tables by order; sentences by those that are in one of the two only."""
    old, new = order_table(was), order_table(now)
    if old is not None and new is not None:
        return _tables(old, new)
    gone, come = ([_plain(each) for each in a if each not in b] for a, b in ((was, now), (now, was)))
    return f"{'; '.join(gone) or '(none)'} -> {'; '.join(come) or '(none)'}"


def _tables(was: Table, now: Table) -> str:
    parts = [
        f"{word}: {', '.join(str(order) for order in a if order not in b)}"
        for word, a, b in (("not seen", was, now), ("not expected", now, was))
        if any(order not in b for order in a)
    ]
    both = [order for order in was if order in now and was[order] != now[order]]
    if both:
        worst = max(both, key=lambda order: _apart(was[order], now[order]))
        columns = "; ".join(
            f"{name} {_numbers(a, b)}"
            for name, a, b in zip(ORDER_COLUMNS, was[worst], now[worst], strict=True)
            if a != b
        )
        parts.append(f"{len(both)} of {len(was)} orders differ, most order {worst}: {columns}")
    return "; ".join(parts)


def _apart(was: tuple[float, ...], now: tuple[float, ...]) -> float:
    """How far two rows of an order table are apart, each number by its own size, a phase by a radian."""
    amplitude, phase, u = (abs(a - b) for a, b in zip(was, now, strict=True))
    phase = abs(phase_apart(was[1], now[1])) if phase else 0.0
    sizes = (abs(was[0]) or 1.0, abs(was[2]) or 1.0)
    return max(amplitude / sizes[0], phase, u / sizes[1])


def _plain(value: object) -> str:
    return significant(value, PLAIN_DIGITS, zeros=False) if isinstance(value, float) else str(value)
