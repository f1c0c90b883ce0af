"""Every unit of a batch as a dot with its interval, over the limit and what the others lead to expect."""

from collections.abc import Sequence
from dataclasses import dataclass

from nightturn.model.quantities import interval, number, quantity
from nightturn.pictures.frame import Frame, framed
from nightturn.pictures.paper import GROWN, INK, SOFT
from nightturn.pictures.picture import Picture
from nightturn.pictures.scale import Scale, around

MARKS = 6
"""Kinds of marks for rigs; more rigs share them and are told apart by their names in the table."""
ROW_PX = 15.0


@dataclass(frozen=True, slots=True)
class Dot:
    """One unit: its value with the half of its 95 % interval, None where that is not known; the rig; whether it lies apart."""

    unit: str
    rig: str
    value: float
    half: float | None
    outlying: bool


def draw_dots(
    dots: Sequence[Dot],
    *,
    title: str,
    unit: str,
    limit: float | None,
    upper: bool,
    expected: float | None,
    name: str,
    each: str = "unit",
    width_px: float = 920,
) -> Picture:
    """A row a unit, in the order given.

    Args:
        dots: the units.
        title: of the figure.
        unit: of the values.
        limit: the acceptance limit, None where there is none.
        upper: whether more is forbidden.
        expected: the tolerance limit of the batch, None where too few units are there.
        name: unique within a page.
        each: what a dot stands for.
        width_px: of the picture.
    """
    ends = [each for dot in dots for each in (dot.value - (dot.half or 0.0), dot.value + (dot.half or 0.0))]
    ends += [each for each in (limit, expected) if each is not None]
    scale = around(ends, 0, 0, least=1e-9)
    height = 40 + ROW_PX * max(len(dots), 1) + 40
    frame = framed(
        name,
        width_px,
        height,
        scale,
        Scale(0.0, float(max(len(dots), 1)), 0, 0),
        "",
        right_px=150,
        top_px=18,
        grid=False,
    )
    frame.value_axis_foot(f"{title}, {unit}")
    _dots(frame, dots)
    _bounds(frame, limit, expected, upper=upper)
    return _picture(
        frame, dots, title, unit, name, each, _description(dots, title, unit, each, limit, expected)
    )


def _picture(
    frame: Frame, dots: Sequence[Dot], title: str, unit: str, name: str, each: str, description: str
) -> Picture:
    """The drawing with its words and numbers."""
    known = " with its 95 % interval" if any(dot.half is not None for dot in dots) else ""
    apart = " Plum: apart from the others." if any(dot.outlying for dot in dots) else ""
    return Picture(
        name,
        f"{title[:1].upper()}{title[1:]} of every {each}",
        f"A dot a {each}{known}; filled and open by rig.{apart}",
        description,
        frame.paper.svg(title, description),
        (each, "rig", f"{title}, {unit}"),
        tuple(
            (dot.unit, dot.rig, interval(dot.value, dot.half if dot.half is not None else float("inf"), unit))
            for dot in dots
        ),
    )


def _dots(frame: Frame, dots: Sequence[Dot]) -> None:
    """A row a unit."""
    rigs = sorted({dot.rig for dot in dots})
    for place, dot in enumerate(dots):
        y = frame.y.one(len(dots) - place - 0.5)
        x = frame.x.one(dot.value)
        ink = GROWN if dot.outlying else INK
        if dot.half is not None:
            frame.paper.segment(
                (frame.x.one(dot.value - dot.half), y), (frame.x.one(dot.value + dot.half), y), ink, 1.0
            )
        frame.paper.dot(x, y, 3.0, ink, filled=rigs.index(dot.rig) % 2 == 0)
        frame.beside(y, f"{dot.unit}, {dot.rig}" + (" apart" if dot.outlying else ""), SOFT)


def _bounds(frame: Frame, limit: float | None, expected: float | None, *, upper: bool) -> None:
    """The limit, and what the others lead to expect."""
    for value, words, dash in (
        (limit, "limit", ""),
        (expected, "expected below" if upper else "expected above", "4 3"),
    ):
        if value is not None:
            x = frame.x.one(value)
            frame.paper.segment((x, frame.y.high_px), (x, frame.y.low_px), INK, 1.2, dash)
            frame.paper.text(
                x, frame.y.high_px - 5, f"{words} {number(value, 4)}", anchor="middle", ink=INK, size_px=10
            )


def _description(
    dots: Sequence[Dot], title: str, unit: str, each: str, limit: float | None, expected: float | None
) -> str:
    if not dots:
        return f"No {each} has a judged {title}."
    low, high = (quantity(pick(dot.value for dot in dots), unit) for pick in (min, max))
    parts = [f"{title} of {len(dots)} {each}{'' if len(dots) == 1 else 's'}, from {low} to {high}."]
    apart = [dot.unit for dot in dots if dot.outlying]
    if apart:
        parts.append(f"Apart from the others: {', '.join(apart)}.")
    if limit is not None:
        parts.append(f"The limit is {quantity(limit, unit)}.")
    if expected is not None:
        parts.append(
            f"Of such units 95 % are expected within {quantity(expected, unit)}, with 95 % confidence."
        )
    return " ".join(parts)
