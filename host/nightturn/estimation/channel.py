"""Whether the torque channel can be believed in a pass: dead, clipped, coarser than its noise, or in another unit.

All of it from the exact sums of one pass, without a look at other cycles.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import acos, ceil, erf, exp, log, pi, sqrt

import numpy as np

from nightturn.estimation.conditions import Conditions
from nightturn.estimation.folds import BINS, RAW, RAW_SQUARED, LegSums, N
from nightturn.estimation.quantiles import median, quantile
from nightturn.estimation.turns import Bools, bins_for, samples_per_rev
from nightturn.model.figures import REFUSED
from nightturn.model.quantities import fixed, number, quantity
from nightturn.model.tiles import Float64s, Int64s
from nightturn.model.verdicts import NOT_JUDGED

TAIL_SIGMA = 5.0
"""How far out of the noise the extreme of a pass lies at most: the largest of 3 million samples (normal distribution)."""
CLIP_CHANCE = 1e-7
"""Chance that noise repeats its extreme code as often as it takes to be called clipped."""
REPEAT_SHARE = 0.1
"""Of the samples at an extreme code, how many follow another one where a crest is clipped; noise comes alone."""
DWELL_SPARE = 3.0
"""A crest without noise stays within one code of its top; so many times as long as a single sine's is no crest."""
DITHER_VARIANCE = 1 / 3
"""Variance inside a bin, in codes squared, below which steps no longer average out: noise of half a code, 1/4, and the
rounding's own 1/12. There the mean is wrong by 0.2 % of a code, at a third of a code by 4 %, without noise by 29 %
(exp(-2 pi^2 s^2) / pi; Widrow and Kollár, Quantization Noise, Cambridge 2008, ch. 9)."""
STILL_SHARE = 0.05
"""A bin with less than this share of the usual variance does not move where others do."""
STILL_DOF = 12
"""Degrees of freedom of a bin before that can be said: by chance it is so in 1e-6 of the bins (chi-square)."""
STILL_BINS = 3
STUCK_SPARE = 3.0
"""So many times as long as white noise would stay at a code is no noise: what a filter leaves of it changes more slowly."""
NOISY_SHARE = 0.7
"""Of the usual variance inside a bin is left where the torque hardly changes, if noise makes it."""
COARSE_CODES = 200
"""With more codes from the lowest to the highest sample of a pass, half of one at either end is below 0.5 %."""
QUIET_QUANTILE, QUIET_BIAS = 0.2, 0.75
"""A fifth of the bins lie where the torque hardly changes across them; the fifth of a chi-square with 18 degrees of freedom
is at 0.72 of its mean, with 30 at 0.78."""
TIMES_RATED_MAX = 5.0
"""No unit is turned or held at more than some times its rated torque (common practice, no source)."""

Finding = tuple[str, str]
"""A sentence and the status that it takes."""


@dataclass(frozen=True, slots=True)
class Cells:
    """A pass by angle bin, all its revolutions together; in codes.

    Attributes:
        mean: (bins,) mean code, zero where there is no sample.
        variance: (bins,) variance inside the bins of single revolutions, slope included; dof: its degrees of freedom.
        slope: (bins,) what the torque's change across a bin adds to that variance.
        seen: (bins,) which bins hold samples.
    """

    mean: Float64s
    variance: Float64s
    dof: Int64s
    slope: Float64s
    seen: Bools

    @property
    def quiet(self) -> float | None:
        """Variance inside the bins where the torque changes least; None where no bin holds two samples of a revolution."""
        known = self.dof > 0
        if not known.any():
            return None
        return quantile(self.variance[known], QUIET_QUANTILE) / QUIET_BIAS

    @property
    def noise(self) -> float:
        """Variance of the noise: what the slope does not explain, in the middle of the bins."""
        known = self.dof > 0
        if not known.any():
            return 0.0
        return max(median(self.variance[known] - self.slope[known]), 0.0)


def channel_findings(legs: Sequence[LegSums], conditions: Conditions) -> tuple[Finding, ...]:
    """What speaks against the torque channel in passes of one kind: the gravest of it, in the first pass that shows it."""
    found = [finding for leg in legs if leg.n > 1 for finding in _leg_findings(leg, conditions)]
    refused = [finding for finding in found if finding[1] == REFUSED]
    return tuple((refused or found)[:1])


