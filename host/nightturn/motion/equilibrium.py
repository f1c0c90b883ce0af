"""Whether a temperature has come to equilibrium: its slope over the last minutes, from readings in the order of the tape.

Plain sums of whole numbers and scalar arithmetic, so that every machine and every replay says the same.
"""

import itertools
import math

import msgspec

READINGS = 60
"""Of a window that are kept: so many, evenly apart in time, are enough for a slope."""
READINGS_MIN = READINGS // 2
"""With fewer in a window, or a window that is not full, nothing is said."""
FULL = 0.95
"""Of the window: its first reading lies so early, or the window is not full."""
COVERAGE = 2.0
"""Of the standard uncertainty, for 95 % with 28 degrees of freedom or more (from memory: 2.05 to 2.00)."""
S_PER_H = 3600.0
STEP_MK_MIN = 1
"""Readings come as whole thousandths of a degree."""


class Slope(msgspec.Struct, frozen=True):
    """How fast a temperature changes, K/h, with the half-width of its 95 % interval.

    By the scatter about the line, and by the most that rounding to the sensor's step can turn the line.
    """

    k_per_h: float
    half_k_per_h: float

    def within(self, k_per_h: float) -> bool:
        """Whether it changes by less than so much, its interval included."""
        return abs(self.k_per_h) + self.half_k_per_h < k_per_h


class Readings(msgspec.Struct):
    """The readings of one temperature over the last minutes: device tick and thousandths of a degree, oldest first."""

    kept: list[tuple[int, int]] = []

    def forget(self) -> None:
        """What was read before says nothing of what follows."""
        self.kept = []

    def take(self, tick: int, milli_degc: int, window_ticks: int) -> None:
        """A reading, unless one was kept a moment ago; those older than the window go."""
        if self.kept and (tick - self.kept[-1][0]) * READINGS < window_ticks:
            return
        self.kept.append((tick, milli_degc))
        while tick - self.kept[0][0] > window_ticks:
            self.kept.pop(0)

    def stuck(self, tick: int, window_ticks: int) -> bool:
        """Whether a full window holds one value only: a sensor that is stuck, or too coarse, looks like that."""
        kept = self._full(tick, window_ticks)
        return bool(kept) and len({milli for _, milli in kept}) == 1

    def slope(self, tick: int, window_ticks: int, tick_hz: int) -> Slope | None:
        """The line through the readings of the window that ends now; None while it is not full, or readings stay away or stick."""
        kept = self._full(tick, window_ticks)
        n = len(kept)
        if not kept or self.stuck(tick, window_ticks):
            return None
        first_tick, first_milli = kept[0]
        hours = [(at - first_tick) / tick_hz / S_PER_H for at, _ in kept]
        kelvin = [(milli - first_milli) / 1000.0 for _, milli in kept]
        middle_h, middle_k = sum(hours) / n, sum(kelvin) / n
        spread = sum((at - middle_h) ** 2 for at in hours)
        slope = (
            sum((at - middle_h) * (value - middle_k) for at, value in zip(hours, kelvin, strict=True))
            / spread
        )
        rest = sum(
            (value - middle_k - slope * (at - middle_h)) ** 2 for at, value in zip(hours, kelvin, strict=True)
        )
        # each reading off by half a step, towards the side that turns the line: steps of a coarse sensor come in
        # stretches, so that the scatter about the line does not show them
        rounded = sum(abs(at - middle_h) for at in hours) * _step_mk(kept) / 2000.0 / spread
        return Slope(slope, COVERAGE * math.sqrt(rest / (n - 2) / spread) + rounded)

    def _full(self, tick: int, window_ticks: int) -> list[tuple[int, int]]:
        """The readings of the window that ends now; none while it is not full, or readings stay away."""
        kept = [each for each in self.kept if tick - each[0] <= window_ticks]
        if len(kept) < READINGS_MIN or tick - kept[0][0] < FULL * window_ticks:
            return []
        if (tick - kept[-1][0]) * READINGS_MIN > window_ticks:  # it fell silent
            return []
        return kept


def _step_mk(kept: list[tuple[int, int]]) -> int:
    """The sensor's step, thousandths of a degree: the smallest between its values, where one of them comes twice.

    Where each value is another one the smallest step may be the temperature's own, and rounding shows as scatter.
    """
    values = sorted({milli for _, milli in kept})
    if len(values) == len(kept):
        return STEP_MK_MIN
    return max(STEP_MK_MIN, min(high - low for low, high in itertools.pairwise(values)))
