"""A torque that shifts in the middle of a pass and stays there: a loose contact, a zero that jumps, a load that slips.

Turns of one sense have one pattern over angle, so that two windows side by side differ by the same in each of them. Where in one
turn they differ by something else, and everywhere else do not, the torque moved there for another reason.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightturn.estimation.curves import Laid
from nightturn.estimation.quantiles import median
from nightturn.model.tiles import Float64s, Int64s

WINDOWS = 32
"""Windows in a turn; a shift is read as the difference of two of them."""
PLACES = 512
"""Places of a turn that are looked at, 16 a window."""
SEEN_SHARE = 0.9
"""Of its bins that a window must have seen."""
SHIFT_SIGMA = 8.0
"""Robust standard deviations of what turns differ by; noise of any kind and lines between the orders reach 6 (simulated)."""
STAYS = 0.75
"""Read over windows of half the width a shift is the same and a pulse, as of a spall, twice as large; the smaller part of it."""
NORMAL_OF_MEDIAN = 1.4826
"""Standard deviation of normal values over their median size."""


@dataclass(frozen=True, slots=True)
class Shift:
    """The largest shift of a phase, N·m, and the declared angle at which it came, degrees."""

    size_nm: float
    angle_deg: float


def shift_of(passes: Sequence[Laid], least_nm: float) -> Shift | None:
    """The largest shift that turns of one sense do not share; None without one, or without two turns of a sense.

    `least_nm` is what a converter's steps alone may move.
    """
    found: Shift | None = None
    for way in (1, -1):
        some = [each for each in passes if each.turns.direction == way]
        if (
            some
            and (here := _largest(some, least_nm)) is not None
            and (found is None or here.size_nm > found.size_nm)
        ):
            found = here
    return found


def _largest(passes: Sequence[Laid], least_nm: float) -> Shift | None:
    """The same for passes of one sense."""
    ways = [_way(each) for each in passes]
    wide, half = (np.concatenate([way.differences(each) for way in ways]) for each in (WINDOWS, 2 * WINDOWS))
    away, nearer = _away(wide), np.abs(_away(half))
    known: Float64s = away[np.isfinite(away)]
    if not len(known):
        return None
    spread = max(NORMAL_OF_MEDIAN * median(np.abs(known)), least_nm)
    size = np.where(np.isfinite(away), np.abs(away), 0.0)
    row, place = np.unravel_index(int(size.argmax()), size.shape)
    largest, places = float(size[row, place]), size.shape[1]
    near = max(places // (2 * WINDOWS), 1)
    beside = nearer[row, (place + np.arange(-near, near + 1)) % places]
    pulse = float(np.where(np.isfinite(beside), beside, 0.0).max())
    if largest < SHIFT_SIGMA * spread or largest < STAYS * pulse:
        return None
    return Shift(largest, float(place) * 360.0 / places)


@dataclass(frozen=True, slots=True)
class _Way:
    """A pass along its travel; `at` (turns, places) says which bin of the travel lies at which angle.

    Attributes:
        bins: in a turn. first, last: the first bin of the travel that was seen, and the one behind the last; both 0 without any.
        count, total: bins seen and their torque up to each bin of the travel, (bins of the travel + 1,).
    """

    bins: int
    at: Int64s
    first: int
    last: int
    count: Float64s
    total: Float64s

    def differences(self, windows: int) -> Float64s:
        """Mean of the window behind each place less that of the window before it, (turns, places); NaN where unknown."""
        wide = max(self.bins // windows, 1)
        inside = (self.at >= self.first + wide) & (self.at <= self.last - wide)
        mid = np.where(inside, self.at, wide)
        after, before, here = (self.count[each] for each in (mid + wide, mid - wide, mid))
        good = inside & (np.minimum(after - here, here - before) >= SEEN_SHARE * wide)
        step = self.total[mid + wide] - 2 * self.total[mid] + self.total[mid - wide]
        return np.asarray(np.where(good, step / wide, np.nan), np.float64)


def _way(laid: Laid) -> _Way:
    """A pass in the order of its travel."""
    turns = laid.turns
    rows, bins = turns.n.shape
    start = turns.first_bin % bins
    n, torque = (_travelled(each, start, turns.direction) for each in (turns.n, laid.torque_nm))
    there = np.flatnonzero(n)
    first, last = (int(there[0]), int(there[-1]) + 1) if len(there) else (0, 0)
    if len(there) < last - first:
        # Without its neighbours' value in its place a bin that lost its sample would leave a part of the pattern in a window.
        torque = np.interp(np.arange(rows * bins), there, torque[there])
    angles = np.arange(0, bins, max(bins // PLACES, 1))
    at = (angles - start) * turns.direction % bins + bins * np.arange(rows)[:, None]
    count, total = (np.concatenate(([0.0], np.cumsum(each))) for each in (n > 0, torque))
    return _Way(bins, at, first, last, count, total)


def _travelled(values: Float64s, start: int, way: int) -> Float64s:
    """Bins (turns, bins) one after the other in the order in which the shaft passes them from `start` on."""
    return np.asarray(np.roll(values[:, ::way], -start if way > 0 else start + 1, axis=1).ravel(), np.float64)


def _away(rows: Float64s) -> Float64s:
    """Each row less the mean of the others at the same angle, (rows, places); NaN where there is no other."""
    known = np.isfinite(rows)
    filled = np.where(known, rows, 0.0)
    others = known.sum(axis=0) - known
    mean = (filled.sum(axis=0) - filled) / np.maximum(others, 1)
    return np.asarray(np.where(known & (others > 0), rows - mean, np.nan), np.float64)
