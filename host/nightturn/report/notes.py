"""What the logbook says of a night and its unit, as the report shows it."""

from dataclasses import dataclass

import msgspec

from nightturn.errors import StorageError
from nightturn.logbook.entries import Entry
from nightturn.logbook.wording import photo_texts, place_text, what_text
from nightturn.report.night import ReportNight
from nightturn.report.photos import ShownPhoto, shown_photos
from nightturn.storage.files import RealFiles
from nightturn.storage.logbook import read_logbook
from nightturn.storage.zones import local_text

NOTES_MAX = 100
"""Of one page; of more the newest."""


@dataclass(frozen=True, slots=True)
class Noted:
    """Rows of when and what, and the photos beside them."""

    rows: tuple[tuple[str, str], ...] = ()
    photos: tuple[ShownPhoto, ...] = ()


def notes(night: ReportNight) -> Noted:
    """Lines of this run, and those of its unit that somebody is still to answer."""
    root = night.run.stored.local
    if root is None:
        return Noted()
    try:
        book = read_logbook(RealFiles(root))
    except StorageError as problem:
        return Noted((("not read", str(problem)),))
    waiting = {each.number for each in book.unanswered}
    run = (night.run.fixture, night.run.run)
    of_run = [each for each in book.entries if (each.fixture, each.run) == run]
    of_unit = [each for each in book.of_unit(night.unit) if each.number in waiting and each not in of_run]
    every = sorted([*of_run, *of_unit], key=lambda each: each.number)
    mark = night.run.redated
    by_ns = mark.by_ns if mark is not None else 0
    rows = [_row(each, night.summary.timezone, run, by_ns, waits=each.number in waiting) for each in every]
    left = len(rows) - NOTES_MAX
    rows = [*([("earlier", f"{left} more lines")] if left > 0 else []), *rows[-NOTES_MAX:]]
    photos, missing = shown_photos(root, every[-NOTES_MAX:])
    return Noted((*rows, *missing, *(("not read", each) for each in book.damages)), photos)


def _within(entry: Entry, run: tuple[str, str]) -> Entry:
    """What the head of the page says already is left out of the line."""
    if (entry.fixture, entry.run) != run:
        return entry
    return msgspec.structs.replace(entry, unit="", fixture="", run="")


def _row(entry: Entry, zone: str, run: tuple[str, str], by_ns: int, *, waits: bool) -> tuple[str, str]:
    """Its times as the page's: `by_ns` is the correction of the run's clock, for lines of the run."""
    by_ns = by_ns if (entry.fixture, entry.run) == run else 0

    def moment(ts: int) -> str:
        return local_text(ts + by_ns, zone)

    said = [f"{entry.by}, {what_text(entry)}: {entry.text}".rstrip(": ")]
    said += [place] if (place := place_text(_within(entry, run), moment)) else []
    said += photo_texts(entry)
    said += ["waits for an answer"] if waits else []
    return f"line {entry.number}, {local_text(entry.utc_ns, zone)}", "; ".join(said)
