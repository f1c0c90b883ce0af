"""Checks of the logbook: every line by its checksum and number, every photo by its hash. Nothing is changed."""

import hashlib
from collections.abc import Iterator

from nightturn.errors import StorageError
from nightturn.logbook.entries import Photo
from nightturn.storage import paths
from nightturn.storage.logbook import LOG, PHOTOS, photo_path, read_logbook
from nightturn.storage.verify_beside import Found
from nightturn.world import ReadFiles

KIND = "logbook"


def logbook(files: ReadFiles) -> Iterator[Found]:
    """What is wrong with lines and photos; a photo without a line is what a crash left, and is no damage.

    Lines that somebody took off the end are not missed: nothing else says that they were there.
    """
    try:
        book = read_logbook(files)
    except StorageError as problem:
        yield Found(KIND, LOG, str(problem))
        return
    for damage in book.damages:
        yield Found(KIND, LOG, damage)
    if book.torn:
        yield Found(KIND, LOG, "its last line has no end; it was never in force", wrong=False)
    if book.unsigned:
        lines = "1 line of it has" if book.unsigned == 1 else f"{book.unsigned} lines of it have"
        yield Found(KIND, LOG, f"{lines} no checksum", wrong=False)
    named = {photo.file: (entry.number, photo) for entry in book.entries for photo in entry.photos}
    for number, photo in named.values():
        yield from _photo(files, number, photo)
    for name in files.list(PHOTOS):
        if name not in named:
            why = "was left by a crash" if name.endswith(paths.TEMPORARY_SUFFIX) else "is named by no line"
            yield Found(KIND, f"{PHOTOS}/{name}", why, wrong=False)


def _photo(files: ReadFiles, number: int, photo: Photo) -> Iterator[Found]:
    path = photo_path(photo)
    try:
        content = files.read(path)
    except FileNotFoundError:
        yield Found(KIND, path, f"is absent; line {number} names it")
    except (OSError, StorageError) as problem:
        yield Found(KIND, path, str(problem))
    else:
        if hashlib.sha256(content).hexdigest() != photo.sha256:
            yield Found(KIND, path, f"is not the photo that line {number} names: its hash is another")
