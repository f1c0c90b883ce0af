"""What waves over angle put into bins that are unevenly full: off their centres, and averaged over more or less of their width."""

import numpy as np

from nightturn.estimation.turns import Complex128s, Turns
from nightturn.model.tiles import Float64s, Int64s

TERMS = 5
"""Derivatives of the waves, the wave itself included."""


def in_bins(seen: Complex128s, orders: Int64s, turns: Turns, usual_rad2: float) -> tuple[Float64s, Float64s]:
    """The waves in every bin of every turn (revolutions, bins), and at the bin centres (bins,).

    `seen` (k,) are the amplitudes that a bin with the usual variance of its samples' angles sees. A series about the bin
    centre, of third order in the mean angle and of first in the variance.
    """
    bins = turns.bins
    terms = np.zeros((TERMS, bins // 2 + 1), np.complex128)
    turned = seen * np.exp(1j * orders * np.pi / bins) * (bins / 2)
    for power in range(TERMS):
        terms[power, orders] = turned * (1j * orders) ** power
    wave = np.fft.irfft(terms, bins, axis=1)
    offset, apart = turns.offset_rad, np.where(turns.n > 0, turns.spreads_rad2 - usual_rad2, 0.0)
    level = wave[0] + offset * (wave[1] + offset / 2 * (wave[2] + offset / 3 * wave[3]))
    bend = wave[2] + offset * (wave[3] + offset / 2 * wave[4])
    return np.asarray(level + apart / 2 * bend, np.float64), wave[0]


def uneven(turns: Turns, order: int, usual_rad2: float) -> float:
    """Share of a wave of this order by which bins differ in what they leave of it from the usual, root mean square."""
    total = max(float(turns.n.sum()), 1.0)
    apart = turns.spreads_rad2 - usual_rad2
    return order**2 / 2 * float(np.sqrt((turns.n * apart**2).sum() / total))
