"""What declared orders may hold together where none of them stands out: how far a reading of nothing reaches."""

from math import sqrt

import numpy as np

from nightturn.estimation.turns import Complex128s
from nightturn.model.tiles import Float64s, Int64s

SUSPECTED = 1.0
"""An excess of this many of its standard deviations is reckoned with, at its upper end: a weak order that happens to
seem large is kept, which leaves the rest too small."""
NOISY_SHARE = 0.05
"""Where the noise of these orders alone makes up this share of the peak-to-peak, an excess is always reckoned with."""
PP_PER_RMS = 4.5
"""Peak-to-peak of some orders of like size over their rms: 2.83 for one, 4.0 for two, up to 5.7 for four."""


def hidden_pp(
    amplitudes: Complex128s, variance: Float64s, declared: frozenset[int], kept: Int64s, pp_nm: float
) -> float:
    """Peak-to-peak that the declared orders not kept may hold, N·m: their excess over the noise and its deviation.

    Shapes: amplitudes and variance E|c - c̄|² by order from 0; `pp_nm` is the peak-to-peak of the kept ones.
    """
    rest = np.array(sorted(declared - set(kept.tolist())), np.int64)
    rest = rest[variance[rest] > 0] if len(rest) else rest
    if len(rest) == 0:
        return 0.0
    power, noise = np.abs(amplitudes[rest]) ** 2, variance[rest]
    # An amplitude of power s in noise of power v: |c|² has the mean s + v and the variance v² + 2 v s.
    excess = max(float((power - noise).sum()), 0.0)
    deviation = sqrt(float((noise**2 + 2 * noise * np.maximum(power - noise, 0.0)).sum()))
    noisy = PP_PER_RMS * sqrt(float(noise.sum()) / 2) > NOISY_SHARE * pp_nm
    possible = excess + deviation if noisy or excess > SUSPECTED * deviation else 0.0
    return PP_PER_RMS * sqrt(possible / 2)
