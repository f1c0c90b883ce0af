"""A figure against its limit as a ruler: from zero to the wall, the value as a bar with its interval at the end."""

from nightturn.model.quantities import interval, quantity
from nightturn.pictures.night import Bound
from nightturn.pictures.paper import GROWN, HAIR, INK, SOFT, Paper
from nightturn.pictures.picture import Picture
from nightturn.pictures.scale import Scale

HEIGHT_PX, BAR_PX, MIDDLE_PX = 40.0, 5.0, 13.0
ROOM = 1.12
"""The ruler is longer than the larger of limit and value by so much."""


def draw_ruler(
    title: str, unit: str, value: float, half: float, bound: Bound, *, name: str, width_px: float = 280
) -> Picture:
    """How much of what is allowed is used.

    Args:
        title: of the figure, in words.
        unit: of the numbers.
        value: of the newest judged cycle, in the unit.
        half: of its 95 % interval; infinite where it is not known.
        bound: the limit.
        name: unique within a page.
        width_px: of the picture.
    """
    paper = Paper(name, width_px, HEIGHT_PX)
    size, limit = abs(value), abs(bound.value)
    known = half if half != float("inf") else 0.0
    scale = Scale(0.0, max(size + known, limit, 1e-12) * ROOM, 4.0, width_px - 4.0)
    over = size - known > limit if bound.up else size + known < limit
    paper.area(4, MIDDLE_PX - BAR_PX / 2, width_px - 8, BAR_PX, HAIR)
    paper.area(4, MIDDLE_PX - BAR_PX / 2, scale.one(size) - 4, BAR_PX, GROWN if over else INK)
    for each in (size - known, size + known) if known else ():
        at = scale.one(max(each, 0.0))
        paper.segment((at, MIDDLE_PX - 6), (at, MIDDLE_PX + 6), INK, 0.9)
    wall = scale.one(limit)
    paper.segment((wall, MIDDLE_PX - 9), (wall, MIDDLE_PX + 9), INK, 1.4)
    rise = 4.0 if bound.up else -4.0
    paper.strokes(
        [(wall, MIDDLE_PX - 9 + 4.5 * each, wall + rise, MIDDLE_PX - 12 + 4.5 * each) for each in range(5)],
        INK,
        0.8,
    )
    allowed = f"{quantity(bound.value, unit, beside=value)} {'allowed' if bound.up else 'asked for'}"
    paper.text(4, HEIGHT_PX - 5, "0", ink=SOFT)
    late = wall > width_px / 2
    paper.text(
        wall + 4 if late else wall, HEIGHT_PX - 5, allowed, anchor="end" if late else "start", ink=SOFT
    )
    words = f"{title}: {interval(value, half, unit, beside=bound.value)}, {allowed}."
    return Picture(name, title, "", words, paper.svg(title, words), (), ())
