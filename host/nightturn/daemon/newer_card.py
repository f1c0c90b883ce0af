"""A mount card that is newer than the one of the open run: put on the run's tape at once, and no `go` before it is."""

from typing import Protocol

import msgspec
import structlog

from nightturn.bench import runs
from nightturn.bench.station import Station
from nightturn.fixture.owners.run import RunPhase
from nightturn.model.cards import MountCard
from nightturn.motion.permission import MotionState
from nightturn.settings.rig import FixtureSettings

MOVES = frozenset({MotionState.TURNING, MotionState.STOPPING})

log: structlog.stdlib.BoundLogger = structlog.get_logger()


class Holder(Protocol):
    """What holds an open run.

    Attributes:
        card: in force for the run.
        met: the newest card that was put on its tape, or that waits for the shaft to stand.
    """

    card: MountCard | None
    met: MountCard | None

    @property
    def station(self) -> Station | None:
        """The run."""
        ...

    @property
    def settings(self) -> FixtureSettings:
        """Its fixture."""
        ...


def take(holder: Holder, newest: MountCard) -> int | None:
    """Put the newest card on the tape of the open run; the record's number as `Station.command` gives it.

    A card that only confirms the travel zero of this unit goes on with the run, once the shaft stands; any other ends
    it. None as well when the run knows the card, or is ending: then the card is of the run that follows.
    """
    station, card = holder.station, holder.card
    if station is None or card is None or newest == card or station.core.state.run.phase is not RunPhase.OPEN:
        return None
    if not _only_confirms(newest, card):
        if holder.met == newest:
            return None  # on the tape, or waiting until that takes records
        holder.met = newest
        return station.command("card_changed", newest.operator)
    if station.core.state.motion.permission.state in MOVES:
        if holder.met != newest:
            _waits(holder.settings.id, newest)
        holder.met = newest
        return None
    holder.card = holder.met = newest
    return station.command("confirm_travel_zero", newest.operator, card=runs.card_text(newest))


def against_go(fixture: str, newest: MountCard | None, card: MountCard | None) -> str:
    """Why no `go` is taken: the newest card of a fixture is not `card`, which the run has; empty when it is."""
    if newest is None:
        return f"no unit is mounted on {fixture} any more, by its newest card; mount one: `nightturn mount`"
    if newest == card:
        return ""
    if card is not None and _only_confirms(newest, card):
        return f"a newer card of {newest.unit}, by {newest.operator}, confirms the travel zero, and the run has it only now; `go` again"
    return f"a newer card was written, of {newest.unit} by {newest.operator}; `go` again when its run is open"


def used_up(text: str) -> MountCard | None:
    """The card of the run that has ended last, from its text there; no run is opened under it any more."""
    try:
        return msgspec.json.decode(text, type=MountCard) if text else None
    except msgspec.MsgspecError:
        return None  # a damaged manifest keeps no bench from recording; the run that opens waits for `go`


def _only_confirms(newest: MountCard, card: MountCard) -> bool:
    """Whether a newer card only confirms the travel zero of the unit that is mounted already."""
    same = (newest.unit, newest.variant, newest.purpose, newest.task) == (
        card.unit,
        card.variant,
        card.purpose,
        card.task,
    )
    return same and newest.travel_zero_confirmed


def _waits(fixture: str, card: MountCard) -> None:
    why = f"travel zero was confirmed by {card.operator} while the shaft turned; it counts once that was stopped"
    log.warning(
        "card_waits", fixture=fixture, why=why, next=f"nightturn pause {fixture} or nightturn stop {fixture}"
    )
