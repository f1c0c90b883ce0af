"""Peak-to-peak of a waveform of which only noisy orders are known: its expectation and its standard uncertainty.

The largest of many values that are almost alike is no smooth function of the orders: noise raises it, and orders too
small to stand out raise it as well. Both are worked out by trying: the waveform is rebuilt many times with noise of the
known size and with faint orders of the likely size. The numbers tried are always the same.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache, partial

import numpy as np

from nightturn.estimation.families import Faint
from nightturn.estimation.localised import Localised, local_wave, local_zone
from nightturn.estimation.turns import Bools, Complex128s
from nightturn.estimation.waveform import PeakToPeak, peak_to_peak, rebuild
from nightturn.model.tiles import Float64s, Int64s

TRIALS = 48
"""Half of them mirror images of the other half; u is known to 7 %, as from 96 measurements."""
TRIALS_AT_ONCE = 8
SEED = 20
"""Of the fixed numbers; any other gives figures that differ by a tenth of their u."""
POINTS_PER_PERIOD = 6
"""Differences of peaks between waveforms are wanted here, not the peaks: coarser than where these are read."""
LEAST_POINTS = 1024
NONE_LIKELIER = 0.5
"""Minus the exponent of that density: with 0.25 one order alone read 0.51 % high at 6 mN·m, with 0.5 0.44 % (8 cycles each)."""
ROUNDING = 1e-9
"""An amplitude below this share of the largest is rounding."""
SHARE_STEPS = 256
"""Steps between 0 and 1 in which the density of a share is tabulated."""
ALL_ANGLES = 8
"""Orders at which a trial over all angles by a transform takes as long as one wave after the other."""


@dataclass(frozen=True, slots=True)
class Lines:
    """Orders that are taken as they are: amplitudes (k,) and the variance (k,) of one component of each."""

    orders: Int64s
    amplitudes: Complex128s
    variance: Float64s


@lru_cache(maxsize=16)
def _normal(columns: int) -> Complex128s:
    """Complex normal numbers (TRIALS, columns), unit variance of each component; the same in every process."""
    from scipy.special import ndtri

    # Raw words of a named generator do not change between versions of numpy; its normal numbers may. The second half is
    # the first mirrored, so that a waveform and its mirror image get the same figure.
    words = np.random.PCG64(SEED).random_raw(TRIALS * columns)
    uniform = ((words >> np.uint64(11)).astype(np.float64) + 0.5) / 2.0**53
    real, imag = ndtri(uniform).reshape(2, TRIALS // 2, columns)
    return np.asarray(np.concatenate((real + 1j * imag, real - 1j * imag)))


@lru_cache(maxsize=1)
def _even() -> Float64s:
    """TRIALS even steps between 0 and 1 in a fixed random order, the same for both halves of the trials."""
    half = TRIALS // 2
    order = np.argsort(np.random.PCG64(SEED + 1).random_raw(half), kind="stable")
    return np.tile((order + 0.5) / half, 2)


def _along(amplitudes: Complex128s) -> Complex128s:
    """Unit vectors along the amplitudes: noise put on along them turns with the angle's zero and with the polarity."""
    size = np.abs(amplitudes)
    # What was taken out of the waveform, such as hum, is there as rounding, whose direction no two machines share.
    real = size > ROUNDING * size.max(initial=0.0)
    return np.where(real, amplitudes / np.where(real, size, 1.0), 1.0)


def _signal_shares(faint: Faint) -> Float64s:
    """How much of the power of each group is no noise: (TRIALS, groups) shares, spread as what was read allows.

    The power of m lines of which x is signal is gamma distributed: the likelihood of x is (1 - x)^m e^{x m P} with P the
    mean power over the noise's; divided by the chance 1 - e^{-(1 - x) G} of a line to stay below the gate G, because those
    above it were taken out. Beforehand x has the density x^(-1/2) (of the kind of W. E. Strawderman, Ann. Math. Stat. 42,
    1971, 385-388; from memory).
    """
    x = (np.arange(SHARE_STEPS) + 0.5) / SHARE_STEPS
    power, lines = (faint.counts * faint.power)[:, None], faint.counts[:, None]
    seen = -np.expm1(-(1.0 - x) * faint.gates[:, None])
    density = lines * (np.log1p(-x) - np.log(seen)) + x * power - NONE_LIKELIER * np.log(x)
    # Before anything was measured a group is as likely to hold nothing at all; x^(-1/2) alone made one order read 0.4 % high.
    nothing = -lines[:, 0] * np.log(-np.expm1(-faint.gates)) + np.log(faint.nothing / (1.0 - faint.nothing))
    density += np.log(0.5 / SHARE_STEPS)
    top = np.maximum(density.max(axis=1), nothing)
    atom = np.exp(nothing - top)
    summed = np.cumsum(np.exp(density - top[:, None]), axis=1)
    even = _even()
    drawn = [
        np.interp(even * (none + row[-1]) - none, np.append(0.0, row), np.append(0.0, x))
        for none, row in zip(atom.tolist(), summed, strict=True)
    ]
    shares = np.stack(drawn, axis=1)
    # Only the ends of the waveform matter here; a share s there is of a power that stands to the noise's as ends·s to 1 - s.
    return np.asarray(faint.ends * shares / (1.0 + (faint.ends - 1.0) * shares))


