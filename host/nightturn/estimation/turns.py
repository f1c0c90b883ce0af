"""From the integer sums of a leg to torque over angle, turn by turn, in declared signs."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from nightturn.estimation.conditions import Conditions
from nightturn.estimation.folds import BINS, INDEX, RAW, REMAINDER, LegSums, N
from nightturn.model.tiles import Float64s, Int64s

Bools = npt.NDArray[np.bool_]
Complex128s = npt.NDArray[np.complex128]

WHOLE_TURN = 0.6
"""A revolution with at least this share of its bins stands for a whole turn; holes are filled from the others."""
MIN_SAMPLES_PER_BIN = 1.4
"""On average, so that a speed that varies by 5 % leaves no bin empty. What a mean over a few samples takes from a wave is
corrected by how far they lie apart (`spread_rad2`)."""
LEGS_KEPT = 6
"""Legs whose angles are kept, some 100 kB each: those of a cycle, which several estimators ask for."""
MAX_ORDER_PER_BIN = 0.4
"""Highest order as a share of the bins in a revolution: beyond, that correction passes 25 %."""


@dataclass(frozen=True, slots=True)
class Turns:
    """One leg as float arrays (revolutions, bins); empty bins have n = 0 and zeros elsewhere.

    Attributes:
        direction: +1 or -1 in declared angle.
        n: samples; torque_nm: their mean; offset_rad: mean angle minus bin centre; time_s: mean time from the start
            of the cycle.
        whole: (revolutions,) which of them stand for a whole turn.
        first_bin: unwrapped bin in which the leg began, in declared sense.
        step_rad: from one sample to the next; None where the bins are evenly full, as a continuous torque fills them.
        foreign: orders that are not the machine's, see `hum.hum_orders`.
    """

    direction: int
    n: Float64s
    torque_nm: Float64s
    offset_rad: Float64s
    time_s: Float64s
    whole: Bools
    first_bin: int = 0
    step_rad: float | None = None
    foreign: tuple[int, ...] = ()

    @property
    def spreads_rad2(self) -> Float64s:
        """Variance of the samples' angles about their mean, by bin of each turn; (revolutions, bins)."""
        if self.step_rad is None:
            return np.full(self.n.shape, (2 * np.pi / self.bins) ** 2 / 12)
        return np.asarray(self.step_rad**2 * (self.n**2 - 1) / 12, np.float64)

    @property
    def spread_rad2(self) -> float:
        """The same, on average over all samples."""
        return float((self.n * self.spreads_rad2).sum() / max(float(self.n.sum()), 1.0))

    @property
    def bins(self) -> int:
        """Angle bins in a revolution."""
        return int(self.n.shape[1])

    def turned(self) -> Float64s:
        """Angle of every bin in turns, counted on from turn to turn; (revolutions, bins), read only."""
        rows, bins = self.n.shape
        return _turned(rows, bins, self.first_bin, self.direction)

    @property
    def everywhere(self) -> bool:
        """Whether every bin holds a sample of some whole turn."""
        return bool((self.n[self.whole] > 0).any(0).all())


@lru_cache(maxsize=LEGS_KEPT)
def _turned(rows: int, bins: int, first_bin: int, direction: int) -> Float64s:
    travelled = (np.arange(bins) - first_bin) * direction % bins
    passed = np.arange(rows)[:, None] * bins + travelled
    out = np.asarray((first_bin + 0.5 + direction * passed) / bins, np.float64)
    out.flags.writeable = False
    return out


def bins_for(counts_per_rev: int, samples_per_rev: float) -> int:
    """How many bins a revolution can be cut into: a power of two, with a count and more than a sample in each."""
    most = min(BINS, counts_per_rev, max(samples_per_rev, 1) / MIN_SAMPLES_PER_BIN)
    bins = 16
    while bins * 2 <= most:
        bins *= 2
    return bins


def highest_order(bins: int) -> int:
    """The highest order that this many bins can carry."""
    return int(MAX_ORDER_PER_BIN * bins)


def samples_per_rev(leg: LegSums) -> float:
    """Samples in a revolution, from the ends of the leg."""
    travel = abs(leg.encoder_last - leg.encoder_first)
    if travel == 0:
        return 0.0
    return (leg.index_last - leg.index_first) / travel * leg.counts_per_rev


