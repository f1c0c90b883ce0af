"""Families of orders and strokes as figures of a cycle: what is followed over cycles without being watched.

A family's amplitude is the root of the power that its orders hold beyond what the scatter from turn to turn leaves there, and zero where they
hold less; no order is picked out. Nothing is led back through resonance or filter: these are courses, not figures.
"""

import math
import re
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from nightturn.estimation.curves import BACK, FORWARD
from nightturn.evidence.cycle_values import Declared
from nightturn.evidence.families import BESIDE, ELECTRICAL_MULTIPLES, MULTIPLES, family_of
from nightturn.evidence.features import (
    ELECTRICAL,
    KINDS,
    LCM,
    POLES,
    SHAFT,
    SIDE_LINES,
    SIDEBANDS,
    SLOTS,
)
from nightturn.model.phases import HOLD
from nightturn.model.tiles import Float64s, Int64s

NAMES = {
    LCM: "cogging_orders_nm",
    POLES: "pole_orders_nm",
    SLOTS: "slot_orders_nm",
    SIDEBANDS: "sideband_orders_nm",
    SIDE_LINES: "side_line_orders_nm",
    SHAFT: "shaft_orders_nm",
    ELECTRICAL: "electrical_orders_nm",
}
DRIVE, DRIVE_TITLE = "drive_orders_nm", "orders of the turning drive"
LCM_TITLE = "cogging order and its multiples"
UNPOWERED = (FORWARD, BACK)
STROKE_MEAN, STROKE_PEAK, STROKE_RMS = "stroke_mean_nm", "stroke_peak_nm", "stroke_rms_nm"
STROKES = {
    STROKE_MEAN: "strokes, mean torque",
    STROKE_PEAK: "strokes, largest torque",
    STROKE_RMS: "strokes, rms torque",
}
"""Of the strokes of a cycle, by direction; indicative: their speed is not held to that of a measuring pass."""
DRIVE_MULTIPLES = (1, 2, 3)
PLACES_KEPT = 1024
"""Places of orders that are kept: of a bench's settings, legs and lengths of curves."""


class Family(NamedTuple):
    """Orders that belong together: name as a figure, title for people, the orders, and the legs of a cycle that they are read from."""

    name: str
    title: str
    orders: frozenset[int]
    legs: tuple[str, ...]


class Leg(NamedTuple):
    """One curve of a cycle: which, its sense of turning, and of the orders 1, 2, ... the peak and the floor, N·m, both empty or alike long."""

    leg: str
    direction: int
    amplitude_nm: Float64s
    floor_nm: Float64s


def families_of(declared: Declared, drive: tuple[int, int], highest: int) -> tuple[Family, ...]:
    """The families that can be named up to the highest order; `drive` are pole pairs and slots of the turning drive, 0 where not declared."""
    own: dict[str, set[int]] = {}
    for order in range(1, highest + 1):
        kind = family_of(order, declared)
        if kind:
            own.setdefault(kind, set()).add(order)
    found = [
        Family(
            NAMES[kind],
            LCM_TITLE if kind == LCM else KINDS[kind].title,
            frozenset(own[kind]),
            (HOLD,) if kind == ELECTRICAL else UNPOWERED,
        )
        for kind in NAMES
        if kind in own
    ]
    named = frozenset().union(*own.values()) if own else frozenset[int]()
    for title, line in declared.bearings:
        beside = frozenset(
            order
            for times in range(1, MULTIPLES + 1)
            for order in (math.floor(times * line), math.ceil(times * line))
            if abs(order - times * line) <= BESIDE and 1 <= order <= highest
        )
        if beside - named:
            found.append(Family(f"{_word(title)}_orders_nm", title, beside - named, UNPOWERED))
    rigs = _drive_orders(*drive, highest) - named
    return (*found, Family(DRIVE, DRIVE_TITLE, rigs, UNPOWERED)) if rigs else tuple(found)


def titles_of(families: Sequence[Family]) -> Mapping[str, str]:
    """What each series is called, strokes too."""
    return {each.name: each.title for each in families} | STROKES


def amplitudes(
    families: tuple[Family, ...], legs: Sequence[Leg]
) -> dict[tuple[str, int], tuple[float, float]]:
    """(value, u) N·m of each family by name and sense of turning; a leg that has no floor, or a hole, has none."""
    by_leg = [_of_leg(families, leg) for leg in legs]
    return {
        (family.name, leg.direction): own[family.name]
        for family in families
        for leg, own in zip(legs, by_leg, strict=True)
        if family.name in own
    }


def _of_leg(families: tuple[Family, ...], leg: Leg) -> dict[str, tuple[float, float]]:
    """The families of one leg by name.

    A complex amplitude s with noise of variance f² has |s + n|² of mean s² + f² and variance 2 s² f² + f⁴ (n complex normal; textbook
    result).
    """
    places, parts = _places(families, leg.leg, min(len(leg.amplitude_nm), len(leg.floor_nm)))
    noise = leg.floor_nm[places] ** 2
    power = leg.amplitude_nm[places] ** 2 - noise
    spread = 2.0 * np.maximum(power, 0.0) * noise + noise**2
    return {name: _amplitude(power[part], spread[part]) for name, part in parts}


def _amplitude(power: Float64s, spread: Float64s) -> tuple[float, float]:
    """Root of the power beyond the floor, and its standard uncertainty: where nothing stands out, as uncertain as the root of that of the power."""
    u_power = math.sqrt(float(spread.sum()))
    size = math.sqrt(max(float(power.sum()), 0.0))
    widest = max(size, math.sqrt(u_power))
    return size, u_power / (2.0 * widest) if widest else 0.0


@lru_cache(maxsize=PLACES_KEPT)
def _places(
    families: tuple[Family, ...], leg: str, count: int
) -> tuple[Int64s, tuple[tuple[str, slice], ...]]:
    """Where in the orders 1 to `count` of a leg those of its families stand, one family behind the other, and which of these each has."""
    own = {
        each.name: [order - 1 for order in sorted(each.orders) if order <= count]
        for each in families
        if leg in each.legs
    }
    places, parts = list[int](), list[tuple[str, slice]]()
    for name, orders in own.items():
        if orders:
            parts.append((name, slice(len(places), len(places) + len(orders))))
            places += orders
    return np.array(places, np.int64), tuple(parts)


def _drive_orders(pole_pairs: int, slots: int, highest: int) -> frozenset[int]:
    """As `estimation.spectra.declared_orders` has them of a drive."""
    if not pole_pairs or not slots:
        return frozenset()
    both = math.lcm(2 * pole_pairs, slots)
    orders = {times * pole_pairs for times in ELECTRICAL_MULTIPLES} | {slots, 2 * slots}
    orders |= {times * both for times in DRIVE_MULTIPLES}
    return frozenset(order for order in orders if order <= highest)


def _word(title: str) -> str:
    return re.sub(r"\W+", "_", title).strip("_").lower()
