"""What a page may have done by a daemon: acknowledge, pause, stop, by a named operator; nothing here lets a shaft turn."""

from collections.abc import Callable
from dataclasses import dataclass

ACKNOWLEDGE, PAUSE, STOP = "acknowledge", "pause", "stop"
AUDIT = "audit"
MAY_ASK = frozenset({ACKNOWLEDGE, PAUSE, STOP})
REASON_LENGTH_MAX = 200


@dataclass(frozen=True, slots=True)
class Wish:
    """What somebody asks of a daemon; of an audit `alarm` is the word, `reason` the sentence."""

    command: str
    fixture: str
    operator: str
    alarm: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Outcome:
    """Whether it was done, and the sentence to it."""

    ok: bool
    said: str


Act = Callable[[Wish], Outcome]
"""Asks the daemon; may take some seconds, so never on a loop."""
