"""Torque over one turn, by the passes of a cycle that turned one way, and its orders with the floor that noise makes.

For pictures and for who compares angle by angle: figures are made of fits, which know where inside a bin the samples lie and which
orders the noise can explain. Here an order is what the discrete Fourier transform of the mean turn gives.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from nightturn.estimation.turns import Bools, Turns, droop, highest_order
from nightturn.model.figures import Curve
from nightturn.model.phases import HOLD
from nightturn.model.tiles import Float64s

FORWARD, BACK = "forward", "back"
POINTS_MAX = 1024
"""Points of a turn, 0.35° apart: a third of a picture's pixels, 4 kB."""
ORDERS_MAX = 512
ALIKE_ORDERS = 8
"""Noise of so many orders on either side is averaged: two turns alone say little of one order's."""


@dataclass(frozen=True, slots=True)
class Laid:
    """A pass laid out over angle, and its torque (revolutions, bins) without the drift of the cycle."""

    turns: Turns
    torque_nm: Float64s


def curves_of(slow: Sequence[Laid], hold: Laid | None) -> tuple[Curve, ...]:
    """The curves of a cycle: unpowered passes forward and back, then the hold; a leg without a whole turn has none."""
    return tuple(_curves(slow, hold))


def _curves(slow: Sequence[Laid], hold: Laid | None) -> Iterator[Curve]:
    by_leg = {
        FORWARD: [each for each in slow if each.turns.direction > 0],
        BACK: [each for each in slow if each.turns.direction < 0],
        HOLD: [] if hold is None else [hold],
    }
    for leg, passes in by_leg.items():
        if any(each.turns.whole.any() for each in passes):
            yield _curve(leg, passes)


def _curve(leg: str, passes: Sequence[Laid]) -> Curve:
    n = np.concatenate([each.turns.n[each.turns.whole] for each in passes])
    torque = np.concatenate([each.torque_nm[each.turns.whole] for each in passes])
    count = n.sum(axis=0)
    mean = _mean(count, (n * torque).sum(axis=0))
    amplitude, floor = np.empty(0), np.empty(0)
    if count.all():
        amplitude, floor = _orders(np.where(n > 0, torque, mean), passes[0].turns)
    return Curve(
        leg=leg,
        direction=passes[0].turns.direction,
        turns=len(n),
        torque_nm=_packed(_reduced(count, mean, n > 0)),
        amplitude_nm=_packed(amplitude),
        floor_nm=_packed(floor),
    )


def _mean(count: Float64s, total: Float64s) -> Float64s:
    """Total by count, not a number where there is nothing."""
    mean = np.full(count.shape, np.nan)
    np.divide(total, count, out=mean, where=count > 0)
    return mean


def _reduced(count: Float64s, mean: Float64s, seen: Bools) -> Float64s:
    """The mean turn (bins,) on at most `POINTS_MAX` points."""
    bins = len(mean)
    share = max(bins // POINTS_MAX, 1)
    if share == 1:
        return mean
    there = seen.any(axis=0)
    shape = (bins // share, share)
    total = np.where(there, mean * count, 0.0).reshape(shape).sum(axis=1)
    return _mean(count.reshape(shape).sum(axis=1), total)


def _orders(turns_nm: Float64s, laid: Turns) -> tuple[Float64s, Float64s]:
    """Peak amplitude (orders,) of the mean of whole turns (turns, bins), and the amplitude that their scatter alone has there."""
    bins = turns_nm.shape[1]
    highest = min(ORDERS_MAX, highest_order(bins))
    spectra = np.fft.rfft(turns_nm, axis=1)[:, 1 : highest + 1] * (2.0 / bins)
    mean = spectra.mean(axis=0)
    left = droop(np.arange(1, highest + 1), laid.spread_rad2)
    count = len(spectra)
    if count < 2:
        return np.abs(mean) / left, np.empty(0)
    of_mean = (np.abs(spectra - mean) ** 2).sum(axis=0) / (count * (count - 1))
    return np.abs(mean) / left, np.sqrt(_smoothed(of_mean)) / left


def _smoothed(power: Float64s) -> Float64s:
    """Mean over the orders beside each."""
    window = np.ones(2 * ALIKE_ORDERS + 1)
    # `same` gives as long a result as the longer of the two, and so few orders are all alike.
    if len(power) <= len(window):
        return np.full(len(power), power.mean())
    return np.asarray(
        np.convolve(power, window, "same") / np.convolve(np.ones(len(power)), window, "same"), np.float64
    )


def _packed(values: Float64s) -> bytes:
    """As `Curve` keeps them."""
    return np.asarray(values, "<f4").tobytes()
