"""One turn in both senses: the gap between the two lines is twice the friction."""

from dataclasses import dataclass

import numpy as np

from nightturn.model.quantities import number, quantity
from nightturn.model.tiles import Float64s
from nightturn.pictures.accepted import Accepted
from nightturn.pictures.frame import NARROW_PX, Frame, framed
from nightturn.pictures.paper import BACK, FORWARD, GROWN, INK, SOFT, words_px
from nightturn.pictures.picture import Picture, thinned
from nightturn.pictures.scale import Scale, around

SLOTS = 400
"""Of 0.9°, in each of which the pale band shows the smallest and the largest value."""
LENS_DEG = 24.0
SURE = 6.0
"""Robust standard deviations by which an excess must lie above the scatter, else the widest place of a healthy unit would be named by chance."""
SIGMA_OF_MAD = 1.4826
ALIKE = 0.1
"""Part of the largest excess within which other places are as wide."""
APART_DEG = 6.0
"""Between two places, at least."""
ARROW_DEG = (120.0, 300.0)
"""Where the arrow over the gap may stand, clear of the words at both ends."""


@dataclass(frozen=True, slots=True)
class Turned:
    """Torque over one turn, evenly from angle zero on, N·m (points,); not a number where nothing was measured."""

    forward_nm: Float64s
    back_nm: Float64s

    @property
    def friction_nm(self) -> Float64s:
        """Half the gap (points,), by angle."""
        return np.abs(self.back_nm - self.forward_nm) / 2


@dataclass(frozen=True, slots=True)
class Worst:
    """Where friction grew most: angle, half the gap there, how much of it is new, and how many other places are as wide."""

    angle_deg: float
    friction_nm: float
    grown_nm: float
    others: int


def angles_deg(points: int) -> Float64s:
    """The middle of each of so many parts of a turn."""
    return np.asarray((np.arange(points) + 0.5) * (360.0 / points), np.float64)


def smoothed(torque_nm: Float64s, orders: int) -> Float64s:
    """A turn (points,) without its orders from `orders` on; with a hole as it is, because a hole has every order."""
    if not np.isfinite(torque_nm).all():
        return torque_nm
    spectrum = np.fft.rfft(torque_nm)
    spectrum[max(orders, 1) :] = 0.0
    return np.asarray(np.fft.irfft(spectrum, len(torque_nm)), np.float64)


def worst_angle(now: Turned, first: Turned, orders: int) -> Worst | None:
    """The place at which friction grew most since the first hour; None where no place lies above the scatter of the rest."""
    grown = smoothed(now.friction_nm, orders) - smoothed(first.friction_nm, orders)
    if not np.isfinite(grown).any():
        return None
    over = grown - np.nanmedian(grown)
    sigma = SIGMA_OF_MAD * float(np.nanmedian(np.abs(over)))
    # A step of the float32 in which curves are stored is no scatter.
    least = max(SURE * sigma, 1e-3 * float(np.nanmedian(now.friction_nm)))
    peak = int(np.nanargmax(over))
    if over[peak] <= least:
        return None
    angle = angles_deg(len(over))
    left = over.copy()
    places = 0
    while (
        np.isfinite(left).any()
        and (at := int(np.nanargmax(left))) >= 0
        and left[at] >= (1 - ALIKE) * over[peak]
    ):
        places += 1
        apart = np.abs((angle - angle[at] + 180) % 360 - 180)
        left[apart < APART_DEG] = np.nan
    return Worst(
        float(angle[peak]), float(smoothed(now.friction_nm, orders)[peak]), float(grown[peak]), places - 1
    )


TITLE = "One turn"


