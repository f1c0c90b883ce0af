"""Raw torque and angle around one moment."""

from datetime import tzinfo

import numpy as np

from nightturn.model.quantities import number, quantity
from nightturn.model.tiles import Float64s, Int64s
from nightturn.pictures.frame import NARROW_PX
from nightturn.pictures.night import moment_text
from nightturn.pictures.paper import GROWN, HAIR, INK, SOFT, Paper
from nightturn.pictures.picture import Picture, thinned
from nightturn.pictures.scale import Scale, around, tick_text, ticks, time_ticks

LEFT_PX, RIGHT_PX, TOP_PX, FOOT_PX, ROW_PX, GAP_PX = 58.0, 92.0, 18.0, 28.0, 96.0, 14.0


def draw_moment(
    ts: Int64s,
    torque_nm: Float64s,
    angle_deg: Float64s,
    at: tuple[int, str],
    over: tuple[int, int],
    zone: tzinfo,
    *,
    name: str,
    width_px: float = 920,
) -> Picture:
    """Torque and angle (n,) over some seconds; where samples are missing there is no line.

    Args:
        ts: ns since 1970 UTC.
        torque_nm: N·m, not a number between two parts that a gap separates.
        angle_deg: the same in degrees.
        at: the moment, and its words.
        over: first and last moment of the axis.
        zone: whose clocks the axis shows.
        name: unique within a page.
        width_px: of the picture.
    """
    height = TOP_PX + 2 * ROW_PX + GAP_PX + FOOT_PX
    paper = Paper(name, width_px, height)
    x = Scale(float(over[0]), float(over[1]), LEFT_PX, width_px - RIGHT_PX)
    foot = height - FOOT_PX
    _clock_axis(paper, x, over, zone, foot)
    _rows(paper, x, ts, torque_nm, angle_deg)
    place = x.one(float(at[0]))
    paper.segment((place, TOP_PX - 4), (place, foot), GROWN, 1.2, "4 3")
    title = f"{moment_text(at[0], zone)}: {at[1]}"
    description = _description(torque_nm, angle_deg, at, zone)
    kept = thinned(len(ts), 40)
    return Picture(
        name,
        title,
        "Dashed: the moment. Where samples are missing there is no line.",
        description,
        paper.svg(title, description),
        ("s from the moment", "torque, N·m", "angle, °"),
        tuple(
            (
                number(round((int(ts[each]) - at[0]) / 1e9, 3)),
                _value(torque_nm[each]),
                _value(angle_deg[each]),
            )
            for each in kept
        ),
    )


def _clock_axis(paper: Paper, x: Scale, over: tuple[int, int], zone: tzinfo, foot: float) -> None:
    for ns, words in time_ticks(over[0], over[1], zone, 8 if paper.width_px > NARROW_PX else 3):
        place = x.one(float(ns))
        paper.segment((place, TOP_PX), (place, foot), HAIR, 0.8)
        paper.text(place, foot + 14, words, anchor="middle", size_px=10)


def _rows(paper: Paper, x: Scale, ts: Int64s, torque_nm: Float64s, angle_deg: Float64s) -> None:
    """Torque above, angle below."""
    for row, (values, words) in enumerate(((torque_nm, "torque, N·m"), (angle_deg, "angle, °"))):
        top = TOP_PX + row * (ROW_PX + GAP_PX)
        y = around(values.tolist(), top + ROW_PX, top, least=1e-3)
        found = ticks(y, 3)
        for each in found:
            paper.segment((x.low_px, y.one(each)), (x.high_px, y.one(each)), HAIR, 0.6)
            paper.text(x.low_px - 6, y.one(each) + 4, tick_text(each, found), anchor="end", size_px=10)
        paper.line(x.at(ts.astype(np.float64)), y.at(values), INK, 1.0)
        paper.text(x.high_px + 8, top + 12, words, ink=INK, size_px=10, bold=True)
        if not np.isfinite(values).any():
            paper.text((x.low_px + x.high_px) / 2, top + ROW_PX / 2, "no samples", anchor="middle", ink=SOFT)


def _value(value: float) -> str:
    return number(float(value), 5) if np.isfinite(value) else "no sample"


def _description(torque_nm: Float64s, angle_deg: Float64s, at: tuple[int, str], zone: tzinfo) -> str:
    if not np.isfinite(torque_nm).any():
        return f"Around {moment_text(at[0], zone)} no sample was recorded."
    low, high = (
        quantity(float(each), "N·m", digits=3) for each in (np.nanmin(torque_nm), np.nanmax(torque_nm))
    )
    travel = float(np.nanmax(angle_deg) - np.nanmin(angle_deg))
    return f"Torque from {low} to {high} and {number(travel, 3)}° of travel around {moment_text(at[0], zone)}, {at[1]}."
