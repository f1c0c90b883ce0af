"""Time stamps of samples as the numbers that the samples had: rate, gaps, and stamps that were not taken evenly."""

from dataclasses import dataclass

import numpy as np

from nightturn.errors import InsufficientSamplesError
from nightturn.model.quantities import fixed, number, quantity
from nightturn.model.tiles import Float64s, Int64s

RATE_HZ_MIN = 100
UNEVEN = 0.25
"""Steps of time may be off a whole number of sample periods by this share of one; beyond, the stamps scatter."""
SCATTER_MAX = 3.0
"""Stamps may lie this many sample periods off an even grid; beyond, nobody knows which sample is which."""
SCATTERED_SHARE = 1e-3
"""Of all stamps, that may lie further off."""
RATE_SPARE = 5e-4
"""A clock may be this far off the nominal rate that it is read as."""
EXACT_RATE = 1e-6
WINDOW = 25
"""Stamps whose median says where the grid is, where single ones scatter."""
WINDOW_MAX = 1000
WINDOW_OF_SCATTER = 25.0
"""Stamps on either side of a gap, as a share of the scatter squared: their means are then known to a twentieth of a period."""
GAP_MIN = 0.6
"""A grid that moves by this many periods from one window to the next has lost a sample."""
ROUNDS = 3
RATES_APART = 0.1
"""The rate between gaps and that over long windows, gaps included, are nearer than this share."""
NEAR_PEAK = 10
"""A gap lies at the largest step so near to where the means part."""
BATCHED_SHARE = 0.02
"""Long steps as a share of all; gaps that are real are rarer, or shorter than what lies between them."""
TOO_COARSE = (("milliseconds", 10**3), ("microseconds", 10**6), ("nanoseconds", 10**9))


@dataclass(frozen=True, slots=True)
class Stamps:
    """Nominal rate, each sample's number counted from time 0 as far as the times tell, and what has to be said."""

    rate_hz: int
    index: Int64s
    notes: tuple[str, ...] = ()


def sample_rate(time: Float64s) -> Stamps:
    """Number the samples by their times, s.

    Even stamps are counted step by step. Where they scatter, the means on either side say how far the grid has moved: a
    lost sample moves it for good, a stamp that came late does not.

    Raises:
        ValueError: time does not rise, or scatters by more than a few sample periods.
        InsufficientSamplesError: too few samples a second.
    """
    steps = np.diff(time)
    back = np.flatnonzero(steps <= 0)
    if len(back):
        raise ValueError(f"time_s does not rise: {time[back[0]]} is followed by {time[back[0] + 1]}")
    middle = float(np.median(steps))
    near = steps[steps < 1.5 * middle]
    measured = len(near) / float(near.sum())
    _check_rate(measured, middle)
    periods = steps * measured
    whole = np.maximum(np.rint(periods), 1.0)
    notes: tuple[str, ...] = ()
    even = np.abs(periods - whole) <= np.maximum(UNEVEN, whole * RATE_SPARE)
    if even.all() and not _in_batches(whole):
        numbers, rate_hz = np.cumsum(whole.astype(np.int64)), _nominal(measured)
    else:
        numbers, measured, scatter = _scattered(time)
        _check_rate(measured, middle)
        rate_hz = _nominal(measured)
        text = (
            f"time_s scatters by {quantity(scatter / measured, 's', digits=2)} rms about an even grid of "
            f"{number(rate_hz)} samples a second; the samples are numbered by that grid"
        )
        notes = (text,)
    first = np.array([round(float(time[0]) * rate_hz)], np.int64)
    return Stamps(rate_hz, np.concatenate((first, first + numbers)), notes)


def _in_batches(whole: Float64s) -> bool:
    """Whether stamps come close together with long steps between, again and again: those of arrivals, not of samples."""
    return float(whole.sum()) > 2 * len(whole) and float((whole > 1).mean()) > BATCHED_SHARE


def _check_rate(measured_hz: float, step: float) -> None:
    """Refuse fewer samples than a figure needs.

    Raises:
        InsufficientSamplesError: says which unit the times look like.
    """
    if measured_hz >= RATE_HZ_MIN:
        return
    text = f"{quantity(measured_hz, 'samples a second', digits=3)}; at least {RATE_HZ_MIN} are needed"
    for unit, factor in TOO_COARSE:
        if measured_hz * factor >= RATE_HZ_MIN:
            raise InsufficientSamplesError(
                f"{text}. time_s steps by {number(step, 3)} from sample to sample, which looks like {unit}: "
                f"give seconds, time / {factor:_}"
            )
    raise InsufficientSamplesError(text)


