"""Faults that are switched on at a time: their spec text and their schedule."""

import re
from dataclasses import dataclass

from nightturn.errors import ConfigError
from nightturn.model.quantities import typed

UNIT_NS = {"ms": 1_000_000, "s": 10**9, "m": 60 * 10**9, "h": 3600 * 10**9}
DEFAULT_LASTS_NS = {"outage": 20 * 10**9, "guard": 60 * 10**9}
KINDS = (
    "spall",
    "chip",
    "coupling",
    "zero",
    "cooling",
    "cable",
    "outage",
    "reset",
    "crash",
    "guard",
    "shunt",
)
SIZED = frozenset({"spall", "chip", "coupling", "zero", "cooling", "cable", "shunt"})
ALLOWED = (
    "KIND@TIME, KIND@TIME+DURATION or KIND@TIME*SIZE with KIND one of "
    + ", ".join(KINDS)
    + "; times as 30s, 90m, 5h or 1h30m; a duration for outage, guard and cable; a size for "
    + ", ".join(kind for kind in KINDS if kind in SIZED)
)
_FAULT = re.compile(r"(?P<kind>[a-z]+)@(?P<at>[^+*]+)(?:\+(?P<lasts>[^+*]+))?(?:\*(?P<size>[^+*]+))?")
_TIME = re.compile(r"(?:\d+(?:\.\d+)?(?:ms|s|m|h))+")
_TERM = re.compile(r"(\d+(?:\.\d+)?)(ms|s|m|h)")
SIZE_MAX = 100.0


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault: what, when after power-on, for how long (0 = for good), how large relative to the default."""

    kind: str
    at_ns: int
    lasts_ns: int = 0
    size: float = 1.0

    @property
    def until_ns(self) -> int:
        """When it ends."""
        return self.at_ns + self.lasts_ns


def parse_time(text: str) -> int:
    """Nanoseconds of `1h30m`, `20s`, `250ms`.

    Raises:
        ConfigError: it is no such time.
    """
    if not _TIME.fullmatch(text):
        raise ConfigError(
            f"{text!r} is not a time", where="virtual fault", allowed="30s, 90m, 5h, 1h30m, 250ms"
        )
    return sum(round(float(number) * UNIT_NS[unit]) for number, unit in _TERM.findall(text))


def parse_fault(text: str) -> Fault:
    """A fault from its spec.

    Raises:
        ConfigError: with what is allowed.
    """
    match = _FAULT.fullmatch(text.strip())
    if match is None or match["kind"] not in KINDS:
        raise ConfigError(f"{text!r} is not a fault", where="virtual fault", allowed=ALLOWED)
    kind = match["kind"]
    if match["lasts"] and kind not in {"outage", "guard", "cable"}:
        raise ConfigError(f"{kind} takes no duration", where=f"virtual fault {text!r}", allowed=ALLOWED)
    if match["size"] and kind not in SIZED:
        raise ConfigError(f"{kind} takes no size", where=f"virtual fault {text!r}", allowed=ALLOWED)
    lasts = parse_time(match["lasts"]) if match["lasts"] else DEFAULT_LASTS_NS.get(kind, 0)
    return Fault(kind, parse_time(match["at"]), lasts, _size(match["size"], text))


def _size(text: str | None, spec: str) -> float:
    if text is None:
        return 1.0
    try:
        size = float(text)
    except ValueError:
        size = 0.0
    if not 0.0 < size <= SIZE_MAX:
        raise ConfigError(
            f"{text!r} is not a size",
            where=f"virtual fault {spec!r}",
            allowed=f"a number up to {typed(SIZE_MAX)}",
        )
    return size


def parse_faults(text: str) -> tuple[Fault, ...]:
    """Faults separated by commas, in order of time."""
    faults = [parse_fault(part) for part in text.split(",") if part.strip()]
    return tuple(sorted(faults, key=lambda fault: fault.at_ns))


@dataclass(frozen=True, slots=True)
class Change:
    """A fault begins or ends."""

    at_ns: int
    begins: bool
    fault: Fault


def changes_of(faults: tuple[Fault, ...]) -> list[Change]:
    """Everything that will happen, in order of time."""
    changes = [Change(fault.at_ns, begins=True, fault=fault) for fault in faults]
    changes += [Change(fault.until_ns, begins=False, fault=fault) for fault in faults if fault.lasts_ns]
    return sorted(changes, key=lambda change: (change.at_ns, change.begins))
