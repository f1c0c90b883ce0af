"""Names of values on the wire, for people and for records."""

from enum import IntEnum


def name_of(kind: type[IntEnum], number: int, unknown: str = "") -> str:
    """The name of a value in small letters; for one of a later version `unknown`, or the number with that remark."""
    try:
        return kind(number).name.lower()
    except ValueError:
        return unknown or f"{number} (unknown)"
