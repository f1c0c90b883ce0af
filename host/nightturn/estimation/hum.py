"""Mains hum: on which order it falls at a speed, and the nearest speed at which it falls on none.

Hum keeps its frequency and orders keep their angle, so their distance in orders, 60 f / rpm - n, is the number of periods
by which they part in a revolution. Less than one over all turns of a pass, and no fit can tell them apart.
"""

from collections.abc import Collection
from math import ceil, floor

import numpy as np

from nightturn.model.quantities import round_to_digits
from nightturn.model.tiles import Int64s

HARMONICS = (1, 2, 3, 5)
"""Mains and its harmonics that reach a bridge: its loops, its supply's ripple, a saturated transformer, rectifiers."""
HUM_WIDTH = 1.0
"""Orders to either side of hum over which a turn spreads it."""
SPEED_STEPS = 200
"""Speeds tried for a clear one: every 0.1 % up to 20 % away."""
SPEED_DIGITS = 4
"""A clear speed is tried as it will be told, because rounding alone can lead back onto the hum."""


def hum_order(orders: Int64s, speed_rpm: float, turns: int, mains_hz: float) -> tuple[float, int] | None:
    """Frequency of the hum and the order that it cannot be told from in this many turns, or None."""
    if len(orders) == 0 or speed_rpm <= 0:
        return None
    for harmonic in HARMONICS:
        hum_hz = harmonic * mains_hz
        away = np.abs(orders - 60.0 * hum_hz / speed_rpm)
        nearest = int(away.argmin())
        if away[nearest] * max(turns, 1) < 1:
            return hum_hz, int(orders[nearest])
    return None


def hum_at(order: int, speed_rpm: float, turns: int, mains_hz: float) -> float | None:
    """Frequency of the hum that this one order cannot be told from in so many turns, or None."""
    if speed_rpm <= 0:
        return None
    tried = (harmonic * mains_hz for harmonic in HARMONICS)
    return next((hz for hz in tried if abs(order - 60.0 * hz / speed_rpm) * max(turns, 1) < 1), None)


def hum_orders(speed_rpm: float, mains_hz: float, declared: Collection[int], highest: int) -> tuple[int, ...]:
    """The orders beside hum that no declared cause makes: what is found there is hum."""
    if speed_rpm <= 0:
        return ()
    found: set[int] = set()
    for harmonic in HARMONICS:
        order = 60.0 * harmonic * mains_hz / speed_rpm
        found.update(range(ceil(order - HUM_WIDTH), floor(order + HUM_WIDTH) + 1))
    return tuple(sorted(order for order in found if 0 < order <= highest and order not in declared))


def clear_speed(orders: Int64s, speed_rpm: float, turns: int, mains_hz: float) -> float | None:
    """The nearest speed at which hum falls on none of the orders, rpm, in the digits it is told in; None within 20 %."""
    for step in range(1, SPEED_STEPS + 1):
        for sign in (-1, 1):
            speed = round_to_digits(speed_rpm * (1 + sign * step / 1000), SPEED_DIGITS)
            if hum_order(orders, speed, turns, mains_hz) is None:
                return speed
    return None
