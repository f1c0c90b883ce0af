"""Mount cards, written and taken off: by the daemon while one runs, else under the lock of the data root."""

import datetime as dt
from pathlib import Path

import msgspec

from nightturn.bench.locks import Lock, own_root_or_meet
from nightturn.daemon.control_client import ask
from nightturn.daemon.control_protocol import VERSION, Answer, Request
from nightturn.errors import ConfigError, NightturnError
from nightturn.model.cards import MountCard
from nightturn.settings.load import append_card, read_card
from nightturn.settings.mistakes import raise_mistakes
from nightturn.settings.validate import card_mistakes

TRAVEL = "the travel is unknown: a card begins a run, and its travel counts from where a person has seen the cable hang free"
SEE_TO_IT = "see to the cable, then mount with `--travel-zero`"


def card_of(request: Request, utc_ns: int) -> MountCard:
    """The card that a request describes."""
    mounted = dt.datetime.fromtimestamp(utc_ns // 10**9, dt.UTC).isoformat().replace("+00:00", "Z")
    return MountCard(
        unit=request.unit,
        variant=request.variant,
        operator=request.operator,
        notes=request.notes,
        mounted_utc=mounted,
        travel_zero_confirmed=request.travel_zero,
    )


def taken_off(root: Path, request: Request, utc_ns: int) -> MountCard:
    """The line that takes the unit in force off.

    Raises:
        NightturnError: nothing is mounted, or its card cannot be read.
    """
    mounted = read_card(root, request.fixture)
    if mounted is None:
        raise NightturnError(f"no unit is mounted on {request.fixture}")
    line = msgspec.structs.replace(request, unit=mounted.unit, variant=mounted.variant, notes=request.reason)
    return msgspec.structs.replace(card_of(line, utc_ns), taken_off=True)


def mount(root: Path, request: Request, utc_ns: int) -> None:
    """Have the card in force that the request describes.

    Raises:
        ConfigError: a name on the card is not allowed, or nobody has seen to the cable.
        StorageError: another process than a daemon owns the root, or the card cannot be written.
        DeviceError: the daemon that owns it does not answer.
        NightturnError: the daemon refuses.
    """
    card = card_of(request, utc_ns)
    raise_mistakes(card_mistakes(request.fixture, card))
    found = own_root_or_meet(root, "nightturn mount", lambda holder: bool(holder.socket))
    if isinstance(found, Lock):
        try:
            if not request.travel_zero:
                raise _travel_unknown(request)
            append_card(root, request.fixture, card)
        finally:
            found.release()
        return
    answer = ask(root, request)
    if answer.left_out:
        raise _travel_unknown(request)
    if not answer.ok:
        raise NightturnError(f"refused: {answer.problem}")


def unmount(root: Path, request: Request, utc_ns: int) -> Answer:
    """Have no card in force any more; what the daemon answers, or what it would.

    Raises:
        StorageError: another process than a daemon owns the root, or the line cannot be written.
        DeviceError: the daemon that owns it does not answer.
        NightturnError: nothing is mounted.
    """
    card = taken_off(root, request, utc_ns)
    raise_mistakes(card_mistakes(request.fixture, card))
    found = own_root_or_meet(root, "nightturn unmount", lambda holder: bool(holder.socket))
    if not isinstance(found, Lock):
        return ask(root, request)
    try:
        append_card(root, request.fixture, card)
    finally:
        found.release()
    return Answer(VERSION, request.id, ok=True, state=f"{card.unit} taken off by {card.operator}", kept=True)


def _travel_unknown(request: Request) -> ConfigError:
    return ConfigError(TRAVEL, where=f"{request.fixture}: {request.unit}", allowed=SEE_TO_IT)
