"""How much room the disk has, and what of that speaks against turning: below a reserve motion ends, and begins only with more."""

from pathlib import Path

from nightturn.fixture.obstacles import NO_PROMISE
from nightturn.model.quantities import bytes_text
from nightturn.settings.rig import Fsync
from nightturn.storage.files import RealFiles

RESERVE_BYTES = (
    1_000_000_000  # some minutes of 36 fixtures at 10 kS/s with their seals: what was begun is ended from it
)
ENOUGH_BYTES = 1_500_000_000  # from here on the disk counts as having room
LOW_BYTES = (
    300_000_000  # events, state and what the device says of itself take some 20 MB an hour with their seals
)
FILES_RESERVE = 1_000  # a chunk of 64 fixtures has some 800 files until it is joined
FEW_FILES = f"fewer than {FILES_RESERVE} files more fit on the disk (inodes), whatever is free on it, and with fewer nothing turns"
LOW = (
    f"less than {bytes_text(LOW_BYTES)} was free on the disk, so samples are not recorded before {bytes_text(RESERVE_BYTES)} are; "
    "events and state are"
)
SHORT = f"less than {bytes_text(RESERVE_BYTES)} was free on the disk, which is kept back for ending what is under way"
SCANT = f"less than {bytes_text(ENOUGH_BYTES)} was free on the disk as recording began, and with less nothing begins to turn"
UNREAD = "how much is free on the disk cannot be read, and nothing turns before it can"


class Room:
    """The reserve with its hysteresis, for one station.

    What was before is not known to a station that begins, after a restart or with another run: it may have been short already.
    So it begins as one that has been, and wants `ENOUGH_BYTES`.

    Attributes:
        low: there is room for events and state only, until there is the reserve again.
    """

    def __init__(self) -> None:
        self.low = False
        self._short: str | None = None  # None before the first look

    def look(self, free_bytes: int, files_left: int) -> str:
        """Why nothing may turn with so many bytes free and so many files still to be had, a sentence; empty when there is room."""
        return self._by_bytes(free_bytes) or (FEW_FILES if files_left < FILES_RESERVE else "")

    def _by_bytes(self, free_bytes: int) -> str:
        self.low = free_bytes < (RESERVE_BYTES if self.low else LOW_BYTES)
        if self.low:
            self._short = LOW
        elif free_bytes < RESERVE_BYTES or self._short == LOW:
            self._short = SHORT if free_bytes < ENOUGH_BYTES else ""
        elif free_bytes >= ENOUGH_BYTES:
            self._short = ""
        elif self._short is None:
            self._short = SCANT
        return self._short


def before_a_night(root: Path, fsync: Fsync) -> str:
    """Why nothing will turn on the disk of a data root, by its room or by the rig file's `fsync`; empty where nothing says so."""
    if fsync == "never":
        return NO_PROMISE
    place = next(each for each in (root.resolve(), *root.resolve().parents) if each.is_dir())
    try:
        free_bytes, files_left = RealFiles(place).room(), RealFiles(place).files_left()
    except OSError as error:
        return f"{UNREAD}: {error}"
    if free_bytes >= ENOUGH_BYTES:
        return FEW_FILES if files_left < FILES_RESERVE else ""
    return f"{bytes_text(free_bytes)} free; nothing begins to turn with less than {bytes_text(ENOUGH_BYTES)}"
