"""The orders of a turn over what noise alone could make; what lies inside the noise is not drawn."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightturn.model.quantities import number, quantity
from nightturn.model.tiles import Float64s
from nightturn.pictures.accepted import Accepted
from nightturn.pictures.frame import Frame, framed
from nightturn.pictures.paper import GROWN, HAIR, INK, SOFT, words_px
from nightturn.pictures.picture import Picture
from nightturn.pictures.scale import Scale

NOISE_SHARE = 0.999
"""Of noise alone lies below the field: the square of an amplitude that noise makes is exponentially distributed."""
FIELD = math.sqrt(-math.log(1 - NOISE_SHARE))
GROWN_TIMES = 2.0
"""From how many times the first hour's amplitude on an order is drawn as grown."""
ROWS_MAX = 40
DECADES_MAX = 6
FAMILY_PX = 13.0
NAMED_MAX = 8
ABOVE_MAX = 12


@dataclass(frozen=True, slots=True)
class Family:
    """Orders of one origin, by name: the fundamental, which need not be a whole number, and its multiples."""

    name: str
    fundamental: float


def draw_orders(
    amplitude_nm: Float64s,
    floor_nm: Float64s,
    first_nm: Float64s | None,
    families: Sequence[Family],
    *,
    width_px: float = 920,
    of: str = "the hold",
    accepted: Accepted | None = None,
    no_floor: str = "With one turn nothing is known of the noise.",
) -> Picture:
    """Peak amplitude of orders 1, 2, ... (orders,), what noise makes of each (rms), the first hour's amplitudes, and accepted units' band.

    Without a floor, with a single turn, nothing can be said of noise: every order is drawn, and the caption says so, with `no_floor`.
    """
    count = len(amplitude_nm)
    known = len(floor_nm) == count and count > 0
    field = FIELD * floor_nm if known else np.zeros(count)
    seen = amplitude_nm > field
    grown = _grown(amplitude_nm, field, first_nm) & seen
    x, y = _scales(amplitude_nm, field, count)
    lines = len(families)
    frame = framed(
        "orders", width_px, 300 + FAMILY_PX * lines, x, y, "peak, mN·m", top_px=22 + FAMILY_PX * lines
    )
    _axis(frame, count)
    if known:
        _field(frame, field)
    if accepted is not None:
        _accepted(frame, accepted, count)
    if first_nm is not None:
        _rings(frame, first_nm, field)
    _stems(frame, amplitude_nm, field, seen, grown)
    _families(frame, families, count)
    title = f"Orders of {of}"
    description = _description(amplitude_nm, seen, grown, of)
    if accepted is not None:
        description += _outside(amplitude_nm, seen, accepted)
    caption = "Filled: now" + ("; rings: the first hour" if first_nm is not None else "") + "."
    caption += "" if known else f" {no_floor}"
    caption += f" Between the grey lines: {accepted.words}." if accepted is not None else ""
    return Picture(
        "orders",
        title,
        caption,
        description,
        frame.paper.svg(title, description),
        ("order", "peak, mN·m", "first hour, mN·m", "noise alone, mN·m"),
        _rows(amplitude_nm, field, first_nm, seen),
    )


def _field(frame: Frame, field: Float64s) -> None:
    """What noise alone could make, as an area from the foot up."""
    count = len(field)
    edge = np.repeat(np.arange(1, count + 1), 2) + np.tile([-0.5, 0.5], count)
    top = frame.y.at(np.repeat(field, 2) * 1e3)
    frame.paper.band(frame.x.at(edge), np.full(len(edge), frame.y.low_px), top, HAIR, 1.0)
    frame.paper.text(
        frame.x.low_px + 6, frame.y.low_px - 6, "below: what noise alone could make (99.9 %)", size_px=10
    )


def _accepted(frame: Frame, accepted: Accepted, count: int) -> None:
    """Where the orders of accepted units lie: a pale band between two lines."""
    shown = min(count, len(accepted.low_nm))
    if not shown:
        return
    edge = frame.x.at(np.repeat(np.arange(1, shown + 1), 2) + np.tile([-0.5, 0.5], shown))
    low, high = (
        frame.y.at(np.minimum(np.repeat(each[:shown], 2) * 1e3, frame.y.high))
        for each in (accepted.low_nm, accepted.high_nm)
    )
    frame.paper.band(edge, low, high, SOFT, 0.14)
    for along in (low, high):
        frame.paper.line(edge, along, SOFT, 0.6)


def _outside(
    amplitude_nm: Float64s, seen: np.ndarray[tuple[int], np.dtype[np.bool_]], accepted: Accepted
) -> str:
    """Which orders stand above the band of accepted units."""
    shown = min(len(amplitude_nm), len(accepted.high_nm))
    above = np.flatnonzero((amplitude_nm[:shown] > accepted.high_nm[:shown]) & seen[:shown])
    if not len(above):
        return f" None is above {accepted.words}."
    names = ", ".join(str(int(each) + 1) for each in above[:ABOVE_MAX])
    more = f" and {len(above) - ABOVE_MAX} more" if len(above) > ABOVE_MAX else ""
    return f" Above {accepted.words}: orders {names}{more}."


