"""The input word in words, for people watching. No word says that anybody may reach in."""

from collections.abc import Iterable
from functools import lru_cache

from nightturn.motion.interlocks import DRIVE_FAULT, DRIVE_READY, GUARD_CLOSED, STOP_CHAIN_HEALTHY
from nightturn.settings.rig import FixtureSettings
from nightturn_protocol.messages import Input

NOT_WIRED = "not wired"
DECIDE = ("guard", "stop_chain", "drive")
BITS = {bit.name.lower(): int(bit) for bit in Input if bit.name is not None}


def in_words(inputs: int, settings: FixtureSettings) -> dict[str, str]:
    """What decides whether the shaft may turn: guard, stop chain and drive; what the rig has not wired says so."""
    return dict(zip(DECIDE, said(inputs, settings.guard, settings.stop_chain), strict=True))


@lru_cache(maxsize=64)
def said(inputs: int, guard: str, stop_chain: str) -> tuple[str, str, str]:
    """The words of `in_words` alone; `guard` and `stop_chain` are what the rig says of its wiring. Asked at every tick."""
    closed = "closed" if inputs & GUARD_CLOSED else "open"
    chain = "healthy" if inputs & STOP_CHAIN_HEALTHY else "open"
    ready = "ready" if inputs & DRIVE_READY else "not ready"
    return (
        closed if guard == "input" else NOT_WIRED,
        chain if stop_chain == "input" else NOT_WIRED,
        "fault" if inputs & DRIVE_FAULT else ready,
    )


def all_in_words(inputs: int, names: Iterable[str]) -> dict[str, str]:
    """Every input that a device's sheet names, on or off; a name that the wire does not know is left out."""
    return {name: "on" if inputs & BITS[name] else "off" for name in names if name in BITS}
