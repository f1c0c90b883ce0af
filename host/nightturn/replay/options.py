"""What only a person knows of their arrays: product numbers, rig numbers, the plan; checked one by one."""

from dataclasses import dataclass
from math import isfinite
from numbers import Real

import msgspec
import numpy as np

from nightturn.settings.rig import POLES_MAX, CyclePlan

COUNTS_MIN = 16
"""An encoder with fewer counts in a turn shows no speed."""


@dataclass(frozen=True, slots=True)
class Options:
    """The numbers, as plain ones; 0 where an order is not declared."""

    pole_pairs: int
    slots: int
    rated_torque_nm: float
    counts_per_rev: int
    torque_lsb_nm: float | None
    zero_nm: float | None
    sense: int
    plan: CyclePlan | None
    drive_pole_pairs: int
    drive_slots: int
    resonance_hz: float | None
    filter_hz: float | None
    mains_hz: float

    @property
    def notes(self) -> tuple[str, ...]:
        """What has to be said of numbers that nobody gave."""
        lacking = [
            name for name, value in (("pole pairs", self.pole_pairs), ("slots", self.slots)) if not value
        ]
        if not lacking:
            return ()
        return (
            f"{' and '.join(lacking)} are not given: orders are found in the signal, and a weak one may be missed",
        )


def checked_options(
    *,
    pole_pairs: object,
    slots: object,
    rated_torque_nm: object,
    counts_per_rev: object,
    torque_lsb_nm: object,
    zero_nm: object,
    sense: object,
    plan: object,
    drive_pole_pairs: object,
    drive_slots: object,
    resonance_hz: object,
    filter_hz: object,
    mains_hz: object,
) -> Options:
    """The options as plain numbers.

    Raises:
        ValueError: names the first that is out of range or no number.
    """
    return Options(
        pole_pairs=_order("pole_pairs", pole_pairs),
        slots=_order("slots", slots),
        rated_torque_nm=_positive("rated_torque_nm", rated_torque_nm),
        counts_per_rev=_whole("counts_per_rev", counts_per_rev, COUNTS_MIN),
        torque_lsb_nm=None if torque_lsb_nm is None else _positive("torque_lsb_nm", torque_lsb_nm),
        zero_nm=None if zero_nm is None else _number("zero_nm", zero_nm),
        sense=_sense(sense),
        plan=None if plan is None else _plan(plan),
        drive_pole_pairs=_order("drive_pole_pairs", drive_pole_pairs),
        drive_slots=_order("drive_slots", drive_slots),
        resonance_hz=None if resonance_hz is None else _positive("resonance_hz", resonance_hz),
        filter_hz=None if filter_hz is None else _positive("filter_hz", filter_hz),
        mains_hz=_positive("mains_hz", mains_hz),
    )


def _real(value: object) -> float | None:
    """The value as a number; None for anything else, truth values among it."""
    if type(value) in (bool, np.bool):
        return None
    return float(value) if isinstance(value, Real) else None


def _number(name: str, value: object) -> float:
    number = _real(value)
    if number is None:
        raise ValueError(f"{name} is {value!r}; it must be a number")
    if not isfinite(number):
        raise ValueError(f"{name} is {number}; it must be finite")
    return number


def _positive(name: str, value: object) -> float:
    number = _number(name, value)
    if number <= 0:
        raise ValueError(f"{name} is {value}; it must be positive")
    return number


def _whole(name: str, value: object, least: int) -> int:
    number = _real(value)
    if number is None or number != number // 1:
        raise ValueError(f"{name} is {value!r}; it must be a whole number")
    if number < least:
        raise ValueError(f"{name} is {value}; it must be at least {least}")
    return int(number)


def _sense(value: object) -> int:
    number = _real(value)
    if number not in (1.0, -1.0):
        raise ValueError(f"sense is {value!r}; it must be 1 or -1")
    return int(number)


def _order(name: str, value: object) -> int:
    """A number of pole pairs or slots; 0 where it is not known."""
    if value is None:
        return 0
    count = _whole(name, value, 1)
    if count > POLES_MAX:
        raise ValueError(f"{name} is {value}; it must be at most {POLES_MAX}")
    return count


def _plan(plan: object) -> CyclePlan:
    """The plan, checked like that of a rig file."""
    try:
        return msgspec.convert(msgspec.to_builtins(plan), CyclePlan)
    except (msgspec.ValidationError, TypeError) as error:
        raise ValueError(
            f"plan: {error}; keys and ranges are those of [fixture.plan] in bench.toml"
        ) from error
