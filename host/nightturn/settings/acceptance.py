"""What an acceptance limit cannot mean, with the key to correct. Pure."""

import math
from collections.abc import Iterator

from nightturn.errors import ConfigError
from nightturn.model.limits import settled
from nightturn.model.quantities import typed
from nightturn.settings.mistakes import Place, shown
from nightturn.settings.variant import Acceptance


def acceptance_mistakes(place: Place, limit: Acceptance) -> Iterator[ConfigError]:
    """No bound, a magnitude below zero, bounds or a guard that leave nothing to accept, a condition that never holds."""
    yield from _bound_mistakes(place, limit)
    if limit.at_torque_nm == 0:
        yield place.mistake("at_torque_nm", "0 is no torque to hold", "the torque held, N·m, with its sign")
    if limit.temp_degc is not None and limit.temp_degc[0] >= limit.temp_degc[1]:
        what = f"{shown(limit.temp_degc)} contains no temperature"
        yield place.mistake("temp_degc", what, "two numbers, [low, high], low below high")


def _bound_mistakes(place: Place, limit: Acceptance) -> Iterator[ConfigError]:
    if not limit.limits:
        yield place.mistake(
            "max", "neither max nor min is given", "max, min or both, in the unit of the figure"
        )
        return
    for bound, size in limit.limits:
        if not limit.signed and size <= 0:
            what = f"{typed(size)} bounds a magnitude, which is never negative"
            yield place.mistake(bound, what, 'a number above 0, or of = "signed"')
            return
    if limit.max is not None and limit.min is not None and limit.min >= limit.max:
        what = f"{typed(limit.min)} leaves no room below max = {typed(limit.max)}"
        yield place.mistake("min", what, f"a number below {typed(limit.max)}")
        return
    room = _room(limit)
    if limit.guard >= room:
        where = " between min and max" if limit.min is not None else f" below max = {typed(room)}"
        what = f"{typed(limit.guard)} leaves no room{where}"
        yield place.mistake("guard", what, f"a number from 0, below {typed(room)}")


def _room(limit: Acceptance) -> float:
    """What a guard band has to stay below; without end where one side is open."""
    if limit.max is None:
        return math.inf
    if limit.min is not None:
        return settled((limit.max - limit.min) / 2)
    return math.inf if limit.signed else limit.max