def _rings(frame: Frame, first_nm: Float64s, field: Float64s) -> None:
    """The first hour's orders, where they lay above today's noise."""
    for order in np.flatnonzero(first_nm > field).tolist():
        if first_nm[order] * 1e3 >= frame.y.low:
            frame.paper.dot(
                frame.x.one(order + 1.0),
                frame.y.one(float(first_nm[order]) * 1e3),
                2.6,
                SOFT,
                filled=False,
            )


def _grown(
    now: Float64s, field: Float64s, first: Float64s | None
) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    if first is None:
        return np.zeros(len(now), bool)
    return now > GROWN_TIMES * np.maximum(first, field)


def _scales(amplitude_nm: Float64s, field: Float64s, count: int) -> tuple[Scale, Scale]:
    largest = float(np.max(amplitude_nm, initial=0.0)) * 1e3 or 1.0
    least = [float(each) * 1e3 for each in (field if field.any() else amplitude_nm) if each > 0]
    top = 10.0 ** math.ceil(math.log10(largest) + 0.05)
    foot = 10.0 ** math.floor(math.log10(min(least, default=largest / 1000)))
    foot = max(foot, top / 10.0**DECADES_MAX)
    return Scale(0.9, max(count, 10) + 0.5, 0, 0, log=True), Scale(min(foot, top / 10), top, 0, 0, log=True)


def _axis(frame: Frame, count: int) -> None:
    for order in (1, 2, 5, 10, 20, 50, 100, 200, 500):
        if order <= max(count, 10):
            frame.foot_tick(frame.x.one(order), number(order))
    frame.name_foot("order: how often in one turn of the shaft")


def _stems(
    frame: Frame,
    amplitude_nm: Float64s,
    field: Float64s,
    seen: np.ndarray[tuple[int], np.dtype[np.bool_]],
    grown: np.ndarray[tuple[int], np.dtype[np.bool_]],
) -> None:
    named = set(np.flatnonzero(grown)[np.argsort(-amplitude_nm[grown])][:NAMED_MAX].tolist())
    for order in np.flatnonzero(seen).tolist():
        x = frame.x.one(order + 1.0)
        top = frame.y.one(float(amplitude_nm[order]) * 1e3)
        foot = frame.y.one(max(float(field[order]) * 1e3, frame.y.low))
        ink = GROWN if grown[order] else INK
        if top > foot:
            continue
        frame.paper.segment((x, foot), (x, top), ink, 1.8 if grown[order] else 1.0)
        frame.paper.dot(x, top, 2.2 if grown[order] else 1.6, ink, filled=True)
        if order in named:
            frame.paper.text(x, top - 6, str(order + 1), anchor="middle", ink=GROWN, size_px=10, bold=True)


def _families(frame: Frame, families: Sequence[Family], count: int) -> None:
    """A bracket a family over its multiples."""
    for line, family in enumerate(families):
        y = 14 + FAMILY_PX * line
        places = [each for k in range(1, 65) if (each := family.fundamental * k) <= count]
        if not places:
            continue
        first, last = frame.x.one(places[0]), frame.x.one(places[-1])
        frame.paper.segment((first, y), (max(last, first + 2), y), INK, 0.8)
        frame.paper.strokes([(frame.x.one(each), y, frame.x.one(each), y + 4) for each in places], INK, 0.8)
        words = f"{family.name} {number(family.fundamental, 4)}"
        if first - 5 - words_px(words, 10) > 0:
            frame.paper.text(first - 5, y + 4, words, anchor="end", size_px=10)
        else:
            frame.paper.text(last + 5, y + 4, words, size_px=10)


def _description(
    amplitude_nm: Float64s,
    seen: np.ndarray[tuple[int], np.dtype[np.bool_]],
    grown: np.ndarray[tuple[int], np.dtype[np.bool_]],
    of: str,
) -> str:
    if not seen.any():
        return f"No order of {of} lies above the noise."
    order = int(np.argmax(np.where(seen, amplitude_nm, 0.0)))
    largest = quantity(float(amplitude_nm[order]), "N·m", digits=3)
    parts = [
        f"{int(seen.sum())} orders of {of} lie above the noise; the largest is order {order + 1}, {largest} peak."
    ]
    if grown.any():
        names = ", ".join(str(int(each) + 1) for each in np.flatnonzero(grown)[:12])
        parts.append(f"At least doubled since the first hour: orders {names}.")
    return " ".join(parts)


def _rows(
    amplitude_nm: Float64s,
    field: Float64s,
    first_nm: Float64s | None,
    seen: np.ndarray[tuple[int], np.dtype[np.bool_]],
) -> tuple[tuple[str, ...], ...]:
    """The largest of those above the noise, in order of their numbers."""
    shown = np.flatnonzero(seen)
    shown = np.sort(shown[np.argsort(-amplitude_nm[shown], kind="stable")][:ROWS_MAX])
    return tuple(
        (
            str(int(at) + 1),
            number(float(amplitude_nm[at]) * 1e3, 3),
            number(float(first_nm[at]) * 1e3, 3) if first_nm is not None else "is the first hour",
            number(float(field[at]) * 1e3, 3) if field[at] else "not known",
        )
        for at in shown
    )
