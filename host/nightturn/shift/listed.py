"""Lines of the logbook that are asked for, with the clocks by which people read them."""

from pathlib import Path

import msgspec

from nightturn.errors import CorruptFileError, RunNotFoundError
from nightturn.logbook.entries import Entry
from nightturn.shift.meant import Asked
from nightturn.storage.files import RealFiles
from nightturn.storage.logbook import read_logbook
from nightturn.storage.runs import list_runs


class Listed(msgspec.Struct, frozen=True, kw_only=True):
    """Lines of the logbook, oldest first.

    Attributes:
        entries: those asked for, their times corrected where a run's clock was.
        damages: what cannot be read of the whole.
        timezone: of the bench's newest run; UTC without one.
        unanswered: the numbers of all lines that somebody is to answer. closed: by number of a line, who answered it and in which.
    """

    entries: tuple[Entry, ...]
    damages: tuple[str, ...]
    timezone: str
    unanswered: tuple[int, ...]
    closed: dict[int, str]


def listed(root: Path, asked: Asked, *, to_answer: bool = False, number: int = 0) -> Listed:
    """The lines of a unit, fixture or run, or all; with `to_answer` the unanswered ones, with `number` that one.

    Raises:
        RunNotFoundError: there is no such folder.
        StorageError: the logbook cannot be read.
    """
    if not root.is_dir():
        raise RunNotFoundError(f"{root} is not a folder; give the data root (`data` in bench.toml)")
    book = read_logbook(RealFiles(root))
    waiting = tuple(each.number for each in book.unanswered)
    chosen = [
        each
        for each in book.entries
        if (not asked.unit or each.unit == asked.unit)
        and (not asked.fixture or each.fixture == asked.fixture)
        and (not asked.run or each.run == asked.run)
        and (not to_answer or each.number in waiting)
        and (not number or each.number == number)
    ]
    by_ns, timezone = _clocks(root)
    return Listed(
        entries=tuple(_corrected(each, by_ns) for each in chosen),
        damages=book.damages,
        timezone=timezone,
        unanswered=waiting,
        closed={of: f"{each.by} in line {each.number}" for of, each in book.closings.items()},
    )


def _clocks(root: Path) -> tuple[dict[tuple[str, str], int], str]:
    """By how much the times of each run are corrected, ns, and the zone of the newest."""
    try:
        runs = list_runs(root)
    except CorruptFileError:
        return {}, "UTC"  # `verify` names it; a line is shown all the same, by recorded times
    by_ns = {(each.fixture, each.run): round(each.redated_s * 1e9) for each in runs}
    return by_ns, runs[0].timezone if runs else "UTC"


def _corrected(entry: Entry, by_ns: dict[tuple[str, str], int]) -> Entry:
    by = by_ns.get((entry.fixture, entry.run), 0)
    if entry.at_ts is None or not by:
        return entry
    return msgspec.structs.replace(entry, at_ts=entry.at_ts + by)
