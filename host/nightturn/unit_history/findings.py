"""What tear-downs found of what was predicted: of one unit, and of every unit of the data root."""

from pathlib import Path

import msgspec
import pandas as pd

from nightturn.errors import StorageError
from nightturn.logbook.entries import Entry
from nightturn.logbook.torn_down import Outcome, Tally, outcomes, tally
from nightturn.storage.files import RealFiles
from nightturn.storage.logbook import read_logbook

COLUMNS = ("unit", "run", "ts", "cause", "predicted", "found", "shown", "known", "by", "text")


class Findings(msgspec.Struct, frozen=True, kw_only=True):
    """What the logbook says of a unit's causes.

    Attributes:
        outcomes: each cause of each of its tear-downs. interventions: what was done to it, and for what.
        tally: the counts of this unit. of_all: those of all units, which say how far predictions are to be believed.
        units: how many units were torn down. unread: what cannot be read, so that counts may be too low.
    """

    outcomes: tuple[Outcome, ...]
    interventions: tuple[Entry, ...]
    tally: Tally
    of_all: Tally
    units: int
    unread: tuple[str, ...]


def findings_of(root: str | Path, unit: str) -> Findings:
    """The findings of a unit; a logbook that cannot be read is said, and counts nothing."""
    try:
        book = read_logbook(RealFiles(Path(root)))
    except StorageError as problem:
        return Findings(
            outcomes=(), interventions=(), tally=Tally(), of_all=Tally(), units=0, unread=(str(problem),)
        )
    every = outcomes(book)
    own = tuple(each for each in every if each.unit == unit)
    closed = book.closings
    return Findings(
        outcomes=own,
        interventions=tuple(
            each for each in book.of_unit(unit) if each.kind == "intervention" and each.number not in closed
        ),
        tally=tally(own),
        of_all=tally(every),
        units=len({each.unit for each in every}),
        unread=book.damages,
    )


def findings_frame(root: str | Path, unit: str) -> pd.DataFrame:
    """One row for each cause of each tear-down of a unit; what cannot be read is in `attrs["unknown"]`."""
    found = findings_of(root, unit)
    rows = [
        (
            each.unit,
            each.run,
            each.utc_ns,
            each.cause,
            each.predicted,
            each.found,
            each.shown,
            each.known,
            each.by,
            each.text,
        )
        for each in found.outcomes
    ]
    frame = pd.DataFrame(rows, columns=list(COLUMNS))
    frame["ts"] = pd.to_datetime(frame["ts"], utc=True)
    frame.attrs["unknown"] = list(found.unread)
    return frame
