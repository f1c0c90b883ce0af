"""Commands over MQTT as values: what one has to say, and why one is refused. Pure.

Off unless the rig file turns them on. They acknowledge, pause and stop, nothing more: none lets a shaft turn, none renews a lease. Who may
send them the broker's access list says; the operator's name is a record and no authentication. A command counts for `EXPIRY_S` from its
own time by the daemon's clock, so that none that a broker held back acts later, and one that the broker keeps never counts.
"""

import re
from typing import Literal

import msgspec

from nightturn.model.alarms import HOST
from nightturn.model.clocks import NS_PER_S
from nightturn.model.quantities import fixed
from nightturn.telemetry.confirming import Arrived
from nightturn.telemetry.moments import ns_or_none
from nightturn.telemetry.payloads import Stamp, common
from nightturn.telemetry.topics import Topics

ACKNOWLEDGE, PAUSE, STOP = "acknowledge", "pause", "stop"
NAMES = (ACKNOWLEDGE, PAUSE, STOP)
EXPIRY_S = 10
AHEAD_S = 2
"""So far a sender's clock may be ahead of the daemon's."""
BYTES_MAX = 4096
SHOWN_MAX = 80
_ID = re.compile(r"[A-Za-z0-9_-]{8,64}")
_OPERATOR_LENGTH_MAX = 80
_REASON_LENGTH_MAX = 300


class Command(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Payload of `cmd/<name>`.

    Attributes:
        id: 8 to 64 letters, digits, - and _, which no other command ever has: a repeated one acts once.
        operator: who asks. ts: when, UTC.
        alarm: of an acknowledgement the alarm's kind; empty for all of the fixture that call for somebody.
    """

    v: Literal[1]
    id: str
    operator: str
    ts: str
    alarm: str = ""
    reason: str = ""


class Asked(msgspec.Struct, frozen=True):
    """A command that was read; `refusal` says why nothing may come of it, a sentence, and is empty where something may."""

    fixture: str
    name: str
    id: str = ""
    operator: str = ""
    alarm: str = ""
    reason: str = ""
    refusal: str = ""


def asked(arrived: Arrived, topics: Topics, now_ns: int) -> Asked | None:
    """What a message asks for at `now_ns`, UTC; None of one that is on no topic of commands."""
    place = topics.command_of(arrived.topic)
    if place is None:
        return None
    fixture, name = place
    unread = Asked(fixture, name[:SHOWN_MAX])
    if len(arrived.payload) > BYTES_MAX:
        return _refused(unread, f"it is longer than {BYTES_MAX} bytes")
    try:
        said = msgspec.json.decode(arrived.payload, type=Command)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        return _refused(
            unread, "it is no command: one has v, id, operator and ts, and may have alarm and reason"
        )
    if not _ID.fullmatch(said.id):
        return _refused(unread, "its id is none: 8 to 64 letters, digits, - and _")
    read = Asked(fixture, unread.name, said.id)
    for what, text, most in (
        ("operator", said.operator, _OPERATOR_LENGTH_MAX),
        ("alarm", said.alarm, SHOWN_MAX),
        ("reason", said.reason, _REASON_LENGTH_MAX),
    ):
        if len(text) > most or (text and not text.isprintable()):
            return _refused(read, f"its {what} cannot be used: up to {most} printable characters")
    read = Asked(fixture, unread.name, said.id, said.operator.strip(), said.alarm, said.reason.strip())
    return _refused(read, _problem(read, said, arrived, now_ns))


def _problem(read: Asked, said: Command, arrived: Arrived, now_ns: int) -> str:
    if read.name not in NAMES:
        return f"over MQTT an operator may {', '.join(NAMES[:-1])} and {NAMES[-1]}, nothing more"
    if read.fixture == HOST and read.name != ACKNOWLEDGE:
        return "a host has alarms to acknowledge and nothing to pause or stop"
    if not read.operator:
        return "it names no operator"
    if arrived.retained:
        return "the broker had kept it; a command is never retained"
    try:
        ts = ns_or_none(said.ts)
    except (ValueError, TypeError, OverflowError):
        ts = None
    if ts is None:
        return "its ts is no time with an offset"
    age_s = (now_ns - ts) / NS_PER_S
    if age_s > EXPIRY_S:
        return f"it is {fixed(age_s, 1)} s old by this host's clock; it counts for {EXPIRY_S} s"
    if age_s < -AHEAD_S:
        return f"its time is {fixed(-age_s, 1)} s ahead of this host's clock"
    return ""


def _refused(read: Asked, why: str) -> Asked:
    return msgspec.structs.replace(read, refusal=why)


def answer(given: Asked, stamp: Stamp, ts_ns: int, *, ok: bool, said: str) -> bytes:
    """What became of a command, as an event of its fixture."""
    return msgspec.json.encode(
        {
            **common("command", stamp, ts_ns),
            "kind": "command",
            "command": given.name,
            "id": given.id,
            "operator": given.operator,
            "ok": ok,
            "said": said,
        }
    )
