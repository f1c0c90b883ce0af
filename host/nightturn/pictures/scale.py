"""From values to places on paper, and the round values that are written beside an axis."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from itertools import pairwise

import numpy as np

from nightturn.model.clocks import NS_PER_S
from nightturn.model.quantities import number
from nightturn.model.tiles import Float64s

STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
MARGIN = 0.06
"""Of the span of the values, left free on either side."""
MINUTE_S, HOUR_S, DAY_S = 60, 3600, 86_400
TIME_STEPS_S = (
    *(1, 2, 5, 10, 15, 30),
    *(MINUTE_S * each for each in (1, 2, 5, 10, 15, 30)),
    *(HOUR_S * each for each in (1, 2, 3, 6, 12)),
    *(DAY_S * each for each in (1, 2, 7, 14, 28)),
)


@dataclass(frozen=True, slots=True)
class Scale:
    """A straight scale, or one in powers of ten: value `low` lies at `low_px`, `high` at `high_px`."""

    low: float
    high: float
    low_px: float
    high_px: float
    log: bool = False

    def at(self, values: Float64s) -> Float64s:
        """Places (n,) of values (n,); on a scale in powers of ten nothing below its lower end."""
        low, high = self.low, self.high
        if self.log:
            with np.errstate(divide="ignore", invalid="ignore"):
                values = np.log10(np.maximum(values, self.low))
            low, high = math.log10(low), math.log10(high)
        return self.low_px + (values - low) * ((self.high_px - self.low_px) / (high - low))

    def one(self, value: float) -> float:
        """The place of one value."""
        return float(self.at(np.array([value]))[0])

    def holds(self, value: float) -> bool:
        """Whether a value lies on the scale."""
        return self.low <= value <= self.high


def around(values: Sequence[float], low_px: float, high_px: float, *, least: float = 0.0) -> Scale:
    """A straight scale that holds all finite values with a margin.

    Args:
        values: what it must hold.
        low_px: where it begins.
        high_px: where it ends.
        least: span that it has at least, so that noise does not fill a picture.
    """
    finite = [each for each in values if math.isfinite(each)] or [0.0, 1.0]
    low, high = min(finite), max(finite)
    missing = max(least, abs(high) * 1e-6, 1e-12) - (high - low)
    if missing > 0:
        low, high = low - missing / 2, high + missing / 2
    margin = (high - low) * MARGIN
    return Scale(low - margin, high + margin, low_px, high_px)


def ticks(scale: Scale, most: int) -> list[float]:
    """Round values on a straight scale, at most so many; powers of ten on the other."""
    if scale.log:
        first, last = math.ceil(math.log10(scale.low) - 1e-9), math.floor(math.log10(scale.high) + 1e-9)
        return [10.0**each for each in range(first, last + 1)]
    span = scale.high - scale.low
    power = 10.0 ** math.floor(math.log10(span / most))
    step = next(each * power for each in STEPS if span / (each * power) <= most)
    first = math.ceil(scale.low / step - 1e-9)
    last = math.floor(scale.high / step + 1e-9)
    return [each * step for each in range(first, last + 1)]


def tick_text(value: float, of: Sequence[float]) -> str:
    """A tick's value with as many decimals as its neighbours need."""
    step = min((abs(b - a) for a, b in pairwise(of)), default=abs(value) or 1.0)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9)) if step else 0
    if step and round(step, decimals) != round(step, decimals + 1):
        decimals += 1
    return number(round(value, decimals) + 0.0, 9)


def time_ticks(from_ns: int, to_ns: int, zone: tzinfo, most: int) -> list[tuple[int, str]]:
    """Round moments of a zone's clocks between two moments: (ns since 1970 UTC, words); midnight is written as its date.

    A change of the clocks in between moves the round hours, as the clocks on the wall do.
    """
    span_s = max((to_ns - from_ns) / NS_PER_S, 1.0)
    step_s = next((each for each in TIME_STEPS_S if span_s / each <= most), TIME_STEPS_S[-1])
    first = datetime.fromtimestamp(from_ns // NS_PER_S, zone)
    hour = first.hour if step_s <= HOUR_S else 0
    wall = first.replace(hour=hour, minute=0, second=0, microsecond=0, fold=0, tzinfo=None)
    found: list[tuple[int, str]] = []
    while True:
        at = wall.replace(tzinfo=zone)
        ns = round(at.timestamp()) * NS_PER_S
        if ns > to_ns:
            return found
        # An hour that the clocks leave out names a moment that another name has already.
        if ns >= from_ns and (not found or ns > found[-1][0]):
            found.append((ns, _clock(wall, step_s)))
        wall += timedelta(seconds=step_s)


def _clock(wall: datetime, step_s: int) -> str:
    if wall.hour == wall.minute == wall.second == 0:
        return f"{wall.day} {MONTHS[wall.month - 1]}"
    return wall.strftime("%H:%M:%S" if step_s < MINUTE_S else "%H:%M")


MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
"""In English whatever the machine's language is, so that the same night gives the same bytes."""
