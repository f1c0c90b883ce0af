"""Who kept which run, what retention has cleared, whose times were wrong, and which clock a person has vouched for: a log, only added to.

`retention/log.jsonl` below the data root, a JSON object with its checksum a line. What it says of a run is also said in a file
beside the run's manifest, which is written first: a run is kept while either says so, so neither can be lost unseen. A line
counts when its end is on the disk; a torn last one is cut off by the next. A line of the log that cannot be read may have
kept a run, so nothing is cleared behind it; a run beside which one cannot be read is kept.
"""

import fcntl
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Literal, NamedTuple

import msgspec

from nightturn.errors import CorruptFileError, StorageError
from nightturn.model.lines import checked, with_checksum
from nightturn.storage import paths
from nightturn.storage.appending import append_lines
from nightturn.storage.manifest import Manifest
from nightturn.storage.zones import local_text
from nightturn.world import Files, ReadFiles

FOLDER = "retention"
LOG = f"{FOLDER}/log.jsonl"
_LOCK = "lock"

Kind = Literal["tape", "raw", "figures"]
KINDS: tuple[Kind, ...] = ("tape", "raw", "figures")


class Mark(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One line of the log.

    Attributes:
        what: kept and released of a run; cleared of a run's files of one kind; joined: raw chunks became one file, which `reason` names; redated: the
            run's clock was wrong; clock: it was right at `utc_ns`.
        by: the name given, or `serve` where it acted by the rig file.
        reason: a sentence.
        bytes, files: of what was cleared; of a joined file, and how many it was joined from.
        by_ns: what is to be added to the run's recorded times, ns; a later line replaces it.
    """

    what: Literal["kept", "released", "cleared", "joined", "redated", "clock"]
    utc_ns: int
    by: str
    reason: str
    fixture: str = ""
    run: str = ""
    kind: Kind | None = None
    bytes: int = 0
    files: int = 0
    by_ns: int = 0


class Written(NamedTuple):
    """What a file of lines says.

    Attributes:
        marks: of every line that can be read, in order.
        unsigned: how many of them have no checksum.
        damage: what is wrong with the first line that cannot be read; empty when all can.
        torn: the last line has no end.
    """

    marks: tuple[Mark, ...] = ()
    unsigned: int = 0
    damage: str = ""
    torn: bool = False


RunKey = tuple[str, str]


class Marks:
    """What is said of every run, the last line of each file being the one that counts there."""

    def __init__(self, log: Iterable[Mark], beside: Mapping[RunKey, Written]) -> None:
        self._kept: dict[RunKey, list[bool]] = {}  # by each file that says it
        self._cleared: dict[RunKey, dict[Kind, Mark]] = {}
        self._redated: dict[RunKey, list[Mark]] = {}
        self._damaged: dict[RunKey, str] = {}
        self.clock_right_utc_ns = 0  # the newest moment at which a person vouched for the clock
        self._take(log)
        for run, written in beside.items():
            self._take(written.marks)
            if written.damage:
                self._damaged[run] = written.damage
                self._kept.setdefault(run, []).append(True)

    def _take(self, lines: Iterable[Mark]) -> None:
        kept: dict[RunKey, bool] = {}
        for mark in lines:
            run = (mark.fixture, mark.run)
            if mark.what == "clock":
                self.clock_right_utc_ns = mark.utc_ns
            elif mark.what == "redated":
                before = self._redated.setdefault(run, [])
                before += [mark] if mark not in before else []
            elif mark.what == "cleared" and mark.kind is not None:
                self._cleared.setdefault(run, {})[mark.kind] = mark
            elif mark.what in {"kept", "released"}:
                kept[run] = mark.what == "kept"
        for run, said in kept.items():
            self._kept.setdefault(run, []).append(said)

    def keeps(self, manifest: Manifest) -> bool:
        """Whether a run is exempt from retention: by the marks, else by its manifest."""
        return self.kept(manifest.fixture, manifest.run, otherwise=manifest.kept)

    def kept(self, fixture: str, run: str, *, otherwise: bool) -> bool:
        """The same of a run of which the manifest says `otherwise`."""
        return any(self._kept.get((fixture, run), [otherwise]))

    def cleared(self, fixture: str, run: str) -> dict[Kind, Mark]:
        """What of a run has been cleared, by kind."""
        return self._cleared.get((fixture, run), {})

    def damage(self, fixture: str, run: str) -> str:
        """What cannot be read beside a run's manifest; empty where everything can."""
        return self._damaged.get((fixture, run), "")

    def corrections(self, fixture: str, run: str) -> int:
        """How often a person has corrected a run's times."""
        return len(self._redated.get((fixture, run), []))

    def redated(self, fixture: str, run: str) -> Mark | None:
        """The correction of a run's times that is in force; None where its recorded times stand.

        Raises:
            CorruptFileError: a line beside its manifest cannot be read, so its times are not known.
        """
        damage = self.damage(fixture, run)
        if damage:
            what = f"{damage}; it may correct the run's times; delete the line, and say a correction again with `nightturn redate`"
            raise CorruptFileError(paths.marks_path(fixture, run), what)
        mark = next(iter(self._redated.get((fixture, run), [])[-1:]), None)
        return mark if mark is not None and mark.by_ns else None


def read_marks(files: ReadFiles, of: RunKey | None = None) -> Marks:
    """The log, and what is said beside every run's manifest; or of one fixture and run only, whose lines alone are decoded.

    Raises:
        CorruptFileError: a line of the log cannot be read.
        StorageError: a file cannot.
    """
    log = read_lines(files, LOG, about=of[1] if of is not None else "")
    if log.damage:
        what = f"{log.damage}; nothing is cleared until a person has looked at it and deleted the line"
        raise CorruptFileError(LOG, what)
    runs = _with_marks(files) if of is None else [of]
    return Marks(log.marks, {run: read_lines(files, paths.marks_path(*run)) for run in runs})


def _with_marks(files: ReadFiles) -> list[RunKey]:
    """The runs beside whose manifest something is said; nothing is opened."""
    return [
        (fixture, name.removesuffix(paths.MARKS_SUFFIX))
        for fixture in files.list("runs")
        for name in files.list(f"runs/{fixture}")
        if name.endswith(paths.MARKS_SUFFIX) and paths.is_run(name.removesuffix(paths.MARKS_SUFFIX))
    ]


def read_lines(files: ReadFiles, path: str, about: str = "") -> Written:
    """What a file of lines says, or those of its lines that hold a text; nothing where it is absent.

    Raises:
        StorageError: it cannot be read.
    """
    try:
        content = files.read(path)
    except FileNotFoundError:
        return Written()
    except OSError as problem:
        raise StorageError(f"{path}: {problem}") from problem
    wanted = about.encode()
    *lines, rest = content.split(b"\n")
    marks, unsigned, damage = [], 0, ""
    for number, line in enumerate(lines, 1) if wanted in content else ():
        if wanted not in line:
            continue
        try:
            text, signed = checked(line)
            marks.append(msgspec.json.decode(text, type=Mark))
            unsigned += not signed
        except (msgspec.MsgspecError, UnicodeDecodeError) as problem:
            damage = damage or f"line {number} cannot be read ({problem})"
    return Written(tuple(marks), unsigned, damage, bool(rest))


def add_marks(files: Files, marks: Sequence[Mark]) -> None:
    """Make lines durable: what is of a run beside its manifest first, then everything at the end of the log.

    Of the same runs each file gets what only the other one has, so that one which was lost is whole again.

    Raises:
        StorageError: they may not be durable.
    """
    log = read_lines(files, LOG).marks
    again: list[Mark] = []
    for run in dict.fromkeys((mark.fixture, mark.run) for mark in marks if mark.run):
        path = paths.marks_path(*run)
        beside = read_lines(files, path).marks
        of_run = [mark for mark in log if (mark.fixture, mark.run) == run and mark not in beside]
        again += [mark for mark in beside if mark not in log]
        _append(files, path, [*of_run, *(mark for mark in marks if (mark.fixture, mark.run) == run)])
    _append(files, LOG, [*again, *marks])


def _append(files: Files, path: str, marks: Sequence[Mark]) -> None:
    append_lines(files, path, b"".join(with_checksum(msgspec.json.encode(mark)) + b"\n" for mark in marks))


@contextmanager
def one_at_a_time(root: Path, folder: str = FOLDER) -> Iterator[None]:
    """Keep a clearing and whoever marks a run apart, between processes too; or those who write in another folder of the root.

    Raises:
        StorageError: the lock's file cannot be opened.
    """
    try:
        (root / folder).mkdir(parents=True, exist_ok=True)
        descriptor = os.open(root / folder / _LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError as problem:
        raise StorageError(f"{root / folder / _LOCK}: {problem}") from problem
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)


@contextmanager
def undisturbed(root: Path) -> Iterator[None]:
    """Wait until nobody writes marks, and keep it so; nothing is made in a root that is only read.

    Raises:
        StorageError: the lock's file is there and cannot be opened.
    """
    try:
        descriptor = os.open(root / FOLDER / _LOCK, os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        yield
        return
    except OSError as problem:
        raise StorageError(f"{root / FOLDER / _LOCK}: {problem}") from problem
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH)
        yield
    finally:
        os.close(descriptor)


def cleared_text(mark: Mark, timezone: str) -> str:
    """What is said of files that retention has cleared."""
    what = {"tape": "tape", "raw": "its raw samples", "figures": "its figures, events and gaps"}
    when = local_text(mark.utc_ns, timezone)
    return f"{what[mark.kind or 'tape']} went on {when} by {mark.by}: {mark.reason}"