def draw_turn(
    now: Turned,
    first: Turned | None,
    *,
    friction_nm: float | None,
    zero_nm: float | None,
    cogging_order: int,
    width_px: float = 920,
    when: str = "the last cycle",
    accepted: Accepted | None = None,
    foot: str = "angle from the index mark",
) -> Picture:
    """The turn of a cycle beside that of the first hour.

    Args:
        now: torque over the turn.
        first: the same of the first hour; None where the cycle is of it.
        friction_nm: the cycle's friction, that of its figure; None where it has none.
        zero_nm: the same of its zero.
        cogging_order: teeth a turn; the thick line leaves out orders from half of it on.
        width_px: of the picture.
        when: which cycle it is, in words.
        accepted: half the gap of accepted units, N·m (points,), drawn about the middle between both senses.
        foot: what the angle counts from.
    """
    orders = max(cogging_order // 2, 2)
    worst = worst_angle(now, first, orders) if first is not None else None
    frame = framed("turn", width_px, 300, Scale(0, 360, 0, 0), _scale(now, first), "torque, N·m", right_px=84)
    frame.angle_axis(foot)
    band = _accepted(frame, now, accepted, orders) if accepted is not None else ""
    _lines(frame, now, orders)
    if first is not None:
        _first_hour(frame, first, orders)
    _zero(frame, zero_nm)
    if friction_nm is not None:
        _gap(frame, now, orders, friction_nm)
    if worst is not None:
        _worst(frame, worst)
    description = _description(now, worst, friction_nm, when)
    return Picture(
        "turn",
        TITLE,
        "The gap between the two senses is twice the friction. Thick lines leave out the teeth, the pale bands show them"
        + ("; dashed is the first hour." if first is not None else ".")
        + band,
        description,
        frame.paper.svg(TITLE, description),
        ("angle, °", "forward, N·m", "back, N·m", "half the gap, N·m"),
        _rows(now, orders),
    )


def draw_lens(now: Turned, first: Turned | None, at_deg: float, *, width_px: float = 920) -> Picture:
    """The same magnified about one angle, point by point, so that single teeth can be read."""
    low, high = at_deg - LENS_DEG / 2, at_deg + LENS_DEG / 2
    angle = angles_deg(len(now.forward_nm))
    turned = (angle - low) % 360 + low
    order = np.argsort(turned)
    inside = order[turned[order] <= high]
    scale = around(
        [each for part in (now.forward_nm[inside], now.back_nm[inside]) for each in part.tolist()], 0, 0
    )
    frame = framed("lens", width_px, 190, Scale(low, high, 0, 0), scale, "torque, N·m", right_px=84)
    frame.angle_axis("angle, magnified", step_deg=5.0)
    across = frame.x.at(turned[inside])
    if first is not None:
        for torque, ink in ((first.forward_nm, FORWARD), (first.back_nm, BACK)):
            frame.paper.line(across, frame.y.at(torque[inside]), ink, 0.8, "3 3", 0.7)
    for torque, ink, words in ((now.forward_nm, FORWARD, "forward →"), (now.back_nm, BACK, "← back")):
        along = frame.y.at(torque[inside])
        frame.paper.line(across, along, ink, 1.6)
        if np.isfinite(along).any():
            frame.beside(float(along[np.isfinite(along)][-1]), words, ink)
    title = f"The turn near {number(round(at_deg) % 360)}°, magnified"
    description = f"Torque from {number(round(low) % 360)}° to {number(round(high) % 360)}°, forward and back, point by point."
    kept = [int(inside[each]) for each in thinned(len(inside))]
    rows = tuple((number(float(angle[at]), 5), _nm(now.forward_nm[at]), _nm(now.back_nm[at])) for at in kept)
    return Picture(
        "lens",
        title,
        "Every point of the mean turn; dashed is the first hour."
        if first is not None
        else "Every point of the mean turn.",
        description,
        frame.paper.svg(title, description),
        ("angle, °", "forward, N·m", "back, N·m"),
        rows,
    )


def _scale(now: Turned, first: Turned | None) -> Scale:
    shown = [now.forward_nm, now.back_nm, *([first.forward_nm, first.back_nm] if first is not None else [])]
    return around([each for part in shown for each in part.tolist()], 0, 0, least=1e-6)


def _lines(frame: Frame, now: Turned, orders: int) -> None:
    x = frame.x.at(angles_deg(len(now.forward_nm)))
    for torque, ink, words in ((now.forward_nm, FORWARD, "forward →"), (now.back_nm, BACK, "← back")):
        low, high, middle = _extremes(torque)
        frame.paper.band(frame.x.at(middle), frame.y.at(low), frame.y.at(high), ink, 0.18)
        along = frame.y.at(smoothed(torque, orders))
        frame.paper.line(x, along, ink, 1.8)
        if np.isfinite(along).any():
            frame.beside(float(along[np.isfinite(along)][-1]), words, ink)


def _accepted(frame: Frame, now: Turned, accepted: Accepted, orders: int) -> str:
    """Where accepted units would have this turn's gap, about its own middle; what the caption says of it."""
    if not _whole(now):
        return ""
    middle = smoothed((now.forward_nm + now.back_nm) / 2, orders)
    across = frame.x.at(angles_deg(len(middle)))
    for sign in (-1, 1):
        edges = [
            np.clip(middle + sign * each, frame.y.low, frame.y.high)
            for each in (accepted.low_nm, accepted.high_nm)
        ]
        bottom, top = (frame.y.at(each) for each in edges)
        frame.paper.band(across, bottom, top, SOFT, 0.16)
    low, high = (
        quantity(float(each), "N·m", digits=3) for each in (accepted.low_nm.min(), accepted.high_nm.max())
    )
    return f" Grey: {accepted.words}; half the gap {low} to {high}. {_outside(now, accepted, orders)}"


def _outside(now: Turned, accepted: Accepted, orders: int) -> str:
    """How much of the turn lies outside what accepted units have, and where it is farthest out."""
    half = smoothed(now.friction_nm, orders)
    off = np.maximum(accepted.low_nm - half, half - accepted.high_nm)
    out = off > 0
    if not out.any():
        return "This turn lies within it."
    share = max(round(100 * float(out.mean())), 1)
    at = int(np.nanargmax(off))
    side = "above" if half[at] > accepted.high_nm[at] else "below"
    far = quantity(float(off[at]), "N·m", digits=3)
    return f"{share} % of this turn lies outside it, farthest at {round(float(angles_deg(len(half))[at]))}°, {far} {side}."


def _whole(now: Turned) -> bool:
    return bool(np.isfinite(now.forward_nm + now.back_nm).all())


def _extremes(torque_nm: Float64s) -> tuple[Float64s, Float64s, Float64s]:
    """Smallest and largest value of each slot of the turn, and its middle in degrees."""
    slots = min(SLOTS, len(torque_nm))
    edges = np.arange(slots) * len(torque_nm) // slots
    low = np.fmin.reduceat(torque_nm, edges)
    high = np.fmax.reduceat(torque_nm, edges)
    return low, high, angles_deg(slots)


def _first_hour(frame: Frame, first: Turned, orders: int) -> None:
    x = frame.x.at(angles_deg(len(first.forward_nm)))
    for torque, ink in ((first.forward_nm, FORWARD), (first.back_nm, BACK)):
        frame.paper.line(x, frame.y.at(smoothed(torque, orders)), ink, 0.9, "4 3", 0.75)


def _zero(frame: Frame, zero_nm: float | None) -> None:
    if zero_nm is None or not frame.y.holds(zero_nm):
        return
    y = frame.y.one(zero_nm)
    frame.paper.segment((frame.x.low_px, y), (frame.x.high_px, y), SOFT, 0.9, "1 3")
    frame.beside(y, f"zero {number(zero_nm, 3)}", SOFT)


def _gap(frame: Frame, now: Turned, orders: int, friction_nm: float) -> None:
    """A double arrow where half the gap is nearest to the friction of the whole turn."""
    angle = angles_deg(len(now.forward_nm))
    off = np.abs(smoothed(now.friction_nm, orders) - friction_nm)
    off[(angle < ARROW_DEG[0]) | (angle > ARROW_DEG[1]) | ~np.isfinite(off)] = np.inf
    at = int(np.argmin(off))
    if not np.isfinite(off[at]):
        return
    x = frame.x.one(float(angle[at]))
    ends = sorted(
        (
            frame.y.one(float(smoothed(now.forward_nm, orders)[at])),
            frame.y.one(float(smoothed(now.back_nm, orders)[at])),
        )
    )
    top, foot = ends[0] + 2, ends[1] - 2
    frame.paper.segment((x, top), (x, foot), INK, 1.2)
    for y, rise in ((top, 5), (foot, -5)):
        frame.paper.strokes([(x, y, x - 3, y + rise), (x, y, x + 3, y + rise)], INK, 1.2)
    gap, friction = quantity(2 * friction_nm, "N·m"), quantity(friction_nm, "N·m")
    lines = [f"gap {gap} = 2 × friction {friction}"]
    if frame.paper.width_px < NARROW_PX:
        lines = [f"gap {gap}", f"2 × friction {friction}"]
    late = x + 6 + max(words_px(words, bold=True) for words in lines) > frame.x.high_px
    side, anchor = (x - 6, "end") if late else (x + 6, "start")
    for place, words in enumerate(lines):
        along = (top + foot) / 2 + 4 + 14 * (place - (len(lines) - 1) / 2)
        frame.paper.text(side, along, words, anchor=anchor, ink=INK, bold=True)


def _worst(frame: Frame, worst: Worst) -> None:
    x = frame.x.one(worst.angle_deg)
    frame.paper.segment((x, frame.y.high_px), (x, frame.y.low_px), GROWN, 1.0, "4 3")
    narrow = frame.paper.width_px < NARROW_PX
    words = _worst_words(worst).partition(",")[0] if narrow else _worst_words(worst)
    left = max(min(x, frame.paper.width_px - words_px(words)), 0.0)
    frame.paper.text(left, frame.y.high_px - 5, words, ink=GROWN)


def _worst_words(worst: Worst) -> str:
    others = (
        f" and {worst.others} places like it"
        if worst.others > 1
        else " and 1 place like it"
        if worst.others
        else ""
    )
    grown = quantity(2 * worst.grown_nm, "N·m", digits=3)
    return f"worst at {round(worst.angle_deg)}°: gap {quantity(2 * worst.friction_nm, 'N·m', digits=3)}, +{grown} since the first hour{others}"


def _description(now: Turned, worst: Worst | None, friction_nm: float | None, when: str) -> str:
    parts = [f"Torque over one turn, forward and back, of {when}."]
    if np.isfinite(now.forward_nm).any() and np.isfinite(now.back_nm).any():
        forward, back = float(np.nanmean(now.forward_nm)), float(np.nanmean(now.back_nm))
        parts.append(f"Mean torque forward {quantity(forward, 'N·m')}, back {quantity(back, 'N·m')}.")
    if friction_nm is not None:
        parts.append(f"Half the gap is the friction, {quantity(friction_nm, 'N·m')}.")
    if worst is not None:
        parts.append(f"W{_worst_words(worst)[1:]}.")
    return " ".join(parts)


def _rows(now: Turned, orders: int) -> tuple[tuple[str, ...], ...]:
    forward, back = smoothed(now.forward_nm, orders), smoothed(now.back_nm, orders)
    half = smoothed(now.friction_nm, orders)
    step = len(forward) // 36
    angle = angles_deg(len(forward))
    return tuple(
        (number(float(angle[at]), 4), _nm(forward[at]), _nm(back[at]), _nm(half[at]))
        for at in range(0, len(forward), max(step, 1))
    )


def _nm(value: float) -> str:
    return number(float(value), 4) if np.isfinite(value) else "not measured"
