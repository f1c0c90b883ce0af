"""The shaft's angle of a capture, from whatever says something of it, and what has to be assumed for that."""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from nightturn.capture.asked import Asked
from nightturn.capture.gathering import Gathered
from nightturn.capture.legs import plateaus_of
from nightturn.errors import TableError
from nightturn.model.quantities import number, quantity

Float64s = npt.NDArray[np.float64]
FINE_COUNTS = 1 << 20
"""Grid of angles that no encoder counted."""
COUNTS_MIN = 16
SPEED_APART = 0.05
"""Turns between index pulses differ by more: the speed was not constant."""
SKIPPED_SHARE = 1e-3
"""Of the samples, that may be steps of A and B at once."""
ROUND_MIN = 0.9
"""Of its largest, how small the radius of sine and cosine may be."""
QUARTER = math.pi / 2


@dataclass(frozen=True, slots=True)
class Motion:
    """The angle (m,) in rad of the samples in `kept`, its grid, and what it assumes; no angle where nothing says one."""

    angle_rad: Float64s | None
    kept: slice
    counts_per_rev: int = FINE_COUNTS
    assumes: tuple[str, ...] = ()


EVERYTHING = slice(None)


def motion_of(found: Gathered, factor: float, asked: Asked, *, where: str) -> Motion:
    """The angle by counts, degrees, A and B, sine and cosine, marks or a constant speed.

    Args:
        found: the capture.
        factor: rad per unit of the angle's column.
        asked: what a person said.
        where: the file, for messages.

    Raises:
        TableError: what should be an angle cannot be one; says why and the remedy.
    """
    if "angle" in found.channels:
        return _of_column(found, factor, asked, where)
    if "cosine" in found.channels:
        return _of_resolver(found, asked, where)
    if "index" in asked.columns or "sine" in asked.columns:
        return _of_marks(found, asked, where)
    if asked.rpm is not None:
        return _of_speed(found, asked.rpm)
    return Motion(None, EVERYTHING)


def _of_column(found: Gathered, factor: float, asked: Asked, where: str) -> Motion:
    if found.skipped > SKIPPED_SHARE * len(found.time_s):
        raise TableError(
            f"{where}: A and B change at once {found.skipped} times, so that the direction is not known; sample at four times the rate of "
            "the edges or more, or turn slower"
        )
    said = (f"{found.skipped} steps of A and B at once are left out.",) if found.skipped else ()
    counts = asked.counts if asked.counts is not None and found.average == 1 else FINE_COUNTS
    return Motion(found.channels["angle"] * factor, EVERYTHING, max(counts, COUNTS_MIN), said)


def _of_resolver(found: Gathered, asked: Asked, where: str) -> Motion:
    """By sine and cosine, each about its middle and as large as it gets."""
    sine, cosine = (_centred(found.channels[name]) for name in ("sine", "cosine"))
    angle = np.unwrap(np.arctan2(sine, cosine))
    if float(np.ptp(angle)) < math.tau:
        raise TableError(
            f"{where}: sine and cosine go through {number(float(np.ptp(angle)) / math.tau, 2)} of a period, so that their middles are not known; "
            "record a whole period or more"
        )
    radius = np.hypot(sine, cosine)
    if float(np.percentile(radius, 1)) < ROUND_MIN * float(np.percentile(radius, 99)):
        raise TableError(
            f"{where}: sine and cosine do not make a circle; give the two columns of one resolver as --sine and --cosine"
        )
    said = "Sine and cosine are taken as a quarter of a period apart, each with its middle half-way between its extremes."
    return Motion(angle / asked.periods, EVERYTHING, assumes=(said,))


def _centred(values: Float64s) -> Float64s:
    low, high = float(values.min()), float(values.max())
    if high <= low:
        return np.zeros(len(values))
    return np.asarray((2 * values - low - high) / (high - low), np.float64)


def _of_marks(found: Gathered, asked: Asked, where: str) -> Motion:
    """By the times of index pulses or of a sine's rising zeros; what lies before the first and behind the last is left out."""
    what = "index pulses" if "index" in asked.columns else "rising zeros of the sine"
    marks = found.marks_s
    if len(marks) < 2:
        raise TableError(
            f"{where}: {len(marks)} {what}; two are needed to say how fast the shaft turned: record more turns, or give --rpm"
        )
    first, last = (int(each) for each in np.searchsorted(found.time_s, [marks[0], marks[-1]]))
    kept = slice(first, last)
    turns = np.interp(found.time_s[kept], marks, np.arange(len(marks)) / asked.periods)
    gaps = np.diff(marks)
    spread = float(np.ptp(gaps)) / float(np.median(gaps))
    said = [
        f"Angle-locked figures assume a constant speed between {what}, and a shaft that turns one way throughout."
    ]
    if spread > SPEED_APART:
        said.append(
            f"The times between {what} differ by {number(100 * spread, 2)} %: where the speed changed or the shaft turned back, angles are wrong."
        )
    return Motion(turns * math.tau, kept, assumes=tuple(said))


def _of_speed(found: Gathered, rpm: float) -> Motion:
    """At a constant speed that turns back at each step between two levels of torque."""
    time = found.time_s
    levels = plateaus_of(found.torque)
    sense = np.zeros(len(time)) if levels else np.ones(len(time))
    for leg in levels:
        sense[leg.first : leg.stop] = leg.way
    turned_s = [float(time[before.stop] + time[after.first]) / 2 for before, after in pairwise(levels)]
    angle = np.concatenate(([0.0], np.cumsum(sense[1:] * np.diff(time)))) * (math.tau * rpm / 60.0)
    text = f"Angle-locked figures assume constant {quantity(rpm, 'rpm')}"
    if turned_s:
        places = ", ".join(f"{number(each, 4)} s" for each in turned_s)
        text += f" wherever the torque is at one of its two levels, turning back where it steps (at {places})"
    return Motion(np.asarray(angle, np.float64), EVERYTHING, assumes=(f"{text}.",))
