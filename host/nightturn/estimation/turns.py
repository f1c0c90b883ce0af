"""From the integer sums of a leg to torque over angle, turn by turn, in declared signs."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightturn.estimation.conditions import Conditions
from nightturn.estimation.folds import BINS, INDEX, RAW, REMAINDER, LegSums, N
from nightturn.model.tiles import Float64s, Int64s

Bools = npt.NDArray[np.bool_]
Complex128s = npt.NDArray[np.complex128]

WHOLE_TURN = 0.6
"""A revolution with at least this share of its bins stands for a whole turn; holes are filled from the others."""
MIN_SAMPLES_PER_BIN = 4
"""What a bin's mean gets wrong once its width is allowed for: 0.001 % with 24 samples in it, 0.02 % with 5 (simulated)."""
MAX_ORDER = 700
MAX_ORDER_PER_BIN = 0.3
"""Highest order as a share of the bins in a revolution: beyond, the correction for the bin width passes 15 %."""


@dataclass(frozen=True, slots=True)
class Turns:
    """One leg as float arrays (revolutions, bins); empty bins have n = 0 and zeros elsewhere.

    Attributes:
        direction: +1 or -1 in declared angle.
        n: samples; torque_nm: their mean; offset_rad: mean angle minus bin centre; time_s: mean time from the start
            of the cycle.
        whole: (revolutions,) which of them stand for a whole turn.
    """

    direction: int
    n: Float64s
    torque_nm: Float64s
    offset_rad: Float64s
    time_s: Float64s
    whole: Bools

    @property
    def bins(self) -> int:
        """Angle bins in a revolution."""
        return int(self.n.shape[1])


def bins_for(counts_per_rev: int, samples_per_rev: float) -> int:
    """How many bins a revolution can be cut into: a power of two, at least four samples and two counts in each."""
    most = min(BINS, counts_per_rev / 2, max(samples_per_rev, 1) / MIN_SAMPLES_PER_BIN)
    bins = 16
    while bins * 2 <= most:
        bins *= 2
    return bins


def highest_order(bins: int) -> int:
    """The highest order that this many bins can carry."""
    return min(MAX_ORDER, int(MAX_ORDER_PER_BIN * bins))


def samples_per_rev(leg: LegSums) -> float:
    """Samples in a revolution, from the ends of the leg."""
    travel = abs(leg.encoder_last - leg.encoder_first)
    if travel == 0:
        return 0.0
    return (leg.index_last - leg.index_first) / travel * leg.counts_per_rev


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
    )


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
