"""Breakaway: the largest torque that opposes a start from rest, and whether a start was slow enough to show it."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from nightturn.estimation.cogging import Cogging
from nightturn.estimation.conditions import Conditions
from nightturn.estimation.least_squares import factored
from nightturn.estimation.starts import ENCODER, RAW, N, StartSums
from nightturn.estimation.turns import Bools
from nightturn.model.tiles import Float64s

SECTOR_RAD = float(np.radians(3.0))
"""Travel from rest within which the peak lies: some presliding lengths of half a degree."""
REST_SLOTS = 10
"""Slots at rest before the shaft moves, from which its place is taken."""
STILL_RAD = float(np.radians(0.003))
"""How far a shaft at rest may creep meanwhile, beside two counts of the encoder."""
FILLED_SHARE = 0.5
"""A slot with fewer of its samples is left out."""
SPEED_MAX_RAD_S = 0.025
"""Of the shaft at the peak: half of a Stribeck speed of 0.05 rad/s (an assumption, nobody declares one). Starts at 0.02 rad/s read
1 to 5 % low, at 0.1 rad/s up to 25 % (simulated)."""
INERTIA_SHARE = 0.02
"""Of friction that inertia may add."""
SLOWEST_RAD_S2 = 100.0
"""Acceleration of which every unit is capable with its rated torque: what bounds its inertia (common practice, no source)."""
RISE_SHARE = 0.01
"""Of the peak that presliding may still lack at the end of what was seen."""
DWELL_MIN_S = 0.5
"""A shorter standstill is a reversal."""
REACH = 3
"""Slots on either side over which speed and acceleration are taken; slots of a half by which its peak is smoothed."""


@dataclass(frozen=True, slots=True)
class Break:
    """One start: peak N·m of what opposes it, where and after how long a rest, and how the shaft moved at the peak.

    `inertia_nm` is the most that the unit's inertia may add there; `whole` whether presliding was over; `uneven_nm2` by how much the
    torque varies behind it without being noise: cogging, friction over angle and speed that were taken off by halves.
    """

    peak_nm: float
    angle_rad: float
    dwell_s: float
    speed_rad_s: float
    inertia_nm: float
    whole: bool
    uneven_nm2: float

    @property
    def slow(self) -> bool:
        """Whether the shaft was slow enough for static friction to show."""
        return self.speed_rad_s <= SPEED_MAX_RAD_S

    def steady(self, friction_nm: float) -> bool:
        """Whether the unit's inertia adds too little to matter."""
        return self.inertia_nm <= INERTIA_SHARE * friction_nm

    def fit(self, friction_nm: float) -> bool:
        """Whether the start shows a breakaway."""
        return self.whole and self.slow and self.steady(friction_nm)


def breaks_of(
    starts: Sequence[StartSums], cogging: Cogging, zero_nm: float, conditions: Conditions
) -> tuple[Break, ...]:
    """Every start that was seen from rest on to three degrees, or as far as the sums go.

    The peak is found in every other slot and read in those between them, both ways: the largest of many noisy values is too
    large, the value at a place that other noise chose is not (sample splitting; common practice, no source).
    """
    found = (_break_of(start, cogging, zero_nm, conditions) for start in starts)
    return tuple(each for each in found if each is not None)


