"""Files of records, one JSON line each, that are only ever appended to: how they are read, and what makes a line fit behind the others."""

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Protocol, TypeVar

import msgspec

from nightturn.errors import CalibrationError
from nightturn.model.lines import checked


class Dated(Protocol):
    """What the rules of such a file look at."""

    @property
    def id(self) -> str:
        """Names the record for ever."""

    @property
    def supersedes(self) -> str | None:
        """The id of the record that it replaces."""

    @property
    def valid_from(self) -> datetime:
        """From when it holds."""


T = TypeVar("T", bound=msgspec.Struct)
D = TypeVar("D", bound=Dated)


def read_records(
    text: str, kind: type[T], appended: Callable[[tuple[T, ...], T, str], tuple[T, ...]], *, where: str
) -> tuple[T, ...]:
    """The records of one file, in order.

    Args:
        text: JSON, one record a line; blank lines are skipped.
        kind: what a line is.
        appended: gives the records with one more, whose place is named last, or raises.
        where: the file, for messages.

    Raises:
        CalibrationError: names file, line, what is wrong and how to mend it.
    """
    records: tuple[T, ...] = ()
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip():
            continue
        place = f"{where}, line {number}"
        try:
            record = msgspec.json.decode(checked(line.encode())[0], type=kind)
        except msgspec.DecodeError as error:
            raise CalibrationError(
                f"{place}: {error}; write one JSON record a line, or remove the line"
            ) from error
        records = appended(records, record, place)
    return records


def one_more(
    records: tuple[D, ...], new: D, owner: str, *, named: str, contradiction: str | None = None
) -> tuple[D, ...]:
    """The records with one more.

    Args:
        records: those of its file.
        new: the one behind them.
        owner: the field that names whose file it is.
        named: where it is and what it is called, for messages.
        contradiction: what is wrong with it on its own; None for nothing.

    Raises:
        CalibrationError: what is wrong, or the rule of the file that it breaks.
    """
    problem = contradiction or append_problem(records, new, owner)
    if problem:
        raise CalibrationError(f"{named} {new.id!r} {problem}")
    return (*records, new)


def append_problem(records: Sequence[Dated], new: Dated, owner: str) -> str | None:
    """Why a record does not fit behind the others and how to mend it, or None; `owner` is the field that names whose file it is."""
    ids = [record.id for record in records]
    if new.id in ids:
        return "has an id that is used already; records are never changed, append one with a new id and supersedes"
    if new.supersedes is not None and new.supersedes not in ids:
        known = ", ".join(ids) or "none yet"
        return f"supersedes {new.supersedes!r}, which is not in the file (known: {known}); name one of these"
    if not records:
        return None
    last = records[-1]
    mine, theirs = getattr(new, owner), getattr(last, owner)
    if mine != theirs:
        return f"is of {owner} {mine!r}, the file of {theirs!r}; each {owner} has its own file"
    if new.valid_from < last.valid_from:
        return (
            f"is valid from {new.valid_from.isoformat()}, before {last.id!r} ({last.valid_from.isoformat()}); "
            "sort the records by valid_from"
        )
    return None