def seen_bins(leg: LegSums) -> Bools:
    """Which angle bins (bins,) of the encoder hold a sample of any turn of a pass."""
    bins = bins_for(leg.counts_per_rev, samples_per_rev(leg))
    seen = leg.sums[:, N].any(axis=0)
    return np.asarray(seen if bins == BINS else seen.reshape(bins, -1).any(axis=1), np.bool_)


def largest_hole(leg: LegSums, sense: int) -> tuple[float, float]:
    """Width and start of the largest hole in all turns of a pass, degrees of declared angle."""
    seen = seen_bins(leg)[::sense]
    bins = len(seen)
    if seen.all():
        return 0.0, 360 / bins
    filled = np.flatnonzero(seen)
    if len(filled) == 0:
        return 360.0, 0.0
    gaps = np.diff(filled, append=filled[0] + bins) - 1
    widest = int(gaps.argmax())
    return float(gaps[widest]) * 360 / bins, float((filled[widest] + 1) % bins) * 360 / bins


def speed_rpm(leg: LegSums, rate_hz: float) -> float:
    """Mean speed of the leg."""
    samples = samples_per_rev(leg)
    return 60.0 * rate_hz / samples if samples else 0.0


def turns_of(leg: LegSums, conditions: Conditions, bins: int, index_zero: int) -> Turns:
    """Lay a leg out for the estimators: rebinned exactly in integers, then scaled.

    Shapes: sums (revolutions, 5, 4096) -> (revolutions, bins). A declared angle that runs against the encoder mirrors
    the bins, so that only declared signs depend on it.
    """
    n, raw, remainder, index = _rebinned(leg, bins)
    some = n > 0
    count = np.where(some, n, 1)
    width = 2 * np.pi / bins
    first = leg.first_bin * bins // BINS
    torque = np.where(some, (raw / count - conditions.zero_count) * conditions.lsb_nm, 0.0)
    parts = leg.counts_per_rev * (BINS // bins)
    offset = np.where(some, (remainder / (count * parts) - 0.5) * width, 0.0)
    time = np.where(some, ((leg.origin_index - index_zero) + index / count) / conditions.rate_hz, 0.0)
    if conditions.sense < 0:
        n, torque, offset, time = n[:, ::-1], torque[:, ::-1], -offset[:, ::-1], time[:, ::-1]
        some = some[:, ::-1]
    return Turns(
        direction=leg.direction * conditions.sense,
        n=np.ascontiguousarray(n, np.float64),
        torque_nm=np.ascontiguousarray(torque),
        offset_rad=np.ascontiguousarray(offset),
        time_s=np.ascontiguousarray(time),
        whole=some.mean(axis=1) >= WHOLE_TURN,
        first_bin=first if conditions.sense > 0 else -1 - first,
        step_rad=2 * np.pi / samples_per_rev(leg),
    )


def droop(orders: Int64s, spread_rad2: float) -> Float64s:
    """What the mean over samples with this variance of their angle leaves of a wave of each order (k,)."""
    # Exact for a bin that is evenly full (a sine cardinal); two samples are 0.03 % off at the highest order.
    width = np.sqrt(12 * spread_rad2)
    return np.asarray(np.sinc(orders * width / (2 * np.pi)), np.float64)


def _rebinned(leg: LegSums, bins: int) -> tuple[Int64s, Int64s, Int64s, Int64s]:
    """n, Σraw, Σremainder and Σ(index - origin) by (revolution, bin) for fewer bins; remainders count in new bins."""
    share = BINS // bins
    sums = leg.sums
    n, raw, remainder, index = sums[:, N], sums[:, RAW], sums[:, REMAINDER], sums[:, INDEX]
    if share == 1:
        return n, raw, remainder, index
    shape = (len(sums), bins, share)
    place = np.arange(share, dtype=np.int64) * leg.counts_per_rev
    inside = remainder.reshape(shape) + n.reshape(shape) * place
    return n.reshape(shape).sum(-1), raw.reshape(shape).sum(-1), inside.sum(-1), index.reshape(shape).sum(-1)
