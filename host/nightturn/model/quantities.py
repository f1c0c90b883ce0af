"""Numbers with their units as people read them, made in one place for terminal, MQTT, report and page.

A value is given to the second significant digit of its ± (JCGM 100:2008, 7.2.6), both in one unit whose prefix suits the
larger of value and limit. No exponent, no "-0.000", a true minus.
"""

import math

PREFIXED = {"N·m": ((1.0, "N·m", 1.0), (1e-3, "mN·m", 1e3), (0.0, "µN·m", 1e6))}
"""Unit -> from which size on another prefix suits: (smallest size, unit, factor); other units stay as they are."""
DECIMALS_MAX = 9
DIGITS = 4
"""Significant digits of a value without a ±."""
INTERVAL_DIGITS = 2
NONE = "none yet"


def interval(value: float, half_width: float, unit: str, *, beside: float = 0.0) -> str:
    """`115.43 ± 0.22 mN·m`.

    Args:
        value: in `unit`.
        half_width: of the 95 % interval, in `unit`.
        unit: N·m, %, rpm…
        beside: a limit that is printed beside it with `quantity`, so that both get one unit.
    """
    prefixed, factor = _prefix(max(abs(value), abs(beside)), unit)
    value, half_width = value * factor, half_width * factor
    if not math.isfinite(half_width):
        return f"{_significant(value, DIGITS)} {prefixed}, ± not known"
    if half_width <= 0:
        return f"{_significant(value, DIGITS)} ± 0 {prefixed}"
    decimals = _decimals(half_width, INTERVAL_DIGITS)
    return f"{_fixed(value, decimals)} ± {_fixed(half_width, decimals)} {prefixed}"


def quantity(value: float, unit: str, *, digits: int = DIGITS, beside: float = 0.0) -> str:
    """`150 mN·m`: trailing zeros left out, in the unit that suits the larger of it and what it is printed `beside`."""
    prefixed, factor = _prefix(max(abs(value), abs(beside)), unit)
    text = _significant(value * factor, digits)
    return f"{text.rstrip('0').rstrip('.') if '.' in text else text} {prefixed}"


def _prefix(size: float, unit: str) -> tuple[str, float]:
    for least, prefixed, factor in PREFIXED.get(unit, ()):
        if size >= least * (1 - 1e-12):
            return (unit, 1.0) if size == 0 else (prefixed, factor)
    return unit, 1.0


def _significant(value: float, digits: int) -> str:
    return _fixed(value, _decimals(abs(value), digits)) if value else "0"


def _decimals(size: float, digits: int) -> int:
    """Decimals that show so many digits of a size, counted after rounding: 0.0996 to two digits is 0.10."""
    exponent = int(f"{size:.{digits - 1}e}".partition("e")[2])
    return min(max(digits - 1 - exponent, 0), DECIMALS_MAX)


def _fixed(value: float, decimals: int) -> str:
    text = f"{abs(value):.{decimals}f}"
    negative = value < 0 and any(digit in "123456789" for digit in text)
    return f"\N{MINUS SIGN}{text}" if negative else text