def _break_of(start: StartSums, cogging: Cogging, zero_nm: float, conditions: Conditions) -> Break | None:
    slot_s = start.slot_samples / conditions.rate_hz
    dwell_s = (start.index - start.rest_from) / conditions.rate_hz
    full: Bools = start.sums[N] >= FILLED_SHARE * start.slot_samples
    seen = np.flatnonzero(full)
    if dwell_s < DWELL_MIN_S or len(seen) < 3 * REST_SLOTS or len(seen) != seen[-1] - seen[0] + 1:
        return None
    per_count = conditions.sense * 2 * np.pi / conditions.counts_per_rev
    angle = start.sums[ENCODER, seen] / start.sums[N, seen] * per_count
    still = _still(angle, STILL_RAD + 2 * abs(per_count))
    if still is None:
        return None
    seen, angle = seen[still:], angle[still:]
    way = start.direction * conditions.sense
    torque = (
        start.sums[RAW, seen] / start.sums[N, seen] - conditions.zero_count
    ) * conditions.lsb_nm - zero_nm
    turned = way * (angle - angle[:REST_SLOTS].mean())
    inside = int(np.count_nonzero(turned <= SECTOR_RAD))
    wave = np.exp(1j * angle[:inside, None] * cogging.orders) @ cogging.amplitudes
    opposing = -way * (torque[:inside] - wave.real)
    at, peak_nm = _peak(opposing)
    speed, acceleration = _motion(turned[:inside], at, slot_s)
    most = conditions.rated_torque_nm / SLOWEST_RAD_S2
    return Break(
        peak_nm=peak_nm,
        angle_rad=float(angle[0] % (2 * np.pi)),
        dwell_s=dwell_s,
        speed_rad_s=speed,
        inertia_nm=most * acceleration,
        whole=_left_to_rise(turned[:inside], opposing) <= RISE_SHARE * peak_nm,
        uneven_nm2=_uneven(opposing[inside * 2 // 3 :]),
    )


def _still(angle: Float64s, most_rad: float) -> int | None:
    """The last slots in which the shaft does not turn by more than this: the first of them, None where it never rests."""
    count = len(angle) - REST_SLOTS + 1
    windows = np.stack([angle[first : first + count] for first in range(REST_SLOTS)])
    still = np.flatnonzero(np.ptp(windows, axis=0) <= most_rad)
    return int(still[-1]) if len(still) else None


def _peak(opposing: Float64s) -> tuple[int, float]:
    """Place and height of the peak, each half's place read in the other half."""
    even, odd = _halves(opposing)
    places = int(even.argmax()), int(odd.argmax())
    return sum(places) + REACH, float(odd[places[0]] + even[places[1]]) / 2


def _uneven(opposing: Float64s) -> float:
    """Variance that both halves of the slots share, which noise has not."""
    if len(opposing) < 4 * REACH:
        return 0.0
    even, odd = _halves(opposing)
    return float(((even - even.mean()) * (odd - odd.mean())).mean())


def _halves(values: Float64s) -> tuple[Float64s, Float64s]:
    """Every other slot and those between them, smoothed; of one length."""
    window = np.full(REACH, 1.0 / REACH)
    length = len(values) // 2 * 2
    even, odd = (np.convolve(values[first:length:2], window, "valid") for first in (0, 1))
    return even, odd


def _left_to_rise(turned: Float64s, opposing: Float64s) -> float:
    """How much further the torque would rise behind the last slot, N·m.

    In presliding it nears its height by exp(-travel / length) (Dahl's model; P. R. Dahl, AIAA Journal 14(12), 1976, 1675-1682;
    from memory), so that means over thirds of the travel differ by less and less, each time by the same factor.
    """
    end = float(turned[-1])
    third = (
        np.clip(turned / end * 3, 0.0, 2.0).astype(np.int64) if end > 0 else np.zeros(len(turned), np.int64)
    )
    counts = np.bincount(third, minlength=3)
    if not counts.all():
        return float("inf")
    low, middle, high = np.bincount(third, weights=opposing, minlength=3) / counts
    if high <= middle:
        return 0.0
    if middle <= low or high - middle >= middle - low:
        return float("inf")
    factor = (high - middle) / (middle - low)
    return float((high - middle) * factor / (1 - factor) * factor**0.5)


def _motion(turned: Float64s, at: int, slot_s: float) -> tuple[float, float]:
    """Speed and size of the acceleration about a slot, by a parabola through the slots near it."""
    low, high = max(at - 2 * REACH, 0), min(at + 2 * REACH + 1, len(turned))
    bend, slope = _parabola(low - at, high - at) @ turned[low:high]
    return float(slope) / slot_s, abs(2 * float(bend)) / slot_s**2


@lru_cache(maxsize=(4 * REACH + 2) ** 2)
def _parabola(first: int, end: int) -> Float64s:
    """What makes bend and slope at 0 of values at first, first + 1, ... by least squares; (2, end - first), read only."""
    out = factored(np.vander(np.arange(float(first), end), 3)).solve(np.eye(end - first))[:2]
    out.flags.writeable = False
    return np.asarray(out, np.float64)