def _faint_amplitudes(faint: Faint) -> Complex128s:
    """Amplitudes (TRIALS, m) of the faint orders as they may be, given what was read of them."""
    shares = _signal_shares(faint)
    spread = np.sqrt(faint.noise / 2) * _along(faint.amplitudes)
    around = _normal(len(faint.orders)) * spread
    around *= np.sqrt(shares)[:, faint.groups]
    around += shares[:, faint.groups] * faint.amplitudes
    return around


class _Waves:
    """Waveforms of trials, some at a time, on even angles: orders (k,) with amplitudes (TRIALS, k)."""

    def __init__(self, orders: Int64s, amplitudes: Complex128s, points: int) -> None:
        self._orders, self._amplitudes = orders, amplitudes * (points / 2)
        # Used again and again: memory that was just written is in the processor's cache.
        self._spectrum = np.zeros((TRIALS_AT_ONCE, points // 2 + 1), np.complex128)
        self._out = np.empty((TRIALS_AT_ONCE, points))

    def of(self, part: slice) -> Float64s:
        """The waveforms of these trials, until the next call."""
        self._spectrum[:, self._orders] = self._amplitudes[part]
        return np.fft.irfft(self._spectrum, self._out.shape[1], axis=1, out=self._out)


class _WavesAt:
    """The same at some of the angles only."""

    def __init__(self, orders: Int64s, amplitudes: Complex128s, points: int, places: Int64s) -> None:
        turned = _roots(points)[orders[:, None] * places % points]
        self._waves = amplitudes.real @ turned.real - amplitudes.imag @ turned.imag

    def of(self, part: slice) -> Float64s:
        """The waveforms of these trials."""
        return np.asarray(self._waves[part], np.float64)


@lru_cache(maxsize=8)
def _roots(points: int) -> Complex128s:
    """e^{jθ} on even angles from 0; read only."""
    out = np.asarray(np.exp(2j * np.pi / points * np.arange(points)), np.complex128)
    out.flags.writeable = False
    return out


def _places(base: Float64s, noise: Complex128s, added: Complex128s) -> Int64s | None:
    """The angles at which an extreme of any trial can be, with their neighbours; None where it is quicker to look at all.

    No waveform is further from `base` than the sum of the amplitudes (TRIALS, k) put on it.
    """
    points = len(base)
    most = float((np.abs(noise).sum(1) + np.abs(added).sum(1)).max())
    reach = 2 * most + ROUNDING * float(np.ptp(base))
    near = (base >= base.max() - reach) | (base <= base.min() + reach)
    near |= np.roll(near, 1) | np.roll(near, -1)
    places = np.flatnonzero(near)
    quicker = len(places) * (noise.shape[1] + added.shape[1]) <= ALL_ANGLES * points
    return places if quicker else None


def _spans(waves: Float64s) -> Float64s:
    """Peak-to-peak of each row, the extremes refined by a parabola through three points."""
    rows = np.arange(len(waves))
    points = waves.shape[1]

    def refined(at: Int64s) -> Float64s:
        before, here, after = (waves[rows, (at + i) % points] for i in (-1, 0, 1))
        bend = before - 2 * here + after
        safe = np.where(bend == 0.0, 1.0, bend)
        return np.asarray(here - np.where(bend == 0.0, 0.0, (before - after) ** 2 / (8 * safe)))

    return refined(waves.argmax(1)) - refined(waves.argmin(1))


def expected_peak_to_peak(lines: Lines, faint: Faint, local: Localised | None = None) -> PeakToPeak:
    """Peak-to-peak freed of what noise adds to it, with what faint orders add to it."""
    plain = peak_to_peak(lines.orders, lines.amplitudes, lines.variance, local)
    if len(lines.orders) == 0 and local is None:
        return plain
    tallest = max(int(lines.orders.max(initial=1)), int(faint.orders.max(initial=1)))
    points = LEAST_POINTS
    while points < POINTS_PER_PERIOD * tallest:
        points *= 2
    base = rebuild(lines.orders, lines.amplitudes, points)
    if local is not None:
        base = base + local_wave(local, points)
    alone = float(_spans(base[None])[0])
    (without, up, down), shown = _tried(base, lines, faint, local)
    both = np.concatenate((up, down))
    # Noise is in what was read already, once; put on a second time it raises the expectation by as much again.
    value = 2 * float(without.mean()) - float(both.mean()) + plain.value_nm - alone
    u = float(both.std(ddof=1)) if local else _spread(lines, base, shown, up, down)
    made = max(float(without.mean()) - alone, 0.0)
    return PeakToPeak(max(value, 0.0), u if local is None else float(np.hypot(u, local.shape_u_nm)), made)


def _tried(base: Float64s, lines: Lines, faint: Faint, local: Localised | None) -> tuple[Float64s, Float64s]:
    """Peak-to-peak of every trial without noise, with it and with its mirror image: (3, TRIALS).

    With them comes by how much the noise of every trial moves the two extremes of `base` apart: (TRIALS,).
    """
    points, ends = len(base), np.array([int(base.argmax()), int(base.argmin())])
    noise = _noise(lines.variance, lines.amplitudes)
    added = _faint_amplitudes(faint) if len(faint.orders) else np.zeros((TRIALS, 0), np.complex128)
    places = _places(base, noise, added) if local is None else None
    waves_of: Callable[..., _Waves | _WavesAt] = _Waves
    at_once = TRIALS_AT_ONCE
    if places is not None:
        waves_of, at_once = partial(_WavesAt, places=places), TRIALS
        base, ends = base[places], np.searchsorted(places, ends)
    noises = waves_of(lines.orders, noise, points)
    faints = waves_of(faint.orders, added, points) if len(faint.orders) else None
    own = None if local is None else _local_noise(local, points)
    out, waves, shown = np.empty((3, TRIALS)), np.empty((3, at_once, len(base))), np.empty(TRIALS)
    for first in range(0, TRIALS, at_once):
        part = slice(first, first + at_once)
        some = noises.of(part)
        if own is not None:
            np.copyto(some, own[0].of(part), where=own[1])
        shown[part] = some[:, ends[0]] - some[:, ends[1]]
        waves[0] = base
        if faints is not None:
            waves[0] += faints.of(part)
        np.add(waves[0], some, out=waves[1])
        np.subtract(waves[0], some, out=waves[2])
        out[:, part] = _spans(waves.reshape(-1, len(base))).reshape(3, -1)
    return out, shown


def _noise(variance: Float64s, amplitudes: Complex128s) -> Complex128s:
    """Noise (TRIALS, k) on amplitudes (k,) with the variance (k,) of one component of each."""
    return np.asarray(_normal(len(amplitudes)) * (np.sqrt(variance) * _along(amplitudes)), np.complex128)


def _local_noise(local: Localised, points: int) -> tuple[_Waves, Bools]:
    """The noise of a deviation at one angle, and where it stands in place of the orders' noise."""
    orders = np.arange(1, min(len(local.noise), points // 2))
    noise = _noise(local.noise[orders] / 2, local.spectrum[orders])
    return _Waves(orders, noise, points), local_zone(local, points)


def _spread(lines: Lines, base: Float64s, shown: Float64s, up: Float64s, down: Float64s) -> float:
    """Standard deviation of the spans with noise (TRIALS,) put on and taken off, rid of what the numbers tried are off by.

    Mirrored trials say nothing new of a spread, so that 48 know it to 14 %, and a waveform keeps its share of that in every
    cycle. Of the difference between the two extremes of the waveform without noise, `shown` (TRIALS,), the variance is known:
    as much of the spread as goes with it is set right (a control variate; any textbook of simulation, no source).
    """
    turns = lines.orders[:, None] * np.array([int(base.argmax()), int(base.argmin())]) / len(base)
    ends = np.exp(2j * np.pi * turns)
    known = float(lines.variance @ np.abs(ends[:, 0] - ends[:, 1]) ** 2)
    tried = float(shown @ shown) / len(shown)
    spread = float(np.concatenate((up, down)).var(ddof=1))
    if tried > 0:
        along = float((up - down) @ shown) / (2 * float(shown @ shown))
        spread = max(spread + along**2 * (known - tried), spread / 4)
    return float(np.sqrt(spread))
