"""Mean torque by parts of turns, with its time and its place along the travel: what friction, zero and mean torque rest on."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightturn.estimation.order_fit import OrderFit, pattern
from nightturn.estimation.turns import Turns
from nightturn.model.tiles import Float64s, Int64s

PARTS_MAX = 16
"""Parts of a turn at most."""
ROWS_MAX = 64
"""Means kept of some legs at most, so that a cycle is finished in time; more turns than that are joined."""
COLUMNS = ("group", "part", "leg", "torque_nm", "time_s", "turned", "duration_s", "variance")
PART_SHARE = 0.6
"""Share of its bins that a part must hold to count."""


@dataclass(frozen=True, slots=True)
class Levels:
    """Means of parts of turns in N·m; every field has one row for each, shape (rows,).

    Attributes:
        group: which pattern over angle it belongs to: 0, 1, ... in the order of the groups given.
        part: which part of the turn, counted along the travel.
        leg: number of the leg, over all groups.
        torque_nm, time_s: means over the part's bins, each bin counting once; turned: mean angle in turns, unwrapped.
        duration_s: how long the shaft took through the part.
        variance: of the mean from white noise, N²·m².
        turns: whole turns behind all rows, by group; legs: how many legs they are of.
    """

    group: Int64s
    part: Int64s
    leg: Int64s
    torque_nm: Float64s
    time_s: Float64s
    turned: Float64s
    duration_s: Float64s
    variance: Float64s
    turns: tuple[int, ...]
    legs: tuple[int, ...]

    @property
    def white(self) -> float:
        """Power of the white noise for each unit of time, N²·m²·s: alike in legs of the same noise and rate."""
        return float((self.variance * self.duration_s).mean())


@dataclass(frozen=True, slots=True)
class _Laid:
    """The whole turns of a group, bins in the order of travel: (rows, bins), and what they differ by.

    `away` is the torque without pattern and less `average` (bins,), the mean of every bin over the turns with each turn's
    own level taken off. `squares` and `degrees` are of the noise of a sample.
    """

    leg: Int64s
    seen: Float64s
    away: Float64s
    average: Float64s
    time_s: Float64s
    turned: Float64s
    inverse: Float64s
    squares: float
    degrees: float


def levels_of(
    groups: Sequence[tuple[Sequence[Turns], OrderFit]], least_variance: float, rows_max: int = ROWS_MAX
) -> Levels | None:
    """Means of parts of turns of legs that share a pattern, group by group; None without a whole turn.

    The fitted pattern comes off first, so that missing bins cannot bias a mean. `least_variance` is that of a sample
    which rounding alone leaves.
    """
    rows = sum(int(leg.whole.sum()) for legs, _ in groups for leg in legs)
    if rows == 0:
        return None
    parts = PARTS_MAX
    while parts > 1 and rows * parts > rows_max:
        parts //= 2
    joined = -(-rows // rows_max)
    first, laid = 0, []
    for legs, fit in groups:
        laid.append(_lay(legs, fit, first))
        first += len(legs)
    squares, degrees = sum(each.squares for each in laid), sum(each.degrees for each in laid)
    variance = max(squares / degrees if degrees else 0.0, least_variance)
    made = [_rows(each, number, parts, joined, variance) for number, each in enumerate(laid)]
    return _named(
        [np.concatenate(column) for column in zip(*made, strict=True)],
        tuple(len(each.leg) for each in laid),
        tuple(len(legs) for legs, _ in groups),
    )


def followed(first: Levels, second: Levels) -> Levels:
    """Both, with the groups and legs of the second counted on from those of the first."""
    counted = {"group": len(first.turns), "leg": sum(first.legs)}
    columns = [
        np.concatenate((getattr(first, name), getattr(second, name) + counted.get(name, 0)))
        for name in COLUMNS
    ]
    return _named(columns, first.turns + second.turns, first.legs + second.legs)


def _named(columns: list[Float64s], turns: tuple[int, ...], legs: tuple[int, ...]) -> Levels:
    """Levels of columns in the order of `COLUMNS`."""
    group, part, leg = (column.astype(np.int64) for column in columns[:3])
    torque, time, turned, duration, variance = columns[3:]
    return Levels(group, part, leg, torque, time, turned, duration, variance, turns, legs)


def _lay(legs: Sequence[Turns], fit: OrderFit, first_leg: int) -> _Laid:
    """Whole turns without the fitted pattern, from where the group's first leg began on."""
    bins, way = legs[0].bins, legs[0].direction
    level, slope = pattern(fit, bins)
    start = legs[0].first_bin % bins
    numbers, counts, torques, times, turned = [], [], [], [], []
    for number, leg in enumerate(legs):
        use = leg.whole
        numbers.append(np.full(int(use.sum()), first_leg + number))
        counts.append(_travelled(leg.n[use], start, way))
        torques.append(_travelled(leg.torque_nm[use] - slope * leg.offset_rad[use] - level, start, way))
        times.append(_travelled(leg.time_s[use], start, way))
        # A leg that began elsewhere has its turns begin there too.
        travelled = (np.arange(bins) + way * (legs[0].first_bin - leg.first_bin)) % bins
        turned.append((leg.first_bin + 0.5 + way * (np.flatnonzero(use)[:, None] * bins + travelled)) / bins)
    n, torque = np.concatenate(counts), np.concatenate(torques)
    seen = (n > 0).astype(np.float64)
    row = np.einsum("rb,rb->r", seen, torque) / seen.sum(1)
    own = seen * (torque - row[:, None])
    times_seen = seen.sum(0)
    average = own.sum(0) / np.maximum(times_seen, 1)
    rest = seen * (own - average)
    # What drifts within a turn is no noise of a sample: a bend of the drift made that of one sense twice that of the other.
    time = np.concatenate(times)
    away_s = seen * (time - (np.einsum("rb,rb->r", seen, time) / seen.sum(1))[:, None])
    slope_nm_s = np.einsum("rb,rb->r", away_s, rest) / np.einsum("rb,rb->r", away_s, away_s)
    noise = rest - slope_nm_s[:, None] * away_s
    return _Laid(
        leg=np.concatenate(numbers),
        seen=seen,
        away=rest + seen * row[:, None],
        average=average,
        time_s=time,
        turned=np.concatenate(turned),
        inverse=1 / np.maximum(n, 1),
        squares=float(np.einsum("rb,rb,rb->", n, noise, noise)),
        degrees=max(float(seen.sum() - np.count_nonzero(times_seen) - 2 * len(row) + 2), 0.0),
    )


