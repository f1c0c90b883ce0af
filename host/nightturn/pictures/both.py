"""Two turns in one picture, on one scale: what differs is seen, where it may be compared angle by angle."""

import numpy as np

from nightturn.model.quantities import number, quantity
from nightturn.pictures.frame import Frame, framed
from nightturn.pictures.paper import BACK, FORWARD, INK
from nightturn.pictures.picture import Picture
from nightturn.pictures.scale import Scale, around
from nightturn.pictures.turn import Turned, angles_deg, smoothed

DASH = "5 3"


def draw_both(
    one: Turned,
    other: Turned,
    names: tuple[str, str],
    *,
    cogging_order: int,
    foot: str,
    width_px: float = 920,
) -> Picture:
    """Both turns, the first in full lines, the second dashed, without the orders of the teeth.

    Args:
        one: torque over the turn of the first.
        other: of the second.
        names: of both, as they are called in the picture.
        cogging_order: teeth a turn; orders from half of it on are left out.
        foot: what the angles count from.
        width_px: of the picture.
    """
    orders = max(cogging_order // 2, 2)
    shown = [
        smoothed(each, orders) for each in (one.forward_nm, one.back_nm, other.forward_nm, other.back_nm)
    ]
    scale = around([value for each in shown for value in each.tolist()], 0, 0, least=1e-6)
    frame = framed("both", width_px, 280, Scale(0, 360, 0, 0), scale, "torque, N·m", right_px=84)
    frame.angle_axis(foot)
    for torque, ink, dash in zip(shown, (FORWARD, BACK, FORWARD, BACK), ("", "", DASH, DASH), strict=True):
        frame.paper.line(frame.x.at(angles_deg(len(torque))), frame.y.at(torque), ink, 1.6, dash)
    _ends(frame, shown[0], shown[1])
    for place, (name, dash) in enumerate(zip(names, ("", DASH), strict=True)):
        left = frame.x.low_px + 8 + 260 * place
        frame.paper.segment((left, 10), (left + 24, 10), INK, 1.6, dash)
        frame.paper.text(left + 30, 14, name, ink=INK)
    description = _description(one, other, names)
    return Picture(
        "both",
        "Both turns",
        f"Full lines {names[0]}, dashed {names[1]}; teeth are left out. The gap between the two senses is twice the friction.",
        description,
        frame.paper.svg("Both turns", description),
        ("angle, °", *(f"half the gap, {name}, N·m" for name in names)),
        _rows(one, other, orders),
    )


def _ends(frame: Frame, forward: np.ndarray, back: np.ndarray) -> None:
    for torque, ink, words in ((forward, FORWARD, "forward →"), (back, BACK, "← back")):
        good = torque[np.isfinite(torque)]
        if len(good):
            frame.beside(frame.y.one(float(good[-1])), words, ink)


def _description(one: Turned, other: Turned, names: tuple[str, str]) -> str:
    parts = []
    for turned, name in zip((one, other), names, strict=True):
        friction = turned.friction_nm[np.isfinite(turned.friction_nm)]
        said = f"half the gap {quantity(float(friction.mean()), 'N·m')}" if len(friction) else "not measured"
        parts.append(f"{name}: {said}")
    return f"Torque over one turn, forward and back. {'; '.join(parts)}."


def _rows(one: Turned, other: Turned, orders: int) -> tuple[tuple[str, ...], ...]:
    halves = [smoothed(each.friction_nm, orders) for each in (one, other)]
    if len(halves[0]) != len(halves[1]):
        return ()
    angle = angles_deg(len(halves[0]))
    step = max(len(angle) // 36, 1)
    return tuple(
        (
            number(float(angle[at]), 4),
            *(number(float(half[at]), 4) if np.isfinite(half[at]) else "not measured" for half in halves),
        )
        for at in range(0, len(angle), step)
    )
