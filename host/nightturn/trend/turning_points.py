"""Turning points of a stream of counts: where it turns round by at least a gate, the same for any split of the stream."""

import msgspec
import numpy as np

from nightturn.model.tiles import Int32s, Int64s

COUNTS_MAX = 1 << 29
"""Counts lie within ±(this - 1), so that every range, and that to a point beyond all counts, fits 32 bits; a converter has 24."""
AT_ONCE = 1 << 14
"""Samples that are taken in one go: what is worked on stays in the cache of the processor. No result depends on it."""
_FEW = 64
_PASSES = 24
# Few points are closed one by one, and so is what is left after a work of 24 passes over all points, which takes as long:
# a decaying oscillation closes one range a pass, and passes alone would take the square of its points.

ANY = 2 * COUNTS_MAX
"""More than any range of counts."""


class TurningPoints(msgspec.Struct):
    """Finds the turning points of one channel, sample by sample or in any chunks.

    An extreme is a turning point as soon as the counts have gone back from it by `gate_counts` or more (dead band or
    hysteresis filter; common practice, no source). Movements smaller than the gate are no cycles. The newest extreme is
    not yet confirmed: `low` or `high`, whichever `direction` points to.

    The state follows from the samples alone, never from how they were split, and it is four numbers.

    Attributes:
        gate_counts: least movement that counts, 1 for any.
        direction: +1 while the counts rise to an extreme, -1 while they fall, 0 before they have moved by the gate.
        low, high: the newest extreme, twice; before a first movement the extremes so far (low above high: no sample yet).
    """

    gate_counts: int
    direction: int = 0
    low: int = COUNTS_MAX
    high: int = -COUNTS_MAX

    @classmethod
    def start(cls, gate_counts: int) -> "TurningPoints":
        """Before the first sample.

        Raises:
            ValueError: the gate is no movement, or larger than any.
        """
        if not 1 <= gate_counts < COUNTS_MAX:
            raise ValueError(
                f"gate_counts is {gate_counts}: give the least movement that counts, 1 to {COUNTS_MAX - 1}"
            )
        return cls(gate_counts)

    @property
    def newest(self) -> tuple[int, ...]:
        """The newest extreme, which later samples may still move: one value, none before the first movement."""
        return (self.high,) if self.direction else ()

    @property
    def extremes(self) -> tuple[int, ...]:
        """What a later part hands to the one before it, behind its turning points: all that its gate has kept."""
        if self.direction:
            return (self.high,)
        return (self.low, self.high) if self.low <= self.high else ()

    def add(self, counts: Int32s) -> Int32s:
        """Take consecutive samples; the turning points that they confirm, in order, alternately low and high.

        Args:
            counts: int32 within ±(`COUNTS_MAX` - 1), as `checked` gives them.
        """
        parts = [self._piece(counts[at : at + AT_ONCE]) for at in range(0, len(counts), AT_ONCE)]
        found = [part for part in parts if len(part)]
        return np.concatenate(found) if found else np.zeros(0, np.int32)

    def _piece(self, counts: Int32s) -> Int32s:
        low, high = int(counts.min()), int(counts.max())
        if self.direction == 0:
            return self._first(counts, min(low, self.low), max(high, self.high))
        newest = self.high
        if self.direction > 0 and newest >= high and low > newest - self.gate_counts:
            return counts[:0]
        if self.direction < 0 and newest <= low and high < newest + self.gate_counts:
            return counts[:0]
        points = np.empty(len(counts) + 2, np.int32)
        # What the newest extreme has come from: farther off than any movement, so that the extreme stays a turning point.
        points[0] = -self.direction * ANY
        points[1] = newest
        points[2:] = counts
        left, _, _ = nested(turns_of(points), self.gate_counts)
        ranges = np.abs(left[1:] - left[:-1])
        small = np.flatnonzero(ranges < self.gate_counts)  # only at the end, where they die away
        at = int(small[0]) if len(small) else len(left) - 1
        self.low = self.high = int(left[at])
        self.direction = 1 if left[at] > left[at - 1] else -1
        return left[1:at]

    def _first(self, counts: Int32s, low: int, high: int) -> Int32s:
        """Until the counts have moved by the gate for the first time: then the extreme that came before is a turning point."""
        if high - low < self.gate_counts:
            self.low, self.high = low, high
            return counts[:0]
        lows = np.minimum(np.minimum.accumulate(counts), self.low)
        highs = np.maximum(np.maximum.accumulate(counts), self.high)
        at = int((highs - lows >= self.gate_counts).argmax())
        rises = counts[at] == highs[at]
        first = lows[at] if rises else highs[at]
        self.direction = 1 if rises else -1
        self.low = self.high = int(counts[at])
        rest = counts[at + 1 :]
        later = self._piece(rest) if len(rest) else rest
        return np.concatenate([np.array([first], np.int32), later])


