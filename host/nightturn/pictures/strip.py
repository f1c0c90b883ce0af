"""The night of one figure as a line against its limit, small enough for a wall of them: few points, no axis, no words."""

from datetime import tzinfo

import numpy as np

from nightturn.model.quantities import quantity
from nightturn.model.tiles import Int64s
from nightturn.pictures.night import Row, beyond, moment_text
from nightturn.pictures.paper import GROWN, HAIR, INK, SOFT, Paper
from nightturn.pictures.picture import Picture
from nightturn.pictures.scale import Scale

HEIGHT_PX, TOP_PX, FOOT_PX = 54.0, 7.0, 6.0
POINTS_MAX = 60
"""Of a strip: it stays small, and a fleet's can travel in a message."""
DOT_PX = 2.4
WALL_PX = 8.0
"""Between the short strokes on the forbidden side of the limit."""
NEARER = 0.5
"""The strip shows at least this part of the way from the limit to zero, so that noise far from a limit is a flat line."""


def draw_strip(
    row: Row,
    holes: list[tuple[int, int]],
    over: tuple[int, int],
    zone: tzinfo,
    *,
    name: str,
    width_px: float = 340,
) -> Picture:
    """One figure over a night, a point a cycle, thinned to those nearest to the limit.

    Args:
        row: the figure, with at most one bound.
        holes: stretches without samples, ns since 1970 UTC, hatched.
        over: first and last moment of the strip, the planned end where that is known.
        zone: whose clocks the description shows.
        name: unique within a page.
        width_px: of the picture.
    """
    paper = Paper(name, width_px, HEIGHT_PX)
    x = Scale(float(over[0]), float(over[1]), 2.0, width_px - 2.0)
    y = _scale(row)
    foot = HEIGHT_PX - FOOT_PX
    for begin, end in holes:
        left, right = x.one(max(begin, over[0])), x.one(min(end, over[1]))
        paper.hatched(left, TOP_PX, max(right - left, 0.0), foot - TOP_PX)
    paper.segment((0, foot + 0.5), (width_px, foot + 0.5), HAIR, 0.8)
    for bound in row.bounds[:1]:
        _wall(paper, y.one(bound.value), up=bound.up)
    _dots(paper, row, x, y)
    words = _words(row, over, zone)
    return Picture(name, row.title, "", words, paper.svg(row.title, words), (), ())


def _wall(paper: Paper, at: float, *, up: bool) -> None:
    paper.segment((0, at), (paper.width_px, at), INK, 1.0)
    rise = -4.0 if up else 4.0
    places = np.arange(1.0, paper.width_px - 4.0, WALL_PX)
    paper.strokes([(each, at, each + 3.0, at + rise) for each in places.tolist()], INK, 0.7)


def _dots(paper: Paper, row: Row, x: Scale, y: Scale) -> None:
    """Judged cycles, plum and larger beyond the limit; those that were not judged as strokes at the foot."""
    foot = HEIGHT_PX - FOOT_PX
    kept = _kept(row)
    outside = beyond(row)
    across, along = x.at(row.ts.astype(np.float64)), y.at(row.value)
    for ink, size, mask in ((INK, DOT_PX, ~outside), (GROWN, DOT_PX + 1.0, outside)):
        shown = [at for at in kept if mask[at]]
        paper.strokes(
            [
                (
                    float(across[at]) - size / 2,
                    float(along[at]),
                    float(across[at]) + size / 2,
                    float(along[at]),
                )
                for at in shown
            ],
            ink,
            size,
        )
    refused = across[~np.isfinite(row.value)]
    step = max(len(refused) // POINTS_MAX, 1)
    paper.strokes([(each, foot - 4, each, foot) for each in refused[::step].tolist()], SOFT, 1.0)


def _scale(row: Row) -> Scale:
    """From a little beyond limit and values to half the limit, so that all strips of a limit read alike."""
    good = row.value[np.isfinite(row.value)].tolist()
    ends = [
        *good,
        *(each.value for each in row.bounds[:1]),
        *(NEARER * each.value for each in row.bounds[:1]),
    ]
    low, high = min(ends, default=0.0), max(ends, default=1.0)
    span = (high - low) or abs(high) or 1.0
    return Scale(low - 0.04 * span, high + 0.04 * span, HEIGHT_PX - FOOT_PX - 2, TOP_PX)


def _kept(row: Row) -> list[int]:
    """Judged cycles at even distances, each the one of its part that is nearest to the limit or farthest beyond it."""
    judged = np.flatnonzero(np.isfinite(row.value))
    if len(judged) <= POINTS_MAX:
        return [int(each) for each in judged]
    sign = -1.0 if row.bounds and not row.bounds[0].up else 1.0
    parts = np.array_split(judged, POINTS_MAX)
    return [int(part[int(np.argmax(sign * row.value[part]))]) for part in parts]


def _words(row: Row, over: tuple[int, int], zone: tzinfo) -> str:
    good = row.value[np.isfinite(row.value)]
    if not len(good):
        return f"{row.title}: no cycle was judged yet."
    ends: Int64s = row.ts[np.isfinite(row.value)]
    said = (
        f"{row.title} from {quantity(float(good[0]), row.unit)} to {quantity(float(good[-1]), row.unit)}, "
        f"{moment_text(over[0], zone)} to {moment_text(int(ends[-1]), zone)}"
    )
    for bound in row.bounds[:1]:
        said += f", limit {quantity(bound.value, row.unit)}, {int(beyond(row).sum())} of {len(good)} cycles beyond it"
    return f"{said}."
