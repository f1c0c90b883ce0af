"""Within what accepted units lie, value by value: a tolerance band of a normal population, or for few units what they span.

Both sides are the one-sided limit of `tolerance.factor`. Amplitudes are taken by their logarithms, because they are positive and scatter by ratios
(common practice, no source).
"""

from dataclasses import dataclass

import numpy as np

from nightturn.estimation.tolerance import UNITS_MIN, factor
from nightturn.model.tiles import Float64s

ORDER_SHARE = 0.999
"""Of the units' amplitudes of one order; of 512 orders 5 % would lie outside a band of 95 % by chance."""


@dataclass(frozen=True, slots=True)
class Envelope:
    """Values (n,) between which units lie.

    Attributes:
        low, high: of each value. middle: the mean of the units, geometric where logarithms were taken.
        units: how many are behind it.
    """

    low: Float64s
    high: Float64s
    middle: Float64s
    units: int

    @property
    def tolerance(self) -> bool:
        """Whether it says what to expect of other units; else it is what these few span."""
        return self.units >= UNITS_MIN


def envelope(values: Float64s, share: float, *, by_ratio: bool) -> Envelope | None:
    """The envelope of units (units, n); None without a unit.

    Args:
        values: one row a unit, positive where `by_ratio`.
        share: of such units that lie within, on either side, with 95 % confidence.
        by_ratio: take logarithms.
    """
    count = len(values)
    if not count:
        return None
    found = np.log(values) if by_ratio else values
    middle, low, high = found.mean(axis=0), found.min(axis=0), found.max(axis=0)
    if count >= UNITS_MIN:
        wide = factor(count, share) * found.std(axis=0, ddof=1)
        low, high = middle - wide, middle + wide
    back = np.exp if by_ratio else np.asarray
    return Envelope(back(low), back(high), back(middle), count)