def _scattered(time: Float64s) -> tuple[Int64s, float, float]:
    """Numbers from 1 of all samples but the first, whose stamps scatter; their rate, Hz; the scatter in periods, rms.

    Gaps are looked for again at the rate that the stretches between them have.

    Raises:
        ValueError: the scatter is too large.
    """
    typical_hz = _typical_rate(time)
    since = time - time[0]
    late = since * typical_hz - np.arange(len(time))
    steps = np.diff(late, prepend=0.0)
    # Of a step that is larger than any scatter the surplus is lost for sure; the rest is looked for like a short gap.
    sure: Int64s = np.floor(np.maximum(steps - 2 * SCATTER_MAX, 0.0)).astype(np.int64)
    late -= np.cumsum(sure)
    middle = _running_median(late)
    single = np.clip(late - middle, -SCATTER_MAX, SCATTER_MAX)
    width = _window(float(single.std()), len(time))
    rate_hz, gaps = typical_hz, sure
    for _ in range(ROUNDS):
        moved = _moved(middle + single + since * (rate_hz - typical_hz), width)
        gaps = sure + _short_gaps(moved, steps, width)
        rate_hz = _rate_between(time, gaps)
    numbers = np.arange(len(time)) + np.cumsum(gaps)
    if (
        abs(rate_hz - typical_hz) > RATES_APART * typical_hz
    ):  # batches that no grid holds: each looks like a gap
        rate_hz, numbers = typical_hz, np.arange(len(time))
    off = since * rate_hz - numbers
    off -= _running_mean(off)
    if np.count_nonzero(np.abs(off) > SCATTER_MAX) > SCATTERED_SHARE * len(off):
        raise ValueError(
            f"time_s is not evenly sampled: stamps lie up to {fixed(float(np.abs(off).max()), 1)} sample periods off an "
            f"even grid of {number(rate_hz, 4)} samples a second; give the times of the samples, not those of their arrival"
        )
    return numbers[1:], rate_hz, float(np.sqrt((off * off).mean()))


def _typical_rate(time: Float64s) -> float:
    """Samples a second where none are missing: by the median over windows, in which the scatter of single stamps averages out."""
    window = max(1, min(WINDOW_MAX, len(time) // 8))
    return window / float(np.median(time[window:] - time[:-window]))


def _rate_between(time: Float64s, gaps: Int64s) -> float:
    """Samples a second by the slope that all stretches between gaps share (least squares)."""
    stretch = np.cumsum(gaps > 0)
    count = np.bincount(stretch).astype(np.float64)
    at = np.arange(len(time), dtype=np.float64)
    at -= (np.bincount(stretch, at) / count)[stretch]
    since = time - time[0]
    since -= (np.bincount(stretch, since) / count)[stretch]
    return float(at @ at) / float(at @ since)


def _short_gaps(moved: Float64s, steps: Float64s, width: int) -> Int64s:
    """How many samples were lost before each one, shape (n,), from how far the grid moves there.

    The step of a gap is a triangle in `moved`; where two of them overlap, the smaller one shows when the larger is taken
    off.
    """
    from scipy.signal import find_peaks

    places, sizes, left = np.zeros(0, np.int64), np.zeros(0), moved
    for _ in range(ROUNDS):
        peaks, _ = find_peaks(left, height=GAP_MIN, distance=width)
        more = [place for place in peaks.tolist() if not (np.abs(places - place) < width / 4).any()]
        if not more:
            break
        places = np.sort(np.concatenate((places, np.array(more, np.int64))))
        sizes = _sizes(places, moved, width)
        left = moved.copy()
        for place, size in zip(places.tolist(), sizes.tolist(), strict=True):
            a, b = max(place - width, 0), min(place + width + 1, len(left))
            left[a:b] -= size * (1 - np.abs(np.arange(a, b) - place) / width)
    out = np.zeros(len(moved), np.int64)
    for place, size in zip(places.tolist(), np.rint(sizes).astype(np.int64).tolist(), strict=True):
        if size > 0:
            start = max(place - NEAR_PEAK, 1)
            out[start + int(steps[start : place + NEAR_PEAK + 1].argmax())] += size
    return out


def _sizes(places: Int64s, moved: Float64s, width: int) -> Float64s:
    """By how much the grid moves at each place: gaps nearer than the window show in each other's step."""
    out = np.zeros(len(places))
    first = 0
    for group in np.split(places, np.flatnonzero(np.diff(places) >= width) + 1):
        share = np.maximum(1 - np.abs(group[:, None] - group) / width, 0.0)
        out[first : first + len(group)] = np.linalg.solve(share, moved[group])
        first += len(group)
    return out


def _window(scatter: float, samples: int) -> int:
    """Stamps on either side that are averaged."""
    return max(2, min(max(WINDOW, int(WINDOW_OF_SCATTER * scatter**2 * WINDOW)), WINDOW_MAX, samples // 4))


def _moved(late: Float64s, width: int) -> Float64s:
    """Mean of the next `width` values less that of the last ones, without what the whole array drifts by; 0 at both ends."""
    out = np.zeros(len(late))
    sums = np.concatenate(([0.0], np.cumsum(late - late.mean())))
    ahead, behind = sums[2 * width :] - sums[width:-width], sums[width:-width] - sums[: -2 * width]
    moved = (ahead - behind) / width
    out[width : len(late) - width + 1] = moved - np.median(moved)
    return out


def _running_median(values: Float64s) -> Float64s:
    from scipy.ndimage import median_filter

    return np.asarray(median_filter(values, WINDOW, mode="nearest"), np.float64)


def _running_mean(values: Float64s) -> Float64s:
    from scipy.ndimage import uniform_filter1d

    return np.asarray(uniform_filter1d(values, WINDOW_MAX, mode="nearest"), np.float64)


def _nominal(measured_hz: float) -> int:
    """The rate that somebody would write down: the roundest number that the clock may mean."""
    nearest = round(measured_hz)
    if abs(measured_hz - nearest) <= EXACT_RATE * measured_hz:
        return nearest
    step = 1
    while True:
        rounder = round(measured_hz / (step * 10)) * step * 10
        if not rounder or abs(rounder - measured_hz) > RATE_SPARE * measured_hz:
            return round(measured_hz / step) * step
        step *= 10
