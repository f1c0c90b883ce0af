"""A line of the logbook: who saw or did what, to which unit, when, in which cycle and where on the turn."""

import math
import unicodedata
from typing import Literal

import msgspec

from nightturn.evidence.rules import RULES

Kind = Literal["note", "finding", "intervention", "closed"]
OTHER = "other"
"""A finding that no row of the table of causes names."""
NOTHING = "nothing"
"""A tear-down that found nothing wrong."""
CAUSES = (*(rule.cause for rule in RULES), OTHER, NOTHING)
TEXT_MAX, NAME_MAX = 4000, 128
PHOTOS_MAX = 20
"""Of one line."""
NUMBER_MAX = 1_000_000
TURN_DEG = 360.0
_STEERING = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""Signs that turn the order in which the rest of a line is shown; names and words of no script need them."""
_BREAKS = frozenset("\n\t")
_NO_LETTER = frozenset({"Cc", "Cs", "Zl", "Zp"})


class Photo(msgspec.Struct, frozen=True, kw_only=True):
    """A picture beside a line.

    Attributes:
        sha256: of the bytes that are stored, hexadecimal; file: its name below `logbook/photos`, which begins with it.
        bytes, width, height: of what is stored; width and height in pixels.
        named: the name of the file that was given, without its folder.
        removed: what stood in the file beside the picture and is not stored.
    """

    sha256: str
    file: str
    bytes: int
    width: int
    height: int
    named: str = ""
    removed: tuple[str, ...] = ()


class Predicted(msgspec.Struct, frozen=True, kw_only=True):
    """A change and the cause that it was consistent with before anybody had looked; `changed_ts` is when it most likely was, UTC ns."""

    cause: str
    figure: str
    direction: int
    changed_ts: int


class Entry(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One line of `logbook/log.jsonl`; nothing is ever changed, a later line answers or withdraws.

    Attributes:
        number: 1, 2, 3…, without a gap.
        utc_ns: when it was written. by: who wrote it.
        unit: serial of the unit it is of; fixture, run: where and in which run.
        at_ts: the moment it is of, ns since 1970 UTC as the run recorded it: a clock that is corrected later is corrected here too.
        cycle_no: the cycle it is of. angle_deg: where on the turn, from the index mark, 0 to below 360.
        cause: of a finding what was found, of an intervention what it was done for; a key of the table of causes, `OTHER` or `NOTHING`.
        predicted: of these two, what was predicted for the unit when the line was written; None where that could not be worked out.
        unpredicted: why it could not.
        photos: what was seen.
        open: somebody is to answer.
        closes: the number of the line that this one answers or withdraws.
    """

    number: int
    kind: Kind
    utc_ns: int
    by: str
    text: str = ""
    unit: str = ""
    fixture: str = ""
    run: str = ""
    at_ts: int | None = None
    cycle_no: int | None = None
    angle_deg: float | None = None
    cause: str = ""
    predicted: tuple[Predicted, ...] | None = None
    unpredicted: str = ""
    photos: tuple[Photo, ...] = ()
    open: bool = False
    closes: int | None = None


def text_problem(text: str, most: int) -> str | None:
    """Why a text cannot stand in the logbook, or None: too long, or with signs that no letter is and that a terminal or page would obey."""
    if len(text) > most:
        return f"is {len(text)} characters long, more than {most}"
    for each in text:
        if each in _STEERING or (each not in _BREAKS and unicodedata.category(each) in _NO_LETTER):
            return f"contains the sign U+{ord(each):04X}, which is no letter and changes how a line is shown"
    return None


def name_problem(name: str) -> str | None:
    """The same of a name, which is in one line and not empty."""
    if not name.strip():
        return "is empty"
    if _BREAKS & set(name):
        return "is longer than a line"
    return text_problem(name, NAME_MAX)


def angle_problem(angle_deg: float) -> str | None:
    """Why an angle is none of a turn, or None."""
    if not math.isfinite(angle_deg) or not 0 <= angle_deg < TURN_DEG:
        return "is no angle of a turn"
    return None
