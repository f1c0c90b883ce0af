"""What was read of a unit's runs for its history, kept in the catalogue as long as the files have the names that they had then.

A file's name carries the checksum of its content, so the same names are the same rows. What is not kept, or of a run that has other files by now,
is read from them; in somebody else's data root nothing is kept.
"""

from collections.abc import Sequence
from pathlib import Path

import structlog

from nightturn.errors import StorageError
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.entries import NightEntry
from nightturn.storage.reader import Run

log: structlog.stdlib.BoundLogger = structlog.get_logger()


class KeptNights:
    """Of one unit below a data root, by fixture and run."""

    def __init__(self, root: Path, unit: str) -> None:
        self._unit = unit
        self._catalogue = Catalogue.present(root)
        self._kept: dict[tuple[str, str], NightEntry] = {}
        self._fresh: list[NightEntry] = []
        if self._catalogue is not None:
            try:
                self._kept = {(each.fixture, each.run): each for each in self._catalogue.nights(unit)}
            except StorageError as problem:
                log.debug("catalogue_not_used", why=str(problem))

    def content(self, run: Run, stamp: str) -> bytes | None:
        """What is kept of a run whose files look like `stamp`; None where that is nothing."""
        entry = self._kept.get((run.fixture, run.run))
        return entry.content if entry is not None and entry.stamp == stamp else None

    def keep(self, run: Run, stamp: str, content: bytes) -> None:
        """Keep this from the next `enter` on; `stamp` was made before the files were read."""
        self._fresh.append(NightEntry(self._unit, run.fixture, run.run, stamp, content))

    def enter(self) -> None:
        """Write what is to be kept."""
        if self._catalogue is None or not self._fresh:
            return
        try:
            self._catalogue.add_nights(self._fresh)
        except StorageError as problem:  # the answer holds; the next one takes as long
            log.debug("nights_not_entered", why=str(problem))


def stamp_of(run: Run, datasets: Sequence[str], what: str) -> str:
    """The names of a run's files of some datasets, behind `what` is read of them.

    Raises:
        StorageError: they cannot be listed.
    """
    names = (f"{dataset}:{','.join(each.name.text for each in run.chunks(dataset))}" for dataset in datasets)
    return " ".join((what, *names))
