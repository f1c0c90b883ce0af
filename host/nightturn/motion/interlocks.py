"""What the input word says against turning. Not a safety function: guard and stop chain act in hardware."""

import msgspec

from nightturn.motion.permission import Cause
from nightturn.settings.rig import FixtureSettings
from nightturn_protocol.messages import Input

# plain integers: a flag type's own `&` costs more than the rest of a look at the input word
GUARD_CLOSED, STOP_CHAIN_HEALTHY = int(Input.GUARD_CLOSED), int(Input.STOP_CHAIN_HEALTHY)
DRIVE_READY, DRIVE_FAULT = int(Input.DRIVE_READY), int(Input.DRIVE_FAULT)


UNTRIED = (
    "the guard has not been seen open since the last run ended: open and close it, then go "
    "(this finds a contact that is stuck; it cannot detect a jumper)"
)
NO_TRY = "with no guard wired, none is tried before a card's first go"


class Obstacle(msgspec.Struct, frozen=True):
    """Why the shaft may not turn now: what kind of thing it is, and a sentence."""

    cause: Cause
    text: str


def watched_inputs(settings: FixtureSettings) -> int:
    """The bits of the input word that have to be on: guard and stop chain, but what the rig says is not wired."""
    guard = GUARD_CLOSED if settings.guard == "input" else 0
    return guard | (STOP_CHAIN_HEALTHY if settings.stop_chain == "input" else 0)


def interlock(inputs: int, settings: FixtureSettings) -> Obstacle | None:
    """What stands against turning in an input word; a guard or chain that the rig says is not wired is not looked at."""
    off = watched_inputs(settings) & ~inputs
    if off & GUARD_CLOSED:
        return Obstacle(Cause.INTERVENTION, "the guard is open")
    if off & STOP_CHAIN_HEALTHY:
        return Obstacle(Cause.INTERVENTION, "the stop chain is open")
    if inputs & DRIVE_FAULT:
        return Obstacle(Cause.TRIPPED, "the turning drive reports a fault")
    return None


def closed_again(settings: FixtureSettings) -> str:
    """The sentence at the end of an intervention; what is not wired is not said to be closed."""
    wired = [
        name
        for name, bit in (("guard", GUARD_CLOSED), ("stop chain", STOP_CHAIN_HEALTHY))
        if watched_inputs(settings) & bit
    ]
    return f"{' and '.join(wired)} {'are' if len(wired) > 1 else 'is'} closed again"


def untried(settings: FixtureSettings, *, seen_open: bool) -> str:
    """Why a card's first `go` is refused for its guard's sake, or an empty text; void where the rig says that there is none."""
    return "" if settings.guard == "none" or seen_open else UNTRIED


def unwired(settings: FixtureSettings) -> str:
    """What the rig file says is not wired, as a sentence that every start repeats; empty when all is."""
    missing = [
        name
        for name, wired in (
            ("guard", settings.guard == "input"),
            ("stop chain", settings.stop_chain == "input"),
            ("warning lamp", settings.lamp == "output"),
        )
        if not wired
    ]
    return f"bench.toml says that there is no {', no '.join(missing)}" if missing else ""
