"""Declared orders that do not stand out alone: how much peak-to-peak may hide in them, and what that does to u.

A peak-to-peak of the significant orders alone is unbiased only while the rest are truly absent. Weak orders of a real
machine lie in the noise one by one and read the peak-to-peak low together.
"""

from dataclasses import dataclass
from math import hypot, sqrt

import numpy as np

from nightturn.estimation.quantiles import chi_square_quantile, coverage_factor
from nightturn.estimation.turns import Complex128s
from nightturn.estimation.waveform import PeakToPeak
from nightturn.model.tiles import Float64s, Int64s

SURE = 0.999
"""Confidence at which the declared orders together are said to be there although none stands out."""
SUSPECTED = 1.0
"""An excess of this many of its standard deviations is reckoned with, at its upper end: a weak order that happens to
seem large is kept, which leaves the rest too small."""
NOISY_SHARE = 0.05
"""Where the noise of these orders alone makes up this share of the peak-to-peak, an excess is always reckoned with."""
PP_PER_RMS = 4.5
"""Peak-to-peak of some orders of like size over their rms: 2.83 for one, 4.0 for two, up to 5.7 for four."""


@dataclass(frozen=True, slots=True)
class Hidden:
    """What the declared orders below the gate may hold.

    Attributes:
        rms_nm: of their power over what the noise explains; 0 when they hold no more than noise.
        sure: the excess is significant, not only possible.
        possible_pp_nm: peak-to-peak that they may add: the excess, and the noise where it is stronger at these orders
            than at the ones kept, so that the scatter of the kept ones says nothing about it.
    """

    rms_nm: float
    sure: bool
    possible_pp_nm: float


def hidden_orders(
    amplitudes: Complex128s, variance: Float64s, declared: frozenset[int], kept: Int64s, pp_nm: float
) -> Hidden:
    """Judge the declared orders that are not kept, all together.

    Without any signal Σ|c|²/variance over m orders is half a chi-square with 2m degrees of freedom. Shapes: amplitudes
    and variance E|c - c̄|² by order from 0; `pp_nm` is the peak-to-peak of the kept ones.
    """
    rest = np.array(sorted(declared - set(kept.tolist())), np.int64)
    rest = rest[variance[rest] > 0] if len(rest) else rest
    if len(rest) == 0:
        return Hidden(0.0, sure=False, possible_pp_nm=0.0)
    power, noise = np.abs(amplitudes[rest]) ** 2, variance[rest]
    # An amplitude of power s in noise of power v: |c|² has the mean s + v and the variance v² + 2 v s.
    excess = max(float((power - noise).sum()), 0.0)
    deviation = sqrt(float((noise**2 + 2 * noise * np.maximum(power - noise, 0.0)).sum()))
    noisy = PP_PER_RMS * sqrt(float(noise.sum()) / 2) > NOISY_SHARE * pp_nm
    possible = excess + deviation if noisy or excess > SUSPECTED * deviation else 0.0
    sure = 2 * float((power / noise).sum()) > chi_square_quantile(SURE, 2 * len(rest))
    usual = float(variance[kept].mean()) if len(kept) else float(np.median(variance[1:]))
    beyond = float(np.maximum(noise - usual, 0.0).sum())
    return Hidden(sqrt(excess / 2), sure and excess > 0, PP_PER_RMS * sqrt((possible + beyond) / 2))


def widened(peak: PeakToPeak, hidden: Hidden, nu: float) -> PeakToPeak:
    """The peak-to-peak with an uncertainty whose 95 % interval reaches what may hide."""
    return PeakToPeak(peak.value_nm, hypot(peak.u_nm, hidden.possible_pp_nm / coverage_factor(nu)))
