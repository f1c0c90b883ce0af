"""The log of alarms below the data root: `alarms/log-000001.jsonl` and so on, only ever added to, hash-chained across files.

Each file begins with the state of the core, so that a start and a reader need the newest file only. A line counts when its end is in
the file; a torn last one is cut off at the next start. A file whose chain is broken stays as it is, for whoever looks into
it: what can be read before the place leads into the next file, and people are called.
"""

import re
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from nightturn.alarms.book import Reader, read_lines, take_all
from nightturn.alarms.chain import FIRST, Carried, Line, Said, sealed
from nightturn.alarms.engine import Alarms
from nightturn.errors import StorageError
from nightturn.model.alarms import AlarmRow
from nightturn.storage.files import RealFiles
from nightturn.version import VERSION
from nightturn.world import Files, ReadFiles

FOLDER = "alarms"
FILE_BYTES_MAX = 8_000_000
"""A file that is larger is followed by another one at the next line."""
_NAME = re.compile(r"log-(\d{6})\.jsonl")


class Book(NamedTuple):
    """What a reader finds.

    Attributes:
        rows: the alarms that are open, as `alarms.engine.Alarms.rows` sorts them.
        ts: when the newest line was said, UTC ns; 0 where nothing was ever said.
        lines, head: of the newest line, its number and hash.
        problem: why some of it may be wrong, a sentence; empty where all could be read and agrees with itself.
    """

    rows: tuple[AlarmRow, ...] = ()
    ts: int = 0
    lines: int = 0
    head: str = FIRST
    problem: str = ""


def read_book(root: Path) -> Book:
    """The alarms of a data root as its log says them, with or without a daemon; nothing is changed.

    Raises:
        StorageError: the log cannot be read at all.
    """
    files = RealFiles(root)
    names = _names(files)
    if not names:
        return Book()
    reader = Reader(None, None)
    problem = _read(files, names[-1], reader).problem
    return _book(reader, problem)


def check_book(root: Path) -> tuple[Book, int]:
    """The same from the first line of all, with every hash, and whether the core would say each change again; and how many changes.

    Raises:
        StorageError: a file of the log cannot be read at all.
    """
    files = RealFiles(root)
    reader = Reader()
    problems = []
    for place, name in enumerate(_names(files), start=1):
        if name != _name(place):
            problems.append(f"{_name(place)} is missing")
        problem = _read(files, name, reader).problem
        if problem:
            problems.append(problem)
            break
    return _book(reader, "; ".join(problems)), reader.changes


class Placed(NamedTuple):
    """A line of the log: its number, the file that it belongs to, the byte at which it begins there, and its text."""

    n: int
    path: str
    at: int
    text: bytes


class AlarmLog:
    """The log as its one writer has it; whoever makes it owns the data root.

    Attributes:
        alarms: the core as the lines so far have made it.
        ts: of the newest line, UTC ns. lines, head: its number and hash.
        trouble: why what is there is not whole, a sentence; empty where it is.
    """

    def __init__(self, files: Files) -> None:
        """Read the newest file, and cut off a line that was not finished.

        Raises:
            StorageError: it cannot be read, or not written.
        """
        self._files = files
        self.alarms = Alarms()
        self.trouble = ""
        self.lines, self.head = 0, FIRST
        self._place, self._size = 0, FILE_BYTES_MAX
        names = _names(files)
        if not names:
            return
        reader = Reader(None, None)
        found = _read(files, names[-1], reader)
        ours = reader.version == VERSION  # another one may say otherwise what follows from the same words
        self.alarms, self.trouble = reader.alarms, found.problem or (reader.difference if ours else "")
        self.lines, self.head = reader.n or 0, reader.head or FIRST
        self._place = _place(names[-1])
        if found.torn and not found.problem:
            files.truncate(_path(names[-1]), found.whole)
            files.sync(_path(names[-1]))
        self._size = FILE_BYTES_MAX if self.trouble or not ours else found.whole

    @property
    def ts(self) -> int:
        """When the newest word was said, UTC ns."""
        return self.alarms.ts

    @property
    def full(self) -> bool:
        """Whether another file has to be begun before the core takes its next word."""
        return self._size >= FILE_BYTES_MAX

    def begin(self) -> Placed:
        """The first line of another file: the core as it is now."""
        self._place, self._size = self._place + 1, 0
        return self.line(self.alarms.ts, Carried(self.alarms.snapshot(), VERSION))

    def line(self, ts: int, said: Said) -> Placed:
        """The next line of the chain; it counts when `write` has put it on the disk."""
        text, self.head = sealed(Line(self.lines + 1, self.head, ts, said))
        self.lines += 1
        at, self._size = self._size, self._size + len(text)
        return Placed(self.lines, _path(_name(self._place)), at, text)


def write(files: Files, lines: Sequence[Placed], *, again: bool = False) -> None:
    """Put lines on the disk and return when they are kept; a place for slow work calls this.

    Args:
        files: of the data root.
        lines: in order, each with where it belongs.
        again: whether an earlier attempt may have left a part of them behind.

    Raises:
        StorageError: they could not be kept.
    """
    for path in dict.fromkeys(line.path for line in lines):
        ours = [line for line in lines if line.path == path]
        if again and path.rpartition("/")[2] in files.list(FOLDER):
            files.truncate(path, ours[0].at)
        files.append(path, b"".join(line.text for line in ours))
        files.sync(path)
    files.sync_dir(FOLDER)


class _Found(NamedTuple):
    problem: str
    torn: bool
    whole: int


def _read(files: ReadFiles, name: str, reader: Reader) -> _Found:
    try:
        content = files.read(_path(name))
    except OSError as error:
        raise StorageError(f"{_path(name)}: cannot be read: {error}") from error
    lines, torn = read_lines(content)
    trouble = take_all(reader, lines)
    problem = f"{_path(name)}: {trouble}" if trouble else ""
    return _Found(problem, bool(torn), len(content) - len(torn))


def _book(reader: Reader, problem: str) -> Book:
    rows = tuple(reader.alarms.rows())
    return Book(rows, reader.alarms.ts, reader.n or 0, reader.head or FIRST, problem or reader.difference)


def _names(files: ReadFiles) -> list[str]:
    return [name for name in files.list(FOLDER) if _NAME.fullmatch(name)]


def _name(place: int) -> str:
    return f"log-{place:06d}.jsonl"


def _place(name: str) -> int:
    found = _NAME.fullmatch(name)
    return int(found[1]) if found is not None else 0


def _path(name: str) -> str:
    return f"{FOLDER}/{name}"
