"""Mount cards, written and taken off: by the daemon while one runs, else under the lock of the data root."""

import datetime as dt
from pathlib import Path

import msgspec
from msgspec import UNSET, UnsetType

from nightturn.bench.locks import Lock, own_root_or_meet
from nightturn.daemon.control_client import ask
from nightturn.daemon.control_protocol import VERSION, Answer, Request
from nightturn.errors import ConfigError, NightturnError
from nightturn.fixture.travel import position_text
from nightturn.model.cards import MountCard
from nightturn.model.facts import Travel
from nightturn.settings.load import append_card, read_card
from nightturn.settings.mistakes import raise_mistakes
from nightturn.settings.rig import FixtureSettings
from nightturn.settings.validate import card_mistakes
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import RUNNING, newest_run, read_manifest

TAKEN_OFF = "`nightturn mount` without --stays"
SEE_TO_IT = "check the cable, then `--travel-zero`"
NEVER = Travel(None, "unknown: no run has counted it")
INTERRUPTED = Travel(None, "unknown: the last run was interrupted, and its tape has not been read since")
UNREADABLE = Travel(None, "unknown: the manifest of the last run cannot be read")


def card_of(request: Request, utc_ns: int, before: MountCard | None = None) -> MountCard:
    """The card that a request describes; `before` is the one in force.

    Raises:
        ConfigError: the unit is to stay where it is, and is not there.
    """
    if request.stays and (before is None or before.unit != request.unit):
        there = "no unit is mounted" if before is None else f"{before.unit} is mounted"
        raise ConfigError(f"{there}, so {request.unit} cannot stay", where=request.fixture, allowed=TAKEN_OFF)
    mounted = dt.datetime.fromtimestamp(utc_ns // 10**9, dt.UTC).isoformat().replace("+00:00", "Z")
    return MountCard(
        unit=request.unit,
        variant=request.variant,
        operator=request.operator,
        notes=request.notes,
        mounted_utc=mounted,
        travel_zero_confirmed=request.travel_zero,
        since_utc=before.mounting if before is not None and request.stays else "",
        mark_deg=_mark(request, before),
        purpose=request.purpose,
        task=request.task,
    )


def _mark(request: Request, before: MountCard | None) -> float | UnsetType:
    """Where the rotor's mark stands; a unit that stays keeps what was read before."""
    if request.mark_deg is not None:
        return request.mark_deg
    return before.mark_deg if before is not None and request.stays else UNSET


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


def recorded_travel(root: Path, settings: FixtureSettings) -> Travel:
    """How the travel of a fixture stands by what is recorded, when no run of it is open."""
    files = RealFiles(root)
    try:
        run = newest_run(files, settings.id)
        manifest = read_manifest(files, settings.id, run) if run else None
    except (NightturnError, OSError):
        return UNREADABLE
    if manifest is None:
        return NEVER
    if manifest.state == RUNNING or manifest.travel is None:
        return INTERRUPTED
    return manifest.travel


def travel_text(travel: Travel, settings: FixtureSettings, *, anew: bool) -> str:
    """The old position and what travel counts from now, for who mounts."""
    before = position_text(travel, settings)
    if anew:
        return f"travel counts again from where the shaft next begins to turn; before, {before}"
    return f"travel counts on: {before}"


def mount(root: Path, settings: FixtureSettings, request: Request, utc_ns: int) -> str:
    """Have the card in force that the request describes; returns what travel counts from.

    Raises:
        ConfigError: a name on the card is not allowed, the travel is unknown and nobody has seen to the cable, or the unit is to stay and is
            not there.
        StorageError: another process than a daemon owns the root, or the card cannot be written.
        DeviceError: the daemon that owns it does not answer.
        NightturnError: the daemon refuses.
    """
    raise_mistakes(
        card_mistakes(request.fixture, card_of(msgspec.structs.replace(request, stays=False), utc_ns))
    )
    found = own_root_or_meet(root, "nightturn mount", lambda holder: bool(holder.socket))
    if isinstance(found, Lock):
        try:
            card = card_of(request, utc_ns, read_card(root, request.fixture))
            travel = recorded_travel(root, settings)
            if travel.unknown and not request.travel_zero:
                raise _travel_unknown(request, travel.unknown)
            append_card(root, request.fixture, card)
        finally:
            found.release()
        return travel_text(travel, settings, anew=request.travel_zero)
    answer = ask(root, request)
    if answer.left_out:
        raise _travel_unknown(request, answer.problem)
    if not answer.ok:
        raise NightturnError(f"refused: {answer.problem}")
    return answer.travel


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
    return Answer(VERSION, request.id, ok=True, state=f"{card.unit} unmounted by {card.operator}", kept=True)


def _travel_unknown(request: Request, why: str) -> ConfigError:
    return ConfigError(f"travel {why}", where=f"{request.fixture}: {request.unit}", allowed=SEE_TO_IT)