def _travelled(values: Float64s, start: int, way: int) -> Float64s:
    """Bins (rows, bins) in the order in which the shaft passes them from `start` on."""
    if way < 0:
        values, start = values[:, ::-1], values.shape[1] - 1 - start
    return np.concatenate((values[:, start:], values[:, :start]), axis=1)


def _rows(laid: _Laid, group: int, parts: int, joined: int, variance: float) -> list[Float64s]:
    """One row for each part of each turn, or of `joined` turns of a leg."""
    rows, bins = laid.seen.shape
    shape = (rows, parts, bins // parts)
    seen = laid.seen.reshape(shape)
    count = seen.sum(2)
    some = np.maximum(count, 1)

    def mean(values: Float64s) -> Float64s:
        return np.asarray(np.einsum("rpb,rpb->rp", seen, values.reshape(shape)) / some)

    # A turn's holes are filled with what the other turns of the group have there.
    known = (laid.seen.sum(0) > 0).reshape(parts, -1).sum(1)
    filled = laid.average.reshape(parts, -1).sum(1) / np.maximum(known, 1)
    times = mean(laid.time_s)
    good = (count >= PART_SHARE * known) & (count > 0)
    # The first and the last bin of a turn are the ends of its time.
    duration = np.ptp(np.where(laid.seen > 0, laid.time_s, times.mean(1)[:, None]), axis=1) / parts
    out = [
        np.broadcast_to(group, good.shape),
        np.broadcast_to(np.arange(parts), good.shape),
        np.broadcast_to(laid.leg[:, None], good.shape),
        mean(laid.away) + filled,
        times,
        mean(laid.turned),
        np.broadcast_to(duration[:, None], good.shape),
        variance * mean(laid.inverse) / some,
    ]
    columns = [np.asarray(each[good], np.float64) for each in out]
    return columns if joined == 1 else _join(columns, joined)


def _join(columns: list[Float64s], joined: int) -> list[Float64s]:
    """Neighbouring turns of a leg as one row; only where a turn has one part."""
    legs = columns[2]
    place = np.concatenate([np.arange(int((legs == leg).sum())) // joined for leg in np.unique(legs)])
    key = np.unique(np.stack((legs, place)), axis=1, return_inverse=True)[1].ravel()
    count = np.bincount(key).astype(np.float64)
    means = [np.bincount(key, weights=column) / count for column in columns]
    means[6] *= count
    means[7] /= count
    return means
