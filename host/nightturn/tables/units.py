"""Units as people and instruments write them, and the unit inside a column's name."""

import math
import re
from dataclasses import dataclass

TIME, VOLTAGE, RATIO, TORQUE, ANGLE, COUNT = "time", "voltage", "ratio", "torque", "angle", "count"
MASS = "mass"


@dataclass(frozen=True, slots=True)
class Unit:
    """What a column is of: value · `factor` is in s, V, mV/V, N·m, kg, rad or counts, by `of`."""

    text: str
    of: str
    factor: float


_SPELT: dict[str, tuple[str, float, tuple[str, ...]]] = {
    "s": (TIME, 1.0, ("s", "sec", "secs", "second", "seconds")),
    "ms": (TIME, 1e-3, ("ms", "msec", "millisecond", "milliseconds")),
    "µs": (TIME, 1e-6, ("us", "usec", "microsecond", "microseconds")),
    "ns": (TIME, 1e-9, ("ns", "nsec", "nanoseconds")),
    "min": (TIME, 60.0, ("min", "minutes")),
    "V": (VOLTAGE, 1.0, ("v", "volt", "volts", "vdc")),
    "mV": (VOLTAGE, 1e-3, ("mv", "millivolt", "millivolts")),
    "µV": (VOLTAGE, 1e-6, ("uv", "microvolts")),
    "mV/V": (RATIO, 1.0, ("mv/v",)),
    "N·m": (TORQUE, 1.0, ("nm", "newtonmeter", "newtonmetre")),
    "mN·m": (TORQUE, 1e-3, ("mnm",)),
    "N·cm": (TORQUE, 1e-2, ("ncm",)),
    "kN·m": (TORQUE, 1e3, ("knm",)),
    "kg": (MASS, 1.0, ("kg", "kilogram", "kilograms")),
    "g": (MASS, 1e-3, ("g", "gram", "grams")),
    "rad": (ANGLE, 1.0, ("rad", "radian", "radians")),
    "mrad": (ANGLE, 1e-3, ("mrad",)),
    "°": (ANGLE, math.pi / 180, ("°", "deg", "degree", "degrees")),
    "turns": (ANGLE, math.tau, ("rev", "revs", "turn", "turns", "revolutions")),
    "counts": (COUNT, 1.0, ("counts", "count", "cnt", "cts", "inc", "increments", "lsb", "ticks")),
}
UNITS = {name: Unit(text, of, factor) for text, (of, factor, names) in _SPELT.items() for name in names}
LISTED = ", ".join(_SPELT)
"""All that are known, for messages."""
_BRACKETED = re.compile(r"^(?P<name>.*?)\s*[\[(<{](?P<unit>[^\])>}]*)[\])>}]\s*$")
_BEHIND = [
    re.compile(rf"^(?P<name>.*?\S){parted}(?P<unit>\S+(?: m)?)$")
    for parted in (r"\s+/\s*", r"/\s+", r"\s+in\s+", r"_", r"\s+")
]
_MICRO = str.maketrans({"\N{MICRO SIGN}": "u", "\N{GREEK SMALL LETTER MU}": "u"})
_JOINED = re.compile(r"(?<=[nN])[\s·*.⋅-](?=c?m)")


def unit_of(text: str) -> Unit | None:
    """The unit that a text alone is, upper and lower case alike; None for anything else."""
    bare = text.strip().strip("[](){}<>").strip()
    if bare[:2] == "MN":  # a million is no thousandth
        return None
    return UNITS.get(_JOINED.sub("", bare.translate(_MICRO)).lower())


def named_with_unit(text: str) -> tuple[str, Unit | None]:
    """`Torque [mV]`, `time_s`, `bridge / mV`: the name and its unit; the text and None where no unit is in it."""
    bare = text.strip()
    for pattern in (_BRACKETED, *_BEHIND):
        found = pattern.match(bare)
        if found and (unit := unit_of(found["unit"])) is not None:
            return found["name"].strip() or bare, unit
    return bare, None
