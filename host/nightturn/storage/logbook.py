"""The logbook below a data root: `logbook/log.jsonl`, only added to, and the photos beside it by the hash of what is stored.

A photo is durable before the line that names it, so a line without its photo is damage and a photo without a line is what a crash left.
Retention clears neither.
"""

import hashlib
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

import msgspec

from nightturn.errors import ConfigError, StorageError
from nightturn.logbook.entries import NUMBER_MAX, Entry, Photo
from nightturn.logbook.lines import Logbook, encoded, read
from nightturn.storage import paths
from nightturn.storage.appending import append_lines
from nightturn.storage.files import RealFiles
from nightturn.storage.marks import one_at_a_time
from nightturn.storage.photos import Stripped
from nightturn.world import Files, ReadFiles

FOLDER = "logbook"
LOG = f"{FOLDER}/log.jsonl"
PHOTOS = f"{FOLDER}/photos"


def read_logbook(files: ReadFiles) -> Logbook:
    """What the logbook says; nothing where there is none.

    Raises:
        StorageError: it cannot be read.
    """
    try:
        return read(files.read(LOG))
    except FileNotFoundError:
        return Logbook()
    except OSError as problem:
        raise StorageError(f"{LOG}: {problem}") from problem


def add_entry(root: Path, entry: Entry, photos: Sequence[Stripped] = ()) -> Entry:
    """Make a line durable, its photos first; it gets the next number, and its photos their names.

    Raises:
        ConfigError: it answers a line that is not there, or was answered before.
        StorageError: it may not be on the disk.
    """
    files = RealFiles(root)
    with one_at_a_time(root, FOLDER), closing(files):
        return written_line(files, entry, photos)


def written_line(files: Files, entry: Entry, photos: Sequence[Stripped]) -> Entry:
    """The same where nobody else writes.

    Raises:
        ConfigError: as `add_entry`.
        StorageError: as `add_entry`.
    """
    book = read_logbook(files)
    _check_closes(book, entry)
    if book.last >= NUMBER_MAX:
        raise StorageError(f"{LOG}: has {book.last} lines; no more are added to it")
    stored = tuple(_store(files, each) for each in photos)
    entry = msgspec.structs.replace(entry, number=book.last + 1, photos=stored)
    append_lines(files, LOG, encoded(entry))
    return entry


def _check_closes(book: Logbook, entry: Entry) -> None:
    if entry.closes is None:
        return
    if entry.closes not in {each.number for each in book.entries}:
        what = f"the logbook has no line {entry.closes}"
        raise ConfigError(what, where="--close", allowed="a number that `nightturn note --list` shows")
    before = book.closings.get(entry.closes)
    if before is not None:
        what = f"line {entry.closes} was answered by {before.by} in line {before.number}"
        raise ConfigError(what, where="--close", allowed="a line that nobody has answered")


def photo_path(photo: Photo) -> str:
    """Where a photo lies."""
    return f"{PHOTOS}/{photo.file}"


def _store(files: Files, photo: Stripped) -> Photo:
    """Write a photo beside where it goes and rename it; the same picture is stored once."""
    digest = hashlib.sha256(photo.content).hexdigest()
    name = f"{digest}.{photo.suffix}"
    temporary = f"{PHOTOS}/.{name}{paths.TEMPORARY_SUFFIX}"
    try:
        there = files.list(PHOTOS)
        if name not in there or files.read(f"{PHOTOS}/{name}") != photo.content:
            if temporary.rpartition("/")[2] in there:
                files.remove(temporary)
            files.append(temporary, photo.content)
            files.sync(temporary)
            files.replace(temporary, f"{PHOTOS}/{name}")
            files.sync_dir(PHOTOS)
    except OSError as problem:
        raise StorageError(f"{PHOTOS}/{name}: {problem}") from problem
    return Photo(
        sha256=digest,
        file=name,
        bytes=len(photo.content),
        width=photo.width,
        height=photo.height,
        named=photo.named,
        removed=photo.removed,
    )
