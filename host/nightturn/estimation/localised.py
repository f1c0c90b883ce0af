"""A deviation at one angle that repeats every turn without being an order: found, cut out of the orders, described."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from nightturn.estimation.order_fit import OrderFit, model_of
from nightturn.estimation.quantiles import median
from nightturn.estimation.turns import Bools, Complex128s, Turns
from nightturn.model.tiles import Float64s

Reading = TypeVar("Reading")

LOCAL_WIDTH_DEG = 0.6
LOCAL_Z = 4.9
"""A residual this many standard errors high anywhere is localised (0 false in 100 cycles, 1 in 1e6 per cell)."""
LOCAL_SHARES = (0.3, 0.05)
"""Rounds of cutting out: deviations down to this share of the largest. A defect spoils every order a little, and what is left
of the orders everywhere would be taken for more of it in a single round."""
LOCAL_MOST = 0.25
"""What deviates over more of a turn than this share is no defect at an angle."""
LOCAL_TURNS = 3
"""Fewer turns have no usable scatter for the localised-residual test."""
REPEATED_SHARE = 0.5
"""The median of the turns must show this share of the mean's deviation."""
SETTLED_S = 2.0
"""So long after a pass began its coupling may still ring: what only such turns show is no defect (common practice, no source)."""
SEEN_BESIDE = 4
"""Widths of the filter over which it shows what is beside."""
PLACES = 8
"""Places looked at, the likeliest first; a start that rings must not hide a defect elsewhere."""
SMOOTH_DEG = 0.2
"""What is added of a localised residual is smoothed this much, so that noise does not stand on top of it."""
SMOOTH_PASSES = 6
"""One pass takes 9.5 % off a Gaussian of 1 degree (full width at half height); 1 - (1 - G)^6 takes 0.1 %."""
COARSE_PASSES = 3
"""What the height would be with these few says how far the smoothing can be wrong."""


@dataclass(frozen=True, slots=True)
class Localised:
    """A deviation at one angle that the orders do not explain.

    Attributes:
        angle_deg, width_deg, height_nm: where, how wide above half its significance, how high (signed).
        shape_u_nm: standard uncertainty of the height from the smoothing.
        zones: (bins,) the bins' left edges at which it is added to the waveform.
        spectrum, noise: (orders,) its complex amplitudes by order from 0 before it is cut to the zones, and their
            E|c - c̄|².
    """

    angle_deg: float
    width_deg: float
    height_nm: float
    shape_u_nm: float
    zones: Bools
    spectrum: Complex128s
    noise: Float64s

    @property
    def noise_nm(self) -> float:
        """Standard deviation of the noise that stands on it."""
        return float(np.sqrt(self.noise.sum() / 2))


def localised_in(
    ways: Sequence[Complex128s], settled: Sequence[Bools], of_mean: Float64s, bins: int, share: float
) -> Localised | None:
    """What is left of the mean turn after its orders, where it stands out of its noise at one angle; else None.

    Shapes: for each direction what is left of its turns (turns, orders), by order from 0, and where they had settled (turns, bins);
    their mean's noise E|c - c̄|². z = the residual filtered to 0.6 degrees / its standard error, which is alike at all angles;
    `share` of the largest z is the least that is taken.
    """
    # From the turns' differences order by order, because slow noise is common to a whole stretch of angle: a scatter of
    # single bins flagged 99 of 100 cycles without a defect (simulated, 1 mN·m of 1/f noise).
    spectrum = np.asarray(sum(way.mean(0) for way in ways) / len(ways), np.complex128)
    noise = of_mean.copy()
    spectrum[0], noise[0] = 0.0, 0.0
    gain = np.exp(-0.5 * (np.arange(len(spectrum)) * np.radians(LOCAL_WIDTH_DEG)) ** 2)
    error = float(np.sqrt((gain**2 * noise).sum() / 2)) or 1e-300
    z = _repeated(np.abs(_wave(spectrum * gain, bins)) / error, ways, settled, gain)
    return None if z is None else _described(z, spectrum, noise, share)


