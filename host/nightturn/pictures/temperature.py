"""A figure against temperature, with time: friction runs down along a curve as it warms up, and wear leaves it upwards."""

from datetime import datetime, tzinfo

import numpy as np

from nightturn.model.clocks import NS_PER_S
from nightturn.model.quantities import number, quantity
from nightturn.model.tiles import Float64s, Int64s
from nightturn.pictures.frame import Frame, framed
from nightturn.pictures.night import moment_text
from nightturn.pictures.paper import HAIR, INK
from nightturn.pictures.picture import Picture, thinned
from nightturn.pictures.scale import around

MOMENTS = 5
"""How often the time is written beside a point."""
PALEST = 0.25


def draw_against_temperature(
    value: Float64s,
    degc: Float64s,
    ts: Int64s,
    zone: tzinfo,
    *,
    title: str,
    unit: str,
    of: str,
    name: str = "temperature",
    width_px: float = 520,
) -> Picture:
    """A figure against a temperature, a point a cycle (n,), darker with time.

    Args:
        value: in `unit`, not a number where it was not judged.
        degc: °C.
        ts: ns since 1970 UTC.
        zone: whose clocks are shown.
        title: of the figure.
        unit: of the figure.
        of: whose temperature it is.
        name: unique within a page.
        width_px: of the picture.
    """
    good = np.flatnonzero(np.isfinite(value) & np.isfinite(degc))
    frame = framed(
        name,
        width_px,
        300,
        around(degc[good].tolist(), 0, 0, least=0.5),
        around(value[good].tolist(), 0, 0, least=1e-9),
        f"{title}, {unit}",
        right_px=40,
    )
    frame.value_axis_foot(f"temperature, {of}, °C", 6)
    _points(frame, value[good], degc[good], ts[good], zone)
    heading = f"{title.capitalize()} against temperature"
    description = _description(value[good], degc[good], title, unit, of)
    return Picture(
        name,
        heading,
        "A point a cycle, darker with time. What follows the temperature runs along one curve; what does not leaves it.",
        description,
        frame.paper.svg(heading, description),
        ("cycle ended", f"temperature, {of}, °C", f"{title}, {unit}"),
        _rows(good, value, degc, ts, zone),
    )


def _points(frame: Frame, value: Float64s, degc: Float64s, ts: Int64s, zone: tzinfo) -> None:
    """The way of the night, with the time written beside some of its points."""
    x, y = frame.x.at(degc), frame.y.at(value)
    frame.paper.line(x, y, HAIR, 1.0)
    for place, (across, along) in enumerate(zip(x.tolist(), y.tolist(), strict=True)):
        strength = PALEST + (1 - PALEST) * place / max(len(ts) - 1, 1)
        frame.paper.area(across - 1.6, along - 1.6, 3.2, 3.2, INK, strength)
    for at in thinned(len(ts), MOMENTS):
        words = datetime.fromtimestamp(int(ts[at]) // NS_PER_S, zone).strftime("%H:%M")
        frame.paper.text(float(x[at]) + 6, float(y[at]) - 4, words, size_px=10)


def _description(value: Float64s, degc: Float64s, title: str, unit: str, of: str) -> str:
    if not len(value):
        return f"No cycle has both {title} and the temperature of the {of}."
    (first, last), (cold, warm) = (value[0], value[-1]), (degc[0], degc[-1])
    return (
        f"{title.capitalize()} went from {quantity(float(first), unit)} at {quantity(float(cold), '°C', digits=3)} "
        f"to {quantity(float(last), unit)} at {quantity(float(warm), '°C', digits=3)} ({of}), over {len(value)} cycles."
    )


def _rows(
    good: np.ndarray[tuple[int], np.dtype[np.intp]], value: Float64s, degc: Float64s, ts: Int64s, zone: tzinfo
) -> tuple[tuple[str, ...], ...]:
    kept = [int(good[each]) for each in thinned(len(good))]
    return tuple(
        (moment_text(int(ts[at]), zone), number(float(degc[at]), 4), number(float(value[at]), 5))
        for at in kept
    )