def cells_of(leg: LegSums) -> Cells:
    """Mean and variance by angle bin, in the bins that the estimators use."""
    bins = bins_for(leg.counts_per_rev, samples_per_rev(leg))
    centre = leg.raw_sum // leg.n if leg.n else 0

    def by_bin(row: int) -> Int64s:
        sums = leg.sums[:, row]
        return sums if bins == BINS else np.asarray(sums.reshape(len(sums), bins, BINS // bins).sum(-1))

    n, total, squares = by_bin(N), by_bin(RAW), by_bin(RAW_SQUARED)
    # About the mean code, in integers: the difference of two squares of 24-bit codes would lose what it is after.
    moved = total - centre * n
    squares = squares - centre * (total + moved)
    total = moved
    inside = squares - total.astype(np.float64) ** 2 / np.maximum(n, 1)
    several = n > 1
    dof = np.where(several, n - 1, 0).sum(0)
    all_n = n.sum(0)
    seen = all_n > 0
    mean = np.where(seen, total.sum(0) / np.maximum(all_n, 1) + centre, 0.0)
    rise = (np.roll(mean, -1) - np.roll(mean, 1)) / 2
    beside = seen & np.roll(seen, 1) & np.roll(seen, -1)
    return Cells(
        mean=mean,
        variance=np.where(several, inside, 0.0).sum(0) / np.maximum(dof, 1),
        dof=dof,
        slope=np.where(beside, rise**2 / 12, 0.0),
        seen=seen,
    )


def _leg_findings(leg: LegSums, conditions: Conditions) -> list[Finding]:
    """The findings of one pass, the gravest cause first; what follows from it is left out."""
    if leg.raw_min == leg.raw_max:
        return [
            (f"All {leg.n} samples of a pass have one code: the torque channel is dead or stuck.", REFUSED)
        ]
    cells = cells_of(leg)
    level = _level(leg, cells, conditions)
    if level is not None:
        return [(level, REFUSED)]
    doubts = (
        _clipped(leg, cells, conditions),
        _still(cells),
        _stuck(leg, conditions),
        _coarse(leg, cells, conditions),
    )
    return [(doubt, NOT_JUDGED) for doubt in doubts if doubt is not None][:1]


def _level(leg: LegSums, cells: Cells, conditions: Conditions) -> str | None:
    """A torque that no unit of this rating can have."""
    rated, lsb = conditions.rated_torque_nm, abs(conditions.lsb_nm)
    mean = (leg.raw_sum / leg.n - conditions.zero_count) * conditions.lsb_nm if leg.n else 0.0
    swing = float(np.ptp(cells.mean[cells.seen])) * lsb if cells.seen.any() else 0.0
    for what, size in (("Mean torque", abs(mean)), ("Torque over a turn, peak to peak,", swing)):
        if size > TIMES_RATED_MAX * rated:
            return (
                f"{what} is {quantity(size, 'N·m')}, {number(size / rated, 2)} times the rated torque of {quantity(rated, 'N·m')}: "
                "no torque in N·m. Check unit, factor and zero of the torque channel."
            )
    return None


def _coarse(leg: LegSums, cells: Cells, conditions: Conditions) -> str | None:
    """Steps of the converter that the noise no longer averages out."""
    if leg.raw_max - leg.raw_min > COARSE_CODES:
        return None
    quiet = cells.quiet
    if quiet is None or quiet >= DITHER_VARIANCE:
        return None
    step = abs(conditions.lsb_nm)
    return (
        f"Torque varies by {quantity(step * quiet**0.5, 'N·m', digits=2, beside=step)} rms inside an angle bin, and one code is "
        f"{quantity(step, 'N·m', digits=2)}: too coarse for its noise, so that means are wrong by up to half a code. "
        "Use a finer range or a higher gain."
    )


def _clipped(leg: LegSums, cells: Cells, conditions: Conditions) -> str | None:
    """An extreme code that repeats more often and for longer than noise would have it."""
    for code, samples, again in (
        (leg.raw_max, leg.at_max, leg.again_max),
        (leg.raw_min, leg.at_min, leg.again_min),
    ):
        if again >= REPEAT_SHARE * samples and samples >= repeats_of_noise(leg, cells):
            level = (code - conditions.zero_count) * conditions.lsb_nm
            return (
                f"Torque is at one extreme code, {quantity(level, 'N·m')}, in {samples} samples of a pass, on average "
                f"{fixed(samples / max(samples - again, 1), 1)} in a row: more than noise explains, a crest is clipped. "
                "Lower the gain or the load."
            )
    return None


def repeats_of_noise(leg: LegSums, cells: Cells) -> int:
    """Samples at the extreme code from which on noise is no explanation.

    Far out, the tail of normal noise falls by exp(-z/s) a code at z standard deviations of s codes. What comes as far as
    the extreme code and no further does so with the chance 1 - exp(-z/s) each time, so k samples do with its k-th power.
    """
    sigma = max(cells.noise - 1 / 12, 0.0) ** 0.5
    stays = 1.0 - exp(-TAIL_SIGMA / max(sigma, 1.0))
    least = ceil(log(CLIP_CHANCE) / log(stays))
    if sigma >= 1.0:
        return least
    # Without noise a crest repeats its code all the same: a sine of a codes is within one of them for acos(1 - 1/a) of pi.
    height = max((leg.raw_max - leg.raw_min) / 2, 1.0)
    return max(least, ceil(DWELL_SPARE * leg.n * acos(1 - 1 / height) / pi))


def _stuck(leg: LegSums, conditions: Conditions) -> str | None:
    """A stretch of a pass at one code that is longer than its noise, and the torque's own crest, would stay there."""
    n, total, squares = (_in_order(leg, row) for row in (N, RAW, RAW_SQUARED))
    seen = n > 0
    n, total, squares = n[seen], total[seen], squares[seen]
    code = total // n
    single = (total == code * n) & (squares == code * total)
    variance = squares / n - (total / n) ** 2
    several = ~single & (n > 1)
    if not several.any() or not single.any():
        return None
    begins = ~single | np.concatenate(([True], ~single[:-1] | (code[1:] != code[:-1])))
    starts = np.flatnonzero(begins)
    samples = np.where(single[starts], np.add.reduceat(n, starts), 0)
    at = int(samples.argmax())
    noise = median(variance[several] * n[several] / (n[several] - 1))
    if samples[at] < _stays(leg, noise):
        return None
    bins = int(np.diff(starts, append=len(n))[at])
    level = (int(code[starts[at]]) - conditions.zero_count) * conditions.lsb_nm
    return (
        f"Torque is at one code, {quantity(level, 'N·m')}, over {fixed(bins * 360 / BINS, 1)} degrees of a pass and "
        f"{samples[at]} samples, and moves elsewhere: the channel was stuck or held its last value. Check cable and converter."
    )


def _in_order(leg: LegSums, row: int) -> Int64s:
    """Sums of a pass by angle bin in the order in which it passed them."""
    turned = np.roll(leg.sums[:, row, :: leg.direction], -_first_place(leg), axis=1)
    return np.asarray(turned.ravel(), np.int64)


def _first_place(leg: LegSums) -> int:
    """Where the first bin of a pass lies when its bins are read in its sense."""
    place = leg.first_bin % BINS
    return place if leg.direction > 0 else BINS - 1 - place


def _stays(leg: LegSums, noise: float) -> float:
    """Samples in a row at one code from which on neither noise of this variance nor a smooth crest is an explanation."""
    sigma = sqrt(max(noise - 1 / 12, 0.0))
    same = erf(0.5 / (sqrt(2.0) * sigma)) if sigma > 0 else 1.0
    if noise < DITHER_VARIANCE or same >= 1.0:
        height = max((leg.raw_max - leg.raw_min) / 2, 1.0)
        return DWELL_SPARE * leg.n * acos(1 - 1 / height) / pi
    return STUCK_SPARE * log(CLIP_CHANCE / leg.n) / log(same)


def _still(cells: Cells) -> str | None:
    """Angle bins in which the torque does not move although it does elsewhere."""
    quiet, known = cells.quiet, cells.dof >= STILL_DOF
    # Only where noise makes the variance, not the torque's own change across a bin: at a crest that change is absent.
    if quiet is None or not known.any() or quiet < NOISY_SHARE * median(cells.variance[known]):
        return None
    still = int(np.count_nonzero(cells.variance[known] < STILL_SHARE * quiet))
    if quiet <= 1.0 or still < STILL_BINS:
        return None
    return (
        f"The torque signal does not move in {still} of {len(cells.mean)} angle bins and is noisy in the others: clipped "
        "before its converter, or stuck for a while."
    )
