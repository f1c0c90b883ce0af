"""Torque over the time of one capture, with the levels between which it steps."""

import numpy as np

from nightturn.model.quantities import number, quantity
from nightturn.model.tiles import Float64s
from nightturn.pictures.frame import Frame, framed
from nightturn.pictures.paper import BACK, FORWARD, GROWN, INK, SOFT
from nightturn.pictures.picture import Picture, thinned
from nightturn.pictures.scale import Scale, around

SLOTS = 700
"""Parts of the time, in each of which the pale band shows the smallest and the largest sample and the line their mean."""
ARROW_SHARE = 0.04
"""Of the time, by which the arrow lies beside the first reversal."""


def draw_trace(
    time_s: Float64s,
    torque_nm: Float64s,
    *,
    friction_nm: float | None,
    zero_nm: float | None,
    turned_s: tuple[float, ...],
    width_px: float = 920,
) -> Picture:
    """Torque (n,) over time (n,).

    Args:
        time_s: rising.
        torque_nm: of each sample.
        friction_nm: half of the step; None where there is none.
        zero_nm: half of the sum; None where it is not known.
        turned_s: when the shaft turned back.
        width_px: of the picture.
    """
    low, high, mean, middle = _slots(time_s, torque_nm)
    scale = around([*low.tolist(), *high.tolist()], 0, 0)
    frame = framed(
        "trace",
        width_px,
        300,
        Scale(float(time_s[0]), float(time_s[-1]), 0, 0),
        scale,
        "torque, N·m",
        right_px=84,
    )
    frame.value_axis_foot("time, s")
    x = frame.x.at(middle)
    frame.paper.band(x, frame.y.at(low), frame.y.at(high), FORWARD, 0.22)
    frame.paper.line(x, frame.y.at(mean), FORWARD, 1.4)
    _reversals(frame, zero_nm, friction_nm, turned_s)
    title = "The capture"
    description = _description(time_s, low, high, friction_nm, turned_s)
    kept = thinned(len(middle))
    return Picture(
        "trace",
        title,
        "The pale band holds all samples, the line is their mean; dashed is where the shaft turned back.",
        description,
        frame.paper.svg(title, description),
        ("time, s", "smallest, N·m", "mean, N·m", "largest, N·m"),
        tuple(tuple(number(float(each[at]), 4) for each in (middle, low, mean, high)) for at in kept),
    )


def _slots(time_s: Float64s, torque_nm: Float64s) -> tuple[Float64s, Float64s, Float64s, Float64s]:
    """Smallest, largest and mean torque of each part of the samples, and its middle in time."""
    slots = min(SLOTS, len(time_s))
    edges = np.arange(slots) * len(time_s) // slots
    counts = np.diff(np.append(edges, len(time_s)))
    low, high = np.minimum.reduceat(torque_nm, edges), np.maximum.reduceat(torque_nm, edges)
    mean, middle = (np.add.reduceat(each, edges) / counts for each in (torque_nm, time_s))
    return low, high, mean, middle


def _reversals(
    frame: Frame, zero_nm: float | None, friction_nm: float | None, turned_s: tuple[float, ...]
) -> None:
    for at in turned_s:
        place = frame.x.one(at)
        frame.paper.segment((place, frame.y.high_px), (place, frame.y.low_px), GROWN, 1.0, "4 3")
    if friction_nm is not None and zero_nm is not None:
        _step(frame, zero_nm, friction_nm, turned_s)


def _step(frame: Frame, zero_nm: float, friction_nm: float, turned_s: tuple[float, ...]) -> None:
    """Both levels, and the arrow between them beside the first reversal."""
    ends = [frame.y.one(zero_nm + friction_nm), frame.y.one(zero_nm - friction_nm)]
    for y in ends:
        frame.paper.segment((frame.x.low_px, y), (frame.x.high_px, y), BACK, 0.9, "2 3")
    if frame.y.holds(zero_nm):
        frame.beside(frame.y.one(zero_nm), f"zero {number(zero_nm, 3)}", SOFT)
    if not turned_s:
        return
    x = frame.x.one(turned_s[0]) + ARROW_SHARE * (frame.x.high_px - frame.x.low_px)
    frame.paper.segment((x, ends[0]), (x, ends[1]), INK, 1.2)
    for y, rise in ((ends[0], 5), (ends[1], -5)):
        frame.paper.strokes([(x, y, x - 3, y + rise), (x, y, x + 3, y + rise)], INK, 1.2)
    words = f"step {quantity(2 * friction_nm, 'N·m')} = 2 × friction {quantity(friction_nm, 'N·m')}"
    frame.paper.text(x + 6, (ends[0] + ends[1]) / 2 + 4, words, ink=INK, bold=True)


def _description(
    time_s: Float64s, low: Float64s, high: Float64s, friction_nm: float | None, turned_s: tuple[float, ...]
) -> str:
    parts = [
        f"Torque over {quantity(float(time_s[-1] - time_s[0]), 's')}, from {quantity(float(low.min()), 'N·m')} to {quantity(float(high.max()), 'N·m')}."
    ]
    if turned_s:
        parts.append(f"The shaft turns back at {', '.join(number(each, 4) for each in turned_s)} s.")
    if friction_nm is not None:
        parts.append(f"Half of the step is the friction, {quantity(friction_nm, 'N·m')}.")
    return " ".join(parts)
