"""Comparing a figure with a limit so that the last bits do not decide.

The same samples give figures that differ by some 1e-13 between machines, because their libraries add in another order.
Both sides are therefore rounded before they are compared. What lies exactly on its limit, which happens where limits and
figures are round numbers, is then decided alike everywhere. No rounding can do more: it moves the point at which a
decision turns from the limit to half a step of the last digit beside it. A value within some 1e-13 of that point can
still fall on either side, one in some 1e12 values that are spread over their own size. It lies `at_limit`, and says so.
"""

import math

from nightturn.model.quantities import round_to_digits

DIGITS = 10
"""Significant digits of a decision."""
NEAR = 1e-9
"""Relative; wider than half a step of the last digit."""
AT_LIMIT = "within 1e-9 of its limit"


def settled(value: float) -> float:
    """The value as it is compared: rounded to the digits of a decision."""
    return round_to_digits(value, DIGITS)


def exceeds(value: float, limit: float) -> bool:
    """Whether a value is beyond an upper limit; one on its limit is not."""
    return settled(value) > settled(limit)


def at_limit(value: float, limit: float) -> bool:
    """Whether the last digits could decide."""
    return math.isclose(value, limit, rel_tol=NEAR)