def checked(counts: Int32s | Int64s) -> Int32s:
    """Counts as int32.

    Raises:
        TypeError: they are no integers.
        ValueError: they are no row of numbers, or outside ±(`COUNTS_MAX` - 1).
    """
    if not np.issubdtype(counts.dtype, np.integer):
        raise TypeError(
            f"the load history takes integer counts, not {counts.dtype}: round physical values to steps first"
        )
    if counts.ndim != 1:
        raise ValueError(f"the load history takes one row of counts, not an array of shape {counts.shape}")
    if len(counts) and not (int(counts.max()) < COUNTS_MAX and int(counts.min()) > -COUNTS_MAX):
        raise ValueError(
            f"counts from {counts.min()} to {counts.max()}: they must lie within ±{COUNTS_MAX - 1}; take larger steps"
        )
    return counts.astype(np.int32, copy=False)


def turns_of(counts: Int32s) -> Int32s:
    """First and last count and every one between at which the sense changes; a level stretch keeps at most both its ends."""
    if len(counts) < 3:
        return counts
    rises = counts[1:] > counts[:-1]
    keep = np.ones(len(counts), np.bool_)
    np.not_equal(rises[1:], rises[:-1], out=keep[1:-1])
    return counts[keep]


def nested(points: Int32s, below: int) -> tuple[Int32s, Int32s, Int32s]:
    """Take out every range that lies within both its neighbours and is smaller than `below`, until there is none.

    That is the four-point rule: of four turning points in a row the inner two are a closed cycle when their range is at most
    that of either side. Taking a pair out makes the range around it at least as large as both that it replaces, so that nothing
    that could be taken out before is kept by it: all orders end with the same points and the same pairs, and a pass may take
    all that do not touch each other.

    Args:
        points: alternately low and high.
        below: ranges of this size and more stay.

    Returns:
        What is left, in order, and the lower and upper points of the pairs, in no particular order.
    """
    pairs: list[tuple[Int32s, Int32s]] = []
    work, enough = 0, _PASSES * len(points)
    while len(points) > 3:
        if len(points) <= _FEW or work > enough:
            stack: list[int] = []
            pairs.append(as_pairs(close_onto(stack, points.tolist(), below)))
            points = np.array(stack, np.int32)
            break
        work += len(points)
        ranges = np.abs(points[1:] - points[:-1])
        inner = ranges[1:-1]
        closed = inner <= np.minimum(ranges[:-2], ranges[2:])
        if below < ANY:
            closed &= inner < below
        first = _apart(closed.nonzero()[0]) + 1
        if len(first) == 0:
            break
        second = first + 1
        pairs.append((points[first], points[second]))
        keep = np.ones(len(points), np.bool_)
        keep[first] = keep[second] = False
        points = points[keep]
    none = points[:0]
    one = np.concatenate([none, *(pair[0] for pair in pairs)])
    other = np.concatenate([none, *(pair[1] for pair in pairs)])
    return points, np.minimum(one, other), np.maximum(one, other)


def _apart(first: Int64s) -> Int64s:
    """Of pairs that touch each other (equal ranges in a row) every second one."""
    touching = first[1:] - first[:-1] == 1
    if not touching.any():
        return first
    place = np.arange(len(first))
    begins = np.zeros(len(first), np.int64)
    begins[1:] = np.where(touching, 0, place[1:])
    kept: Int64s = first[(place - np.maximum.accumulate(begins)) % 2 == 0]
    return kept


def close_onto(stack: list[int], points: list[int], below: int) -> list[tuple[int, int]]:
    """Put turning points onto a row of open ones and take out what each closes, as `nested` does; the pairs taken out."""
    pairs: list[tuple[int, int]] = []
    count = len(stack)
    for point in points:
        while count > 2:
            one, other = stack[-2], stack[-1]
            inner = abs(other - one)
            if inner > abs(point - other) or inner >= below or inner > abs(one - stack[-3]):
                break
            pairs.append((one, other))
            del stack[-2:]
            count -= 2
        stack.append(point)
        count += 1
    return pairs


def as_pairs(pairs: list[tuple[int, int]]) -> tuple[Int32s, Int32s]:
    """Their first points and their second ones."""
    both = np.array(pairs, np.int32).reshape(-1, 2)
    return both[:, 0], both[:, 1]
