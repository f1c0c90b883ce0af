"""Folds: exact integer sums over (leg, revolution, angle bin), the same for any split and any merge order."""

from math import gcd

import msgspec
import numpy as np

from nightturn.estimation.phases import ScanSettings
from nightturn.model.phases import EXERCISE
from nightturn.model.tiles import Int32s, Int64s, UInt8s

BINS = 4096
"""Angle bins in a mechanical revolution."""
SUMS = 5
N, RAW, REMAINDER, RAW_SQUARED, INDEX = range(SUMS)
# Floating sums depend on the order of their terms, and with it on how the stream was cut; these do not. The remainder
# gives each bin its mean angle: with the bin's centre in its place, few and uneven samples would move the torque over
# angle. The index gives it its mean time, on which the removal of a drift rests.
MAX_REVOLUTIONS = 64
"""Revolutions of one leg that are kept; samples beyond are counted in `beyond`."""
MAX_SAMPLES_PER_BIN = 1 << 16
"""Beyond this the sum of squares of 24-bit counts may leave 64 bits (2^46 x 2^16 = 2^62); `finish` flags it."""

_OFFSETS = (np.arange(SUMS, dtype=np.int64) * BINS)[:, None]


class LegSums(msgspec.Struct):
    """One steady pass in one direction: sums by revolution and angle bin.

    bin = encoder * 4096 // counts_per_rev modulo 4096, remainder = encoder * 4096 modulo counts_per_rev; the
    revolution counts 4096 bins travelled from `first_bin` on. Railed samples are counted and stay out of the sums,
    because one of them would outweigh a whole bin.

    Attributes:
        kind: `slow_turn` or `hold`.
        direction: +1 or -1, sense of the encoder counts.
        speeds: commanded speeds it ran at (bit mask of `phases`).
        origin_index: index that Σ(index - origin) counts from.
        first_bin: unwrapped bin of the leg's first sample.
        sums: (revolutions, 5, 4096) int64: n, Σraw, Σremainder, Σraw², Σ(index - origin).
        n: samples in the sums; railed: left out; beyond: outside `MAX_REVOLUTIONS`.
        jumps: first differences above the limit between neighbouring samples.
        index_first, index_last, encoder_first, encoder_last: ends of the leg, -1 and 0 while empty.
        raw_min, raw_max: extremes, railed samples included.
        at_min, at_max: samples at them; again_min, again_max: of those, with the sample before them there too.
        flags: OR of the sample flags.
    """

    kind: str
    direction: int
    speeds: int
    origin_index: int
    first_bin: int
    counts_per_rev: int
    rail_low: int
    rail_high: int
    jump_raw: int
    sums: Int64s
    n: int = 0
    railed: int = 0
    beyond: int = 0
    jumps: int = 0
    index_first: int = -1
    index_last: int = -1
    encoder_first: int = 0
    encoder_last: int = 0
    raw_min: int = 0
    raw_max: int = 0
    at_min: int = 0
    at_max: int = 0
    again_min: int = 0
    again_max: int = 0
    raw_sum: int = 0
    flags: int = 0

    @classmethod
    def start(
        cls, settings: ScanSettings, kind: str, direction: int, speeds: int, index: int, encoder: int
    ) -> "LegSums":
        """An empty leg whose first sample has this index and encoder count."""
        return cls(
            kind=kind,
            direction=direction,
            speeds=speeds,
            origin_index=index,
            first_bin=encoder * BINS // settings.counts_per_rev,
            counts_per_rev=settings.counts_per_rev,
            rail_low=settings.rail_low,
            rail_high=settings.rail_high,
            jump_raw=settings.jump_raw,
            sums=np.zeros((0, SUMS, BINS), np.int64),
        )

    def add(self, index: int, raw: Int32s, encoder: Int64s, flags: UInt8s, before: int | None = None) -> None:
        """Take consecutive samples; `before` is the torque count just before them, if that was in the leg too."""
        if len(raw) == 0:
            return
        counts = raw.astype(np.int64)
        low, high = int(np.minimum.reduce(counts)), int(np.maximum.reduce(counts))
        self.jumps += count_jumps(counts, self.jump_raw, before)
        if self.index_first < 0 or low <= self.raw_min:
            self._at_low(low, *count_at(counts, low, before))
        if self.index_first < 0 or high >= self.raw_max:
            self._at_high(high, *count_at(counts, high, before))
        self._widen(index, len(raw), int(encoder[0]), int(encoder[-1]), low, high)
        self.flags |= int(np.bitwise_or.reduce(flags))
        if low <= self.rail_low or high >= self.rail_high:
            good = np.flatnonzero((counts > self.rail_low) & (counts < self.rail_high))
            self.railed += len(counts) - len(good)
            cuts = np.flatnonzero(np.diff(good) != 1) + 1
            for run in np.split(good, cuts):
                if len(run):
                    a, b = int(run[0]), int(run[-1]) + 1
                    self._fold(index + a, counts[a:b], encoder[a:b])
        else:
            self._fold(index, counts, encoder)

    def merge(self, other: "LegSums") -> None:
        """Add another part of the same leg.

        Raises:
            ValueError: the parts do not share direction and origin.
        """
        if (self.direction, self.origin_index, self.first_bin, self.counts_per_rev) != (
            other.direction,
            other.origin_index,
            other.first_bin,
            other.counts_per_rev,
        ):
            raise ValueError("only parts of one leg can be merged: direction and origin must agree")
        if other.index_first < 0:
            return
        self._grow(len(other.sums))
        self.sums[: len(other.sums)] += other.sums
        self.n += other.n
        self.raw_sum += other.raw_sum
        self.railed += other.railed
        self.beyond += other.beyond
        self.jumps += other.jumps
        self.flags |= other.flags
        self._at_low(other.raw_min, other.at_min, other.again_min)
        self._at_high(other.raw_max, other.at_max, other.again_max)
        self._widen(
            other.index_first, 1, other.encoder_first, other.encoder_first, other.raw_min, other.raw_max
        )
        self._widen(other.index_last, 1, other.encoder_last, other.encoder_last, other.raw_min, other.raw_max)

    def canonical(self) -> tuple[bytes, memoryview]:
        """The leg as bytes in one fixed order, in two parts, for a digest."""
        used = len(self.sums)
        while used and not self.sums[used - 1, N].any():
            used -= 1
        scalars = (
            self.direction, self.origin_index, self.first_bin, self.counts_per_rev, self.n, self.raw_sum,
            self.railed, self.beyond, self.jumps, self.index_first, self.index_last, self.encoder_first,
            self.encoder_last, self.raw_min, self.raw_max, self.at_min, self.at_max, self.again_min,
            self.again_max, self.flags, used,
        )  # fmt: skip
        head = self.kind.encode() + b"\0" + np.array(scalars, "<i8").tobytes()
        return head, np.ascontiguousarray(self.sums[:used], "<i8").data

    def mean_and_variance(self) -> tuple[float, float]:
        """Mean and variance (n - 1) of the raw counts, exact until the one division at the end.

        Raises:
            ValueError: fewer than two samples.
        """
        total = sum(self.sums[:, RAW].ravel().tolist())
        squares = sum(self.sums[:, RAW_SQUARED].ravel().tolist())
        return mean_and_variance(self.n, total, squares)

    # A run of equal codes would be another sum in every order of the parts; that a sample repeats the one before it
    # adds up, and samples over runs is how long they are: at / (at - again).
    def _at_low(self, low: int, samples: int, again: int) -> None:
        """Count samples at the lowest code so far; a lower one begins the count from zero."""
        if self.index_first < 0 or low < self.raw_min:
            self.at_min = self.again_min = 0
        elif low > self.raw_min:
            return
        self.at_min += samples
        self.again_min += again

    def _at_high(self, high: int, samples: int, again: int) -> None:
        """The same of the highest code."""
        if self.index_first < 0 or high > self.raw_max:
            self.at_max = self.again_max = 0
        elif high < self.raw_max:
            return
        self.at_max += samples
        self.again_max += again

    def _widen(self, index: int, n: int, encoder_first: int, encoder_last: int, low: int, high: int) -> None:
        """Let first, last, min and max take in a run of samples."""
        if self.index_first < 0:
            self.raw_min, self.raw_max = low, high
        else:
            self.raw_min, self.raw_max = min(self.raw_min, low), max(self.raw_max, high)
        if self.index_first < 0 or index < self.index_first:
            self.index_first, self.encoder_first = index, encoder_first
        if index + n - 1 > self.index_last:
            self.index_last, self.encoder_last = index + n - 1, encoder_last

    def _fold(self, index: int, counts: Int64s, encoder: Int64s) -> None:
        """Add one run of consecutive good samples to the bins."""
        unwrapped = self._bin_of(encoder)
        # The shaft turns slowly, so neighbouring samples share a bin: each run of them is summed first, and only the
        # runs are scattered.
        steps = (unwrapped[1:] != unwrapped[:-1]).nonzero()[0]
        starts = np.empty(len(steps) + 1, np.int64)
        starts[0] = 0
        np.add(steps, 1, out=starts[1:])
        keys = unwrapped[starts]
        n = np.empty_like(starts)
        np.subtract(starts[1:], starts[:-1], out=n[:-1])
        n[-1] = len(counts) - starts[-1]
        sums = np.empty((SUMS, len(starts)), np.int64)
        sums[N] = n
        sums[RAW] = np.add.reduceat(counts, starts)
        sums[REMAINDER] = np.add.reduceat(encoder, starts) * BINS - n * keys * self.counts_per_rev
        sums[RAW_SQUARED] = np.add.reduceat(counts * counts, starts)
        # Indices of a run are consecutive: their sum is n times the first, plus 0 + 1 + ... + (n - 1).
        sums[INDEX] = n * (starts + (index - self.origin_index)) + n * (n - 1) // 2
        self._scatter(keys, sums)

    def _bin_of(self, encoder: Int64s) -> Int64s:
        """Unwrapped bin of each sample: floor(encoder * 4096 / counts_per_rev), by the cheapest exact way."""
        common = gcd(BINS, self.counts_per_rev)
        times, parts = BINS // common, self.counts_per_rev // common
        scaled = encoder if times == 1 else encoder * times
        if parts & (parts - 1) == 0:
            return np.asarray(scaled >> (parts.bit_length() - 1))
        return np.asarray(scaled // parts)

    def _scatter(self, keys: Int64s, sums: Int64s) -> None:
        """Add sums (5, m) to the cells that the unwrapped bins `keys` (m,) name."""
        travelled = (keys - self.first_bin) * self.direction
        steady = bool((travelled[1:] > travelled[:-1]).all())  # no cell is named twice
        low, high = int(travelled[0]) // BINS, int(travelled[-1]) // BINS
        if steady and 0 <= low == high < MAX_REVOLUTIONS:
            self._grow(high + 1)
            place = keys & (BINS - 1)
            a, b = int(place[0]), int(place[-1])
            if (b - a) * self.direction == len(place) - 1:  # neighbouring bins, no passage through zero
                if self.direction > 0:
                    self.sums[low, :, a : b + 1] += sums
                else:
                    self.sums[low, :, b : a + 1] += sums[:, ::-1]
            else:
                self.sums[low, :, place] += sums.T
            self.n += int(np.add.reduce(sums[N]))
            self.raw_sum += int(np.add.reduce(sums[RAW]))
        else:
            self._scatter_any(keys & (BINS - 1), travelled, sums)

    def _scatter_any(self, place: Int64s, travelled: Int64s, sums: Int64s) -> None:
        """The general way: several revolutions, steps back, samples beyond the last revolution kept."""
        # Encoder noise at the very start may step back over `first_bin`: that sample belongs to revolution 0.
        revolution = np.asarray(np.maximum(travelled, 0) // BINS, np.int64)
        inside = revolution < MAX_REVOLUTIONS
        if not inside.all():
            self.beyond += int(sums[N, ~inside].sum())
            place, sums, revolution = place[inside], sums[:, inside], revolution[inside]
        if not len(place):
            return
        self._grow(int(revolution.max()) + 1)
        self.n += int(sums[N].sum())
        self.raw_sum += int(sums[RAW].sum())
        cells: Int64s = _OFFSETS + (revolution * (SUMS * BINS) + place)
        np.add.at(self.sums.reshape(-1), cells, sums)

    def _grow(self, revolutions: int) -> None:
        """Make room for that many revolutions, and own the array (a restored one may be read-only)."""
        have = len(self.sums)
        if revolutions > have:
            more = np.zeros((revolutions - have, SUMS, BINS), np.int64)
            self.sums = np.concatenate((self.sums, more))
        elif not self.sums.flags.writeable:
            self.sums = self.sums.copy()


class StrokeSums(msgspec.Struct):
    """One stroke of the exercise, the warm-up or a soak, by `phase`: scalar sums over its steady part."""

    epoch: int
    cycle_no: int
    stroke_no: int
    direction: int
    rail_low: int
    rail_high: int
    n: int = 0
    raw_sum: int = 0
    raw_squares: int = 0
    raw_min: int = 0
    raw_max: int = 0
    railed: int = 0
    index_first: int = -1
    index_last: int = -1
    encoder_first: int = 0
    encoder_last: int = 0
    tick_first: int = 0
    tick_last: int = 0
    temperature_milli_degc: int | None = None
    phase: str = EXERCISE

    def add(self, index: int, raw: Int32s, encoder: Int64s) -> None:
        """Take consecutive samples; railed ones are counted and left out."""
        if len(raw) == 0:
            return
        counts = raw.astype(np.int64)
        low, high = int(np.minimum.reduce(counts)), int(np.maximum.reduce(counts))
        if self.index_first < 0:
            self.index_first, self.encoder_first = index, int(encoder[0])
        self.index_last, self.encoder_last = index + len(counts) - 1, int(encoder[-1])
        if low <= self.rail_low or high >= self.rail_high:
            good = (counts > self.rail_low) & (counts < self.rail_high)
            self.railed += int(len(good) - good.sum())
            counts = counts[good]
            if len(counts) == 0:
                return
            low, high = int(counts.min()), int(counts.max())
        if self.n == 0:
            self.raw_min, self.raw_max = low, high
        self.raw_min, self.raw_max = min(self.raw_min, low), max(self.raw_max, high)
        self.n += len(counts)
        self.raw_sum += int(counts.sum())
        self.raw_squares += int(np.dot(counts, counts))

    def canonical(self) -> bytes:
        """What figures are made of, as bytes in one fixed order, for a digest."""
        scalars = (
            self.direction, self.n, self.raw_sum, self.railed, self.index_first, self.index_last,
            self.encoder_first, self.encoder_last,
        )  # fmt: skip
        return np.array(scalars, "<i8").tobytes()


def count_jumps(counts: Int64s, limit: int, before: int | None) -> int:
    """How many neighbouring samples differ by more than `limit` counts."""
    jumps = 0 if before is None else int(abs(int(counts[0]) - before) > limit)
    if len(counts) > 1:
        steps = counts[1:] - counts[:-1]
        if int(np.maximum.reduce(steps)) > limit or int(np.minimum.reduce(steps)) < -limit:
            jumps += int(np.count_nonzero(np.abs(steps) > limit))
    return jumps


def count_at(counts: Int64s, code: int, before: int | None) -> tuple[int, int]:
    """Samples at this code, and how many of them follow another one."""
    there = counts == code
    again = int(np.count_nonzero(there[1:] & there[:-1])) + int(before == code and bool(there[0]))
    return int(np.count_nonzero(there)), again


def mean_and_variance(n: int, total: int, squares: int) -> tuple[float, float]:
    """Mean and variance (n - 1) from exact sums.

    Raises:
        ValueError: fewer than two samples.
    """
    if n < 2:
        raise ValueError("a variance needs two samples")
    return total / n, (n * squares - total * total) / (n * (n - 1))
