"""Photos of the logbook as the report shows them: small, inside the page, and only where the stored file is still the one that was noted."""

import hashlib
from base64 import b64encode
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from nightturn.errors import CorruptFileError, NightturnError
from nightturn.logbook.entries import Entry, Photo
from nightturn.storage.files import RealFiles
from nightturn.storage.logbook import photo_path
from nightturn.storage.photos import small

EDGE_PX = 420
"""Of the longer edge of a photo in the page."""
BYTES_MAX = 400_000
"""Of all photos of a page together, as they stand in it; of more the newest."""


@dataclass(frozen=True, slots=True)
class ShownPhoto:
    """A photo: its caption, its JPEG in base64, and its size in pixels."""

    caption: str
    data: str
    width: int
    height: int


def shown_photos(
    root: Path, entries: Sequence[Entry]
) -> tuple[tuple[ShownPhoto, ...], tuple[tuple[str, str], ...]]:
    """The photos of some lines in their order, and which are not shown with why."""
    shown: list[ShownPhoto] = []
    missing: list[tuple[str, str]] = []
    left, bytes_left = 0, BYTES_MAX
    newest_first = [(each, photo) for each in reversed(entries) for photo in reversed(each.photos)]
    for entry, photo in newest_first:
        if bytes_left <= 0:
            left += 1
            continue
        try:
            found = _shown(root, entry, photo)
        except (NightturnError, OSError) as problem:
            missing.append((f"photo of line {entry.number}", f"{photo.named} is not shown: {_why(problem)}"))
            continue
        bytes_left -= len(found.data)
        if bytes_left > 0:
            shown.append(found)
        else:
            left += 1
    if left:
        older = "1 older one is" if left == 1 else f"{left} older ones are"
        missing.append(("photos", f"{older} not shown, to keep the page small; the lines say where they lie"))
    return tuple(reversed(shown)), tuple(missing)


def _shown(root: Path, entry: Entry, photo: Photo) -> ShownPhoto:
    content = RealFiles(root).read(photo_path(photo))
    if hashlib.sha256(content).hexdigest() != photo.sha256:
        raise CorruptFileError(photo_path(photo), "it is not the photo that was noted")
    jpeg, width, height = small(content, EDGE_PX)
    caption = (
        f"Line {entry.number}, {photo.named}. SHA-256 of the stored photo begins with {photo.sha256[:12]}."
    )
    return ShownPhoto(caption, b64encode(jpeg).decode(), width, height)


def _why(problem: Exception) -> str:
    """Without the folder in which it lies: a page is the same wherever its data root is."""
    return "its file cannot be read" if isinstance(problem, OSError) else str(problem)
