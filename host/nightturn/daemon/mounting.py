"""Writing a mount card: by the daemon while one runs, else under the lock of the data root."""

import datetime as dt
from pathlib import Path

from nightturn.bench.locks import Lock, own_root_or_meet
from nightturn.daemon.control_client import ask
from nightturn.daemon.control_protocol import Request
from nightturn.errors import NightturnError
from nightturn.model.cards import MountCard
from nightturn.settings.load import append_card
from nightturn.settings.mistakes import raise_mistakes
from nightturn.settings.validate import card_mistakes


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


def mount(root: Path, request: Request, utc_ns: int) -> None:
    """Have the card in force that the request describes.

    Raises:
        ConfigError: a name on the card is not allowed.
        StorageError: another process than a daemon owns the root, or the card cannot be written.
        DeviceError: the daemon that owns it does not answer.
        NightturnError: the daemon refuses.
    """
    card = card_of(request, utc_ns)
    raise_mistakes(card_mistakes(request.fixture, card))
    found = own_root_or_meet(root, "nightturn mount", lambda holder: bool(holder.socket))
    if isinstance(found, Lock):
        try:
            append_card(root, request.fixture, card)
        finally:
            found.release()
        return
    answer = ask(root, request)
    if not answer.ok:
        raise NightturnError(f"refused: {answer.problem}")
