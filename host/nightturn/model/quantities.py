"""Numbers with their units as people read them, made in one place for terminal, MQTT, report and page.

A value is given to the second significant digit of its ± (JCGM 100:2008, 7.2.6), both in one unit whose prefix suits the
larger of value and limit. No exponent, no "-0.000", a true minus.
"""

import math
from decimal import Decimal

PREFIXED = {"N·m": ((1.0, "N·m", 1.0), (1e-3, "mN·m", 1e3), (0.0, "µN·m", 1e6))}
"""Unit -> from which size on another prefix suits: (smallest size, unit, factor); other units stay as they are."""
BYTES = ((10**12, "TB"), (10**9, "GB"), (10**6, "MB"), (10**3, "kB"))
DECIMALS_MAX = 9
NUMBER_DIGITS = 6
DIGITS = 4
"""Significant digits of a value without a ±."""
INTERVAL_DIGITS = 2
NONE = "none yet"
SUPERSCRIPTS = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
WITHOUT_POWER = (1e-3, 1e3)


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


def deviation(value: float, half_width: float, unit: str) -> str:
    """`+0.0021 ± 0.0042 %`: how far something is from what it should be, with its sign."""
    text = interval(value, half_width, unit)
    return f"+{text}" if value > 0 else text


def quantity(value: float, unit: str, *, digits: int = DIGITS, beside: float = 0.0) -> str:
    """`150 mN·m`: trailing zeros left out, in the unit that suits the larger of it and what it is printed `beside`."""
    prefixed, factor = _prefix(max(abs(value), abs(beside)), unit)
    return f"{number(value * factor, digits)} {prefixed}"


def span(low: float, high: float, unit: str, *, digits: int = DIGITS) -> str:
    """`−0.5 to 20 N·m`: two ends in the unit that suits the larger."""
    prefixed, factor = _prefix(max(abs(low), abs(high)), unit)
    return f"{number(low * factor, digits)} to {number(high * factor, digits)} {prefixed}"


def fixed(value: float, decimals: int, *, signed: bool = False) -> str:
    """`55.1` with so many decimals, whatever its size; what rounds to nothing has no sign."""
    text = _fixed(value, decimals)
    return f"+{text}" if signed and value >= 0 else text


def number(value: float, digits: int = NUMBER_DIGITS) -> str:
    """`0.00012` to so many significant digits, trailing zeros left out."""
    return _stripped(_significant(value, digits))


def significant(value: float, digits: int, *, zeros: bool = True) -> str:
    """`0.08910`: so many significant digits with their zeros, however small; whole numbers in full; `nan`, `inf`."""
    if not math.isfinite(value):
        return _fixed(value, 0)
    magnitude = abs(value)
    text = f"{Decimal(f'{magnitude:#.{digits}g}'):f}" if magnitude < 10**digits else f"{magnitude:.0f}"
    return f"{_minus(value, text)}{text if zeros else _stripped(text)}"


def scientific(value: float, digits: int = INTERVAL_DIGITS) -> str:
    """`2.2 × 10⁻⁴`, for what may be of any size; from a thousandth to a thousand as `significant` gives it."""
    least, most = WITHOUT_POWER
    if value == 0 or not math.isfinite(value) or least <= abs(value) < most:
        return significant(value, digits)
    mantissa, _, exponent = f"{abs(value):.{digits - 1}e}".partition("e")
    power = f"10{str(int(exponent)).translate(SUPERSCRIPTS)}"
    return f"{_minus(value, mantissa)}{power if float(mantissa) == digits == 1 else f'{mantissa} × {power}'}"


def rounded_down(value: float) -> str:
    """Three digits of a positive limit that are still allowed."""
    step = 10.0 ** (math.floor(math.log10(value)) - 2)
    return number(math.floor(value / step + 1e-9) * step, 3)


def typed(value: float) -> str:
    """A number as a person writes it into a rig file: all its digits and the minus of a keyboard."""
    return _stripped(f"{Decimal(repr(value)):f}")


def round_to_digits(value: float, digits: int) -> float:
    """The value to so many significant digits, for what is compared or kept and not read."""
    return float(f"{value:.{digits}g}")


def bytes_text(count: int) -> str:
    """`134.2 MB`, in powers of ten (IEC 80000-13)."""
    size, unit = next(((least, unit) for least, unit in BYTES if count >= least), (1, "bytes"))
    return f"{count} bytes" if size == 1 else quantity(count / size, unit)


def _prefix(size: float, unit: str) -> tuple[str, float]:
    for least, prefixed, factor in PREFIXED.get(unit, ()):
        if size >= least * (1 - 1e-12):
            return (unit, 1.0) if size == 0 else (prefixed, factor)
    return unit, 1.0


def _significant(value: float, digits: int) -> str:
    if not value or not math.isfinite(value):
        return _fixed(value, 0)
    return _fixed(value, max(_decimals(abs(value), digits), 0))


def _decimals(size: float, digits: int) -> int:
    """Decimals that show so many digits of a size, counted after rounding: 0.0996 to two digits is 0.10; -1 stands for tens."""
    exponent = int(f"{size:.{digits - 1}e}".partition("e")[2])
    return min(digits - 1 - exponent, DECIMALS_MAX)


def _fixed(value: float, decimals: int) -> str:
    text = f"{round(abs(value), decimals):.{max(decimals, 0)}f}"
    return f"{_minus(value, text)}{text}"


def _minus(value: float, text: str) -> str:
    """The sign before the text of its magnitude: what rounds to nothing has none."""
    return "\N{MINUS SIGN}" if value < 0 and text.strip("0.") else ""


def _stripped(text: str) -> str:
    return text.rstrip("0").rstrip(".") if "." in text else text
