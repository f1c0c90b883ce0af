"""Numbers for machines: no more digits than mean something, null for what is not finite."""

import math

from nightturn.model.quantities import round_to_digits

DIGITS = 6
"""Significant digits of a value whose uncertainty is not known."""
LARGEST = 300  # a power of ten: far above any unit's value, and below where rounding up overflows
UNCERTAINTY_DIGITS = 3
"""One more than people are shown, so that what readers work out from it does not suffer (JCGM 100:2008, 7.2.6)."""


def rounded(value: float | None, digits: int = DIGITS) -> float | None:
    """So many significant digits."""
    if value is None or not math.isfinite(value):
        return None
    shorter = round_to_digits(value, digits)
    return shorter if math.isfinite(shorter) else value  # the last before infinity has no shorter one


def rounded_beside(value: float | None, u: float | None) -> float | None:
    """To the last digit that its standard uncertainty is given to; `DIGITS` where it has none."""
    if value is None or not math.isfinite(value):
        return None
    if u is None or not math.isfinite(u) or u <= 0:
        return rounded(value)
    decimals = UNCERTAINTY_DIGITS - 1 - math.floor(math.log10(u))
    return round(value, decimals) if abs(value) < 10.0**LARGEST else value
