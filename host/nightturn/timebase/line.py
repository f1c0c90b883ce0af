"""The line that maps device ticks to time: knots, one rule between them, and how it may bend.

A knot lies on the line that was planned before it; only what follows it is planned anew. So the time of a tick at or
before the newest knot is final, corrections show as slope and nothing ever steps.
"""

import math
from bisect import bisect_right
from collections.abc import Sequence

import msgspec

SLEW_PPM = 500
NS_PER_S = 1_000_000_000
MAX_KNOTS = 8192  # two hours at one a second; a cut comes at the latest every hour
MAX_PIECES = 4096  # knots laid into one silence
SEGMENT_PRODUCT_LIMIT = 2**62  # ticks times nanoseconds of one segment, so that int64 arithmetic is exact


def interpolate(knots: Sequence[tuple[int, int]], tick: int) -> int:
    """The time of a tick: `ts0 + (tick - tick0) * (ts1 - ts0) // (tick1 - tick0)`, floor division of integers.

    (tick0, ts0) and (tick1, ts1) are the knots around the tick with tick0 <= tick < tick1. Before the first knot the
    first segment goes on, from the last knot onwards the last one. A single knot gives its own time at its own tick.

    Args:
        knots: (tick, ns) with strictly rising ticks.
        tick: device clock.

    Raises:
        ValueError: no knot, or a single knot and another tick.
    """
    if len(knots) < 2:
        if knots and knots[0][0] == tick:
            return knots[0][1]
        raise ValueError(f"{len(knots)} knots do not make a line through tick {tick}")
    right = bisect_right(knots, tick, key=lambda knot: knot[0])
    right = min(max(right, 1), len(knots) - 1)
    tick0, ts0 = knots[right - 1]
    tick1, ts1 = knots[right]
    return ts0 + (tick - tick0) * (ts1 - ts0) // (tick1 - tick0)


class TimeLine(msgspec.Struct):
    """Knots up to now and the plan beyond: a corrected slope up to the break, then the estimated rate alone.

    Attributes:
        tick_hz: nominal device clock.
        floor_ns: no time before this one (the last of the epoch before).
        knots: (tick, ns); the first is the last of the previous cut.
        break_tick, break_ts: where the correction ends.
        rate_ns: nanoseconds per `tick_hz` ticks, from the filter.
    """

    tick_hz: int
    floor_ns: int
    knots: list[tuple[int, int]]
    break_tick: int = 0
    break_ts: int = 0
    rate_ns: int = NS_PER_S

    @property
    def started(self) -> bool:
        """Whether there is a first knot."""
        return bool(self.knots)

    @property
    def last(self) -> tuple[int, int]:
        """The newest knot, (tick, ns)."""
        return self.knots[-1]

    def begin(self, tick: int, target_ns: int, rate_ns: int) -> None:
        """Set the first knot: at the target, but not before the floor."""
        self.knots.append((tick, max(target_ns, self.floor_ns)))
        self.steer(target_ns, rate_ns)

    def steer(self, target_ns: int, rate_ns: int) -> None:
        """Plan from the newest knot on so that the line tends to the target, with at most 500 ppm of correction.

        The correction is spread over one and a half seconds while knots come every second: it cannot overshoot.

        Args:
            target_ns: where the newest knot should have been.
            rate_ns: nanoseconds per `tick_hz` ticks.
        """
        tick, ts = self.last
        span = max(self.tick_hz * 3 // 2, 1)
        run_ns = rate_ns * span // self.tick_hz
        most = run_ns * SLEW_PPM // 1_000_000
        correction = min(max(target_ns - ts, -most), most)
        self.break_tick = tick + span
        self.break_ts = ts + run_ns + correction
        self.rate_ns = rate_ns

    def ts_at(self, tick: int) -> int:
        """The time of a tick: final up to the newest knot, planned beyond it."""
        last_tick, last_ts = self.last
        if tick >= last_tick:
            rise, run = self._planned(tick)
            return rise // run
        if len(self.knots) > 1:
            return max(interpolate(self.knots, tick), self.floor_ns)
        if self.break_tick > last_tick:
            run_ns = (tick - last_tick) * (self.break_ts - last_ts) // (self.break_tick - last_tick)
        else:  # a cut behind the break has taken the knots before
            run_ns = (tick - last_tick) * self.rate_ns // self.tick_hz
        return max(last_ts + run_ns, self.floor_ns)

    def advance(self, tick: int) -> None:
        """Lay knots on the planned line up to and with this tick; nothing bends.

        Long silences get knots between, so that each segment's ticks times nanoseconds stay below 2^62. A knot is
        rounded up: no time handed out before becomes later than the same tick's after.
        """
        if tick <= self.last[0]:
            return
        if tick > self.break_tick > self.last[0]:
            self.knots.append((self.break_tick, self.break_ts))
        start = self.last[0]
        longest = max(math.isqrt(SEGMENT_PRODUCT_LIMIT * self.tick_hz // NS_PER_S), 1)
        pieces = min(-(-(tick - start) // longest), MAX_PIECES)
        for piece in range(1, pieces + 1):
            at = start + (tick - start) * piece // pieces
            rise, run = self._planned(at)
            self.knots.append((at, -(-rise // run)))
        if tick >= self.break_tick:
            self.break_tick, self.break_ts = self.last

    def split(self, tick: int) -> None:
        """Make sure that there is a knot at this tick, also inside a past segment."""
        if tick > self.last[0]:
            self.advance(tick)
            return
        place = bisect_right(self.knots, tick, key=lambda knot: knot[0])
        if place and self.knots[place - 1][0] != tick:
            tick0, ts0 = self.knots[place - 1]
            tick1, ts1 = self.knots[place]
            self.knots.insert(place, (tick, ts0 - (tick - tick0) * (ts0 - ts1) // (tick1 - tick0)))

    def take_until(self, tick: int) -> tuple[tuple[int, int], ...]:
        """The knots up to and with this tick, which then stays as the first; older ones are forgotten."""
        place = bisect_right(self.knots, tick, key=lambda knot: knot[0])
        if not place:
            return ()
        taken = tuple(self.knots[:place])
        self.knots = self.knots[place - 1 :]
        return taken

    def _planned(self, tick: int) -> tuple[int, int]:
        """The planned time as a fraction (numerator, denominator), for ticks from the newest knot on."""
        tick0, ts0 = self.last
        if tick < self.break_tick:
            run = self.break_tick - tick0
            return ts0 * run + (tick - tick0) * (self.break_ts - ts0), run
        return self.break_ts * self.tick_hz + (tick - self.break_tick) * self.rate_ns, self.tick_hz
