"""What a converter's steps leave in the figures of a waveform where the noise is too small to carry samples over them.

A waveform that runs over many steps averages most of their errors by itself, a crest does not. How much is left follows from
the waveform, the noise and the orders that are fitted; only where in a step it lies is unknown. So its rounding is worked out
at several such places, and the rms over them is the standard uncertainty (JCGM 100:2008, 4.3; own method, checked by
simulation).
"""

import math
from typing import NamedTuple

import numpy as np

from nightturn.estimation.quantisation import expected_errors, rounding_counts
from nightturn.estimation.turns import Complex128s
from nightturn.estimation.waveform import POINTS, rebuild
from nightturn.model.tiles import Float64s, Int64s

DITHERED = 0.5
"""Noise in steps from which on their rounding averages out: 0.2 % of a step is left of a mean (see `rounding_counts`)."""
PLACES, SIZES = 5, 4
"""Places in a step, and heights that differ by less than one, at which a waveform is rounded."""
TABLE = 512
"""Points of the rounding's mean error over a step."""
WEAK = 0.05
"""Of a step: lines of rounding are smaller; with 1000 samples a turn 0.03 (simulated)."""
LEAST_COUNTS = 1e-9
POINTS_MAX = 4 * POINTS


class Waveform(NamedTuple):
    """Orders (k,), their amplitudes (k,) and what fainter orders add to peak to peak, in counts."""

    orders: Int64s
    amplitudes: Complex128s
    faint: float
    local: bool


class Undithered(NamedTuple):
    """Standard uncertainties, in counts, that the steps leave.

    Of peak to peak, rms, mean over a turn of one pass, and of the mean at one place.
    """

    peak: float = 0.0
    rms: float = 0.0
    mean: float = 0.0
    place: float = 0.0


DITHER_THERE = Undithered()


def undithered(
    read: Waveform, of: Waveform, noise: float, samples: float, apart: float | None = None, sign: int = 1
) -> Undithered:
    """What the steps leave of a waveform `read` with so many samples a turn, in the peak to peak of the waveform `of`.

    That is half of the sum (`sign` = 1) or difference (-1) of two directions whose levels are `apart` counts, None for one
    direction; the rest is of one pass. Where something at one angle makes the crest, one place stands for each end, and no
    order averages over others.
    """
    if noise >= DITHERED:
        return DITHER_THERE
    strong = np.abs(read.amplitudes) > WEAK
    least = 2 * (int(max(read.orders.max(initial=0), of.orders.max(initial=0))) + 1)
    points = 2 * int(np.clip(samples, least, POINTS_MAX) // 2)
    wave = rebuild(read.orders[strong], read.amplitudes[strong], points)
    weights, rms, span = _ends(of, points), float(wave.std()), float(np.ptp(wave))
    errors = expected_errors(noise, TABLE)
    squares = np.zeros(3)
    for size in range(SIZES):
        grown = wave * (1 + size / SIZES / max(span, 1.0))
        for place in range(PLACES):
            one = _rounded(errors, grown + place / PLACES)
            other = one if apart is None else _rounded(errors, grown + place / PLACES + apart)
            end = float((one + sign * other) @ weights) / 2
            along = float(one @ wave) / points / max(rms, LEAST_COUNTS)
            squares += np.square((end, along, float(one.mean())))
    peak, of_rms, mean = np.sqrt(squares / (SIZES * PLACES)).tolist()
    at_one = rounding_counts(noise)
    peak = math.sqrt(2) * at_one if of.local else math.hypot(peak, _of_weak_lines(of) / math.sqrt(3))
    # Samples that fall on the same angles in every turn are one draw of their errors.
    draw = at_one / math.sqrt(points)
    return Undithered(peak, math.hypot(of_rms, draw), math.hypot(mean, draw), at_one)


def _of_weak_lines(of: Waveform) -> float:
    """What lines that rounding can make add to peak to peak: between none of it and all of it is false."""
    strong = np.abs(of.amplitudes) > WEAK
    whole = rebuild(of.orders, of.amplitudes)
    without = rebuild(of.orders[strong], of.amplitudes[strong])
    return abs(float(np.ptp(whole) - np.ptp(without))) + of.faint


def _rounded(errors: Float64s, counts: Float64s) -> Float64s:
    """Mean errors of rounding at these torques, from the table of one step."""
    return errors[(counts % 1.0 * TABLE).astype(np.int64) % TABLE]


def _ends(of: Waveform, points: int) -> Float64s:
    """Weights (points,) of the errors over a turn in highest minus lowest value of the orders fitted to it."""
    wave = rebuild(of.orders, of.amplitudes, points)
    turn = 2j * np.pi / points
    ends = np.exp(-of.orders * int(wave.argmax()) * turn) - np.exp(-of.orders * int(wave.argmin()) * turn)
    return rebuild(of.orders, ends, points) * (2 / points)
