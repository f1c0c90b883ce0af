"""The table that a load ends with: a figure a line, the bound beside it."""

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass

BOUNDED_FIXTURES = (
    64  # what the bounds on lag, leases and memory are promised for; samples are never to be lost
)


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the table; `broken` when its bound is."""

    name: str
    value: float
    unit: str
    bound: str = ""
    broken: bool = False


def bounded(name: str, value: float, unit: str, below: float, count: int) -> Line:
    """A bound that is promised up to so many fixtures only."""
    if count > BOUNDED_FIXTURES:
        return Line(name, value, unit)
    return Line(name, value, unit, f"< {below:g}", broken=value >= below)


def zero(name: str, value: int, unit: str, count: int = 0) -> Line:
    """Something that must not come about; with a count of fixtures only up to `BOUNDED_FIXTURES`."""
    promised = count <= BOUNDED_FIXTURES
    return Line(name, value, unit, "0" if promised else "", broken=promised and value != 0)


def report(lines: Sequence[Line], *, as_json: bool) -> None:
    """Table or JSON, bounds beside."""
    if as_json:
        print(json.dumps([asdict(line) for line in lines], indent=1))
        return
    for line in lines:
        verdict = "  BROKEN" if line.broken else ""
        print(f"{line.name:44} {line.value:14.1f} {line.unit:12} {line.bound}{verdict}")