def _repeated(
    z: Float64s, ways: Sequence[Complex128s], settled: Sequence[Bools], gain: Float64s
) -> Float64s | None:
    """The z (bins,) without the places that the usual turn does not show; None where none is left."""
    bins, orders = len(z), np.arange(len(gain))
    for _ in range(PLACES):
        at = int(z.argmax())
        if float(z[at]) <= LOCAL_Z:
            return None
        to_angle = gain * np.exp(2j * np.pi / bins * at * orders)
        each = [(way @ to_angle).real - way[:, 0].real for way in ways]
        if _usual(each, [some[:, at] for some in settled]):
            return z
        z = np.where(_zones(z, float(z[at]), LOCAL_Z / 2), 0.0, z)
    return None


def _described(z: Float64s, spectrum: Complex128s, noise: Float64s, share: float) -> Localised | None:
    """Where, how wide and how high the deviation is that z (bins,) shows; None where it is not at one angle."""
    bins, orders = len(z), np.arange(len(spectrum))
    rough = 1.0 - np.exp(-0.5 * (orders * np.radians(SMOOTH_DEG)) ** 2)
    fine, coarse = 1.0 - rough**SMOOTH_PASSES, 1.0 - rough**COARSE_PASSES
    rounded = _wave(spectrum * coarse, bins)
    spectrum, noise = spectrum * fine, noise * fine**2
    least = max(LOCAL_Z, share * float(z.max()))
    # Where noise is so low that what a defect leaves of the orders stands out everywhere, its half height bounds it.
    for foot in (LOCAL_Z / 2, least / 2):
        zones = _widened(_zones(z, least, foot), int(np.ceil(LOCAL_WIDTH_DEG / 360 * bins)))
        if float(zones.mean()) <= LOCAL_MOST:
            break
    else:
        return None
    added = np.where(zones, _wave(spectrum, bins), 0.0)
    peak = int(np.abs(added).argmax())
    return Localised(
        angle_deg=peak * 360.0 / bins,
        width_deg=_run_length(z > least / 2, peak) * 360.0 / bins,
        height_nm=float(added[peak]),
        shape_u_nm=float(abs(added[peak] - rounded[peak]) / np.sqrt(3.0)),
        zones=zones,
        spectrum=np.asarray(spectrum, np.complex128),
        noise=np.asarray(noise, np.float64),
    )


def defects_apart(
    first: Reading,
    local_in: Callable[[Reading, float], Localised | None],
    cut: Callable[[Reading, Bools], Reading],
) -> tuple[Reading, Localised | None]:
    """A reading of the orders without what is at one angle only, and that: either both or neither.

    `local_in` looks for a deviation down to a share of the largest in what a reading leaves of the turns, `cut` reads the
    orders again with zones (bins,) filled by what a reading says.
    """
    found, local = first, None
    for share in LOCAL_SHARES:
        here = local_in(found, share)
        if here is None:
            break
        without = cut(found, here.zones)
        left = local_in(without, share)
        if left is None:
            break
        found, local = without, left
    return found, local


def _usual(each: Sequence[Float64s], settled: Sequence[Bools]) -> bool:
    """Whether the usual turn shows what the mean turn does: a spike in one turn is no defect of the unit, nor is a start.

    `each` are the turns' values at one angle by direction, (turns,), and which of them had settled there; where none had, all of
    that direction count. A direction alone says nothing: cogging holds friction and friction cogging until both are joined.
    """
    mean = sum(float(values.mean()) for values in each)
    calm = [
        values[some if some.any() else ...] * np.sign(mean)
        for values, some in zip(each, settled, strict=True)
    ]
    usual = sum(median(values) for values in calm)
    # The median of two is their mean: one direction's spike would pass for the usual turn.
    means = [float(values.mean()) for values in calm]
    left_out = [
        float(np.delete(v, int(v.argmax())).mean()) if len(v) > 1 else own
        for v, own in zip(calm, means, strict=True)
    ]
    least = min(usual, sum(means) - max(own - left for own, left in zip(means, left_out, strict=True)))
    return bool(least >= REPEATED_SHARE * abs(mean))


