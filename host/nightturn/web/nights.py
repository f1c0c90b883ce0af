"""What lies below a data root, read anew when its files changed and kept as long as they have not."""

import hashlib
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, TypeVar

from nightturn.report.chosen import accepted_before
from nightturn.report.document import envelope_of
from nightturn.report.drawn import Drawn, drawn
from nightturn.report.first_page import FirstPage, first_page
from nightturn.report.night import ReportNight, night_of
from nightturn.report.reference import Reference
from nightturn.storage.alarm_log import Book
from nightturn.storage.logbook import LOG
from nightturn.storage.reader import Run
from nightturn.storage.runs import RunSummary, list_runs
from nightturn.version import VERSION
from nightturn.web.alarm_list import AlarmList, of_fixture, with_alarms
from nightturn.web.glance import Glance, glance_of
from nightturn.web.heard import Hearing
from nightturn.web.told import idle, told

KEPT_MAX = 64
"""Whole nights with their pictures in memory; each is about a megabyte."""
GLANCES_MAX = 4096
"""Tiles in memory; each is some kilobytes."""
WIDTHS_PX = (320, 1240)
STEP_PX = 40
"""Pictures are drawn for widths that far apart, so that few are kept."""


def width_for(asked_px: int) -> int:
    """The width of a picture for a place that wide."""
    low, high = WIDTHS_PX
    return max(low, min(asked_px, high)) // STEP_PX * STEP_PX


Key = TypeVar("Key")
Value = TypeVar("Value")


class _Kept(Generic[Key, Value]):
    """Values made of a run's files, each as long as the run's summary is the same; the one asked for longest ago goes first."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._kept: OrderedDict[Key, tuple[RunSummary, Value]] = OrderedDict()

    def get(self, key: Key, summary: RunSummary, make: Callable[[], Value]) -> Value:
        """What is kept under a key, made anew where it is of another summary."""
        found = self._kept.get(key)
        if found is None or found[0] != summary:
            found = self._kept[key] = (summary, make())
        self._kept.move_to_end(key)
        if len(self._kept) > self._most:
            self._kept.popitem(last=False)
        return found[1]


@dataclass(frozen=True, slots=True)
class Shown:
    """A run as its page shows it: its night, its first page, and its pictures for one width."""

    night: ReportNight
    first: FirstPage
    drawn: Drawn


class Nights:
    """The newest run of every fixture, and any run by its name; every method may be called from any thread, one works at a time.

    A run is read again when its summary differs: what its files look like is in it.
    """

    def __init__(
        self,
        root: Path,
        hearing: Hearing | None = None,
        *,
        keep_s: float = 0.0,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        """Nothing is read before it is asked for.

        Args:
            root: the data root.
            hearing: what a daemon says of its fixtures; None where none is asked.
            keep_s: for so long a look at the files serves whoever asks; a look costs about a millisecond a run.
            monotonic: the clock of that.
        """
        self._keep_s, self._monotonic = keep_s, monotonic
        self._looked: tuple[float, list[RunSummary]] = (float("-inf"), [])
        self.root = root
        self.hearing = hearing
        self._alarms = AlarmList(root)
        self._lock = threading.Lock()
        self._glances: _Kept[tuple[str, str], Glance] = _Kept(GLANCES_MAX)
        self._nights: _Kept[tuple[str, str], tuple[ReportNight, FirstPage, Reference]] = _Kept(KEPT_MAX)
        self._drawn: _Kept[tuple[str, str, int], Drawn] = _Kept(KEPT_MAX)

    def runs(self) -> list[RunSummary]:
        """Every run, newest first.

        Raises:
            RunNotFoundError: the root does not exist.
            StorageError: its marks cannot be read.
        """
        with self._lock:
            at_s, runs = self._looked
            if self._monotonic() - at_s >= self._keep_s:
                runs = list_runs(self.root)
                self._looked = self._monotonic(), runs
            return runs

    def wall(self) -> list[Glance]:
        """Every fixture by its newest run, in the rig's order where a daemon has said it, else by name.

        Raises:
            StorageError: as `runs`.
        """
        newest: dict[str, RunSummary] = {}
        for each in self.runs():
            newest.setdefault(each.fixture, each)
        known = self.hearing.fixtures if self.hearing is not None else None
        names = known.names if known is not None else ()
        others = sorted(fixture for fixture in newest if fixture not in names)
        return [self.now(fixture, newest.get(fixture)) for fixture in (*names, *others)]

    def one(self, fixture: str) -> Glance | None:
        """A fixture by its newest run; None where nobody knows it.

        Raises:
            StorageError: as `runs`.
        """
        newest = next((each for each in self.runs() if each.fixture == fixture), None)
        known = self.hearing.fixtures if self.hearing is not None else None
        return self.now(fixture, newest) if newest or (known and fixture in known.names) else None

    def now(self, fixture: str, summary: RunSummary | None) -> Glance:
        """A fixture at a glance, by its newest run and by what its daemon says now."""
        glance = self.glance(summary) if summary is not None else idle(fixture)
        known = self.hearing.fixtures if self.hearing is not None else None
        if self.hearing is not None and known is not None and fixture in known.names:
            heard = self.hearing.heard(fixture)
            glance = told(glance, heard, known.timezone) if heard is not None else glance
        return with_alarms(glance, of_fixture(self.book(), fixture))

    def book(self) -> Book:
        """The alarms that are open."""
        with self._lock:
            return self._alarms.book()

    def logbook_stamp(self) -> tuple[int, int]:
        """What the logbook's file looks like, so that a page knows when it has another line; zeros where there is none."""
        try:
            stat = (self.root / LOG).stat()
        except OSError:
            return 0, 0
        return stat.st_size, stat.st_mtime_ns

    def glance(self, summary: RunSummary) -> Glance:
        """A run at a glance."""
        key = (summary.fixture, summary.run)
        with self._lock:
            return self._glances.get(key, summary, lambda: glance_of(Run(self.root, *key), summary))

    def shown(self, summary: RunSummary, width_px: int) -> Shown:
        """A run with its first page and its pictures.

        Raises:
            RunNotFoundError: it has no record of what it is.
            StorageError: a file of it cannot be read.
        """
        key = (summary.fixture, summary.run)
        runs = self.runs()
        with self._lock:
            night, first, envelope = self._nights.get(key, summary, lambda: self._read(summary, runs))
            pictures = self._drawn.get((*key, width_px), summary, lambda: drawn(night, width_px, envelope))
        return Shown(night, first, pictures)

    def _read(
        self, summary: RunSummary, runs: Sequence[RunSummary]
    ) -> tuple[ReportNight, FirstPage, Reference]:
        night = night_of(Run(self.root, summary.fixture, summary.run), summary)
        envelope = envelope_of(night, accepted_before(runs, summary))
        return night, first_page(night, (), envelope), envelope


def etag_of(parts: Sequence[object]) -> str:
    """A word that is the same for the same content by the same version."""
    text = repr((VERSION, *parts)).encode()
    return f'"{hashlib.sha256(text).hexdigest()[:24]}"'
