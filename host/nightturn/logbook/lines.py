"""The logbook's file: bytes in, lines out, and whether each is as it was written."""

from collections.abc import Mapping
from typing import NamedTuple

import msgspec

from nightturn.logbook.entries import Entry
from nightturn.model.lines import checked, with_checksum


class Logbook(NamedTuple):
    """What the file says.

    Attributes:
        entries: the lines that can be read, in order.
        damages: what is wrong with others, a sentence each.
        unsigned: how many lines have no checksum.
        torn: the last line has no end; it was never in force.
        last: the highest number that stands, or may have stood, in the file.
    """

    entries: tuple[Entry, ...] = ()
    damages: tuple[str, ...] = ()
    unsigned: int = 0
    torn: bool = False
    last: int = 0

    @property
    def closings(self) -> Mapping[int, Entry]:
        """By the number of a line, what answered or withdrew it first."""
        found: dict[int, Entry] = {}
        for each in self.entries:
            if each.closes is not None:
                found.setdefault(each.closes, each)
        return found

    @property
    def unanswered(self) -> tuple[Entry, ...]:
        """Lines that somebody is to answer and nobody has."""
        closed = self.closings
        return tuple(each for each in self.entries if each.open and each.number not in closed)

    def of_unit(self, unit: str) -> tuple[Entry, ...]:
        """The lines of a unit."""
        return tuple(each for each in self.entries if each.unit == unit)


def encoded(entry: Entry) -> bytes:
    """The line of an entry, with its checksum and its end."""
    return with_checksum(msgspec.json.encode(entry)) + b"\n"


def read(content: bytes) -> Logbook:
    """What a file says; a number that is absent, or comes twice, is a damage as a line that cannot be read is."""
    *lines, rest = content.split(b"\n")
    entries: list[Entry] = []
    damages: list[str] = []
    unsigned, due = 0, 1
    for place, line in enumerate(lines, start=1):
        try:
            text, signed = checked(line)
            entry = msgspec.json.decode(text, type=Entry)
        except (msgspec.MsgspecError, UnicodeDecodeError) as problem:
            damages.append(f"line {place} cannot be read ({problem})")
            due += 1
            continue
        if entry.number != due:
            damages.append(_number_text(place, entry.number, due))
        due = max(due, entry.number + 1)
        unsigned += not signed
        entries.append(entry)
    return Logbook(tuple(entries), tuple(damages), unsigned, bool(rest), due - 1)


def _number_text(place: int, number: int, due: int) -> str:
    if number < due:
        return f"line {place} has number {number}, which a line before it has or should have"
    absent = f"line {due} is" if number == due + 1 else f"lines {due} to {number - 1} are"
    return f"{absent} absent before number {number}"