def settled_in(turns: Sequence[Turns]) -> Bools:
    """(whole turns, bins) of some legs: where the shaft had turned long enough that no start rings in the torque any more."""
    return np.concatenate([_settled(each) for each in turns])


def _settled(turns: Turns) -> Bools:
    began = float(np.min(turns.time_s, where=turns.n > 0, initial=np.inf))
    rings = ((turns.n > 0) & (turns.time_s - began <= SETTLED_S))[turns.whole]
    # What is looked at is filtered over angle: a start is seen beside it as well.
    reach = int(np.ceil(SEEN_BESIDE * LOCAL_WIDTH_DEG / 360 * turns.bins))
    return ~np.array([_widened(row, reach) for row in rings], np.bool_).reshape(rings.shape)


def local_zone(local: Localised, points: int) -> Bools:
    """Which of `points` even angles from 0 lie in its zones."""
    bins = len(local.zones)
    return np.asarray(local.zones[(np.arange(points) * bins + points // 2) // points % bins], np.bool_)


def local_wave(local: Localised, points: int) -> Float64s:
    """The deviation on `points` even angles from 0, nothing outside its zones."""
    return np.where(local_zone(local, points), _wave(local.spectrum, points), 0.0)


def cut_out(turns: Turns, torque_nm: Float64s, fit: OrderFit, zones: Bools, shift_rad: float) -> Float64s:
    """A leg whose zones (seen at `shift_rad` more) hold what the orders say instead: torque (revolutions, bins)."""
    bins = turns.bins
    moved = np.roll(zones, round(shift_rad / (2 * np.pi) * bins))
    model = model_of(fit, turns)
    rest = np.where(turns.n > 0, torque_nm - model, 0.0)
    outside, count = rest @ ~moved, np.count_nonzero((turns.n > 0) & ~moved, axis=1)
    # The end of a pass may lie in the zone with all of its bins; its level is then that of the whole leg.
    level = float(outside.sum()) / max(int(count.sum()), 1)
    own = np.where(count > 0, outside / np.maximum(count, 1), level)
    return np.where(moved & (turns.n > 0), model + own[:, None], torque_nm)


def _wave(spectrum: Complex128s, points: int) -> Float64s:
    """The waveform of amplitudes by order from 0."""
    return np.fft.irfft(spectrum[: points // 2 + 1] * (points / 2), points)


def _zones(z: Float64s, least: float, foot: float) -> Bools:
    """Bins above `foot` that are connected to one from the least that counts as a deviation."""
    near = z > foot
    begins = near & ~np.roll(near, 1)
    if not begins.any():
        return near & bool((z >= least).any())
    # Runs of bins numbered from 1; the first bins may belong to the last run, because a turn is a circle.
    run = np.cumsum(begins)
    run[run == 0] = run[-1]
    hit = np.zeros(int(run[-1]) + 1, np.bool_)
    hit[run[z >= least]] = True
    return near & hit[run]


def _widened(zones: Bools, by: int) -> Bools:
    """The zones with this many bins more at either side."""
    around = np.concatenate((zones[len(zones) - by :], zones, zones[:by]))
    passed = np.concatenate(([0], np.cumsum(around)))
    return np.asarray(passed[2 * by + 1 :] > passed[: len(zones)], np.bool_)


def _run_length(zones: Bools, at: int) -> int:
    """How many neighbouring bins of the zone hold the one at `at`."""
    n = len(zones)
    if bool(zones.all()):
        return n
    length = 1
    for step in (1, -1):
        place = (at + step) % n
        while zones[place]:
            length += 1
            place = (place + step) % n
    return length
