"""Who kept which run, what retention has cleared, and which clock a person has vouched for: one log, only added to.

`retention/log.jsonl` below the data root, a JSON object a line. A line counts when its end is on the disk; a torn last
one is cut off by the next. A line that cannot be read may have kept a run, so nothing is cleared behind it.
"""

import fcntl
import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Literal

import msgspec

from nightturn.errors import CorruptFileError, StorageError
from nightturn.storage.manifest import Manifest
from nightturn.storage.moments import local_text
from nightturn.world import Files

FOLDER = "retention"
LOG = f"{FOLDER}/log.jsonl"
_LOCK = "lock"

Kind = Literal["tape", "raw", "figures"]
KINDS: tuple[Kind, ...] = ("tape", "raw", "figures")


class Mark(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One line of the log.

    Attributes:
        what: kept and released of a run; cleared of a run's files of one kind; clock: it was right at `utc_ns`.
        by: the name given, or `serve` where it acted by the rig file.
        reason: a sentence.
        bytes, files: of what was cleared.
    """

    what: Literal["kept", "released", "cleared", "clock"]
    utc_ns: int
    by: str
    reason: str
    fixture: str = ""
    run: str = ""
    kind: Kind | None = None
    bytes: int = 0
    files: int = 0


class Marks:
    """What the log says, the last line of a run being the one that counts."""

    def __init__(self, lines: Iterable[Mark]) -> None:
        self._kept: dict[tuple[str, str], bool] = {}
        self._cleared: dict[tuple[str, str], dict[Kind, Mark]] = {}
        self.clock_right_utc_ns = 0  # the newest moment at which a person vouched for the clock
        for mark in lines:
            run = (mark.fixture, mark.run)
            if mark.what == "clock":
                self.clock_right_utc_ns = mark.utc_ns
            elif mark.kind is not None:
                self._cleared.setdefault(run, {})[mark.kind] = mark
            else:
                self._kept[run] = mark.what == "kept"

    def keeps(self, manifest: Manifest) -> bool:
        """Whether a run is exempt from retention: by the log, else by its manifest."""
        return self.kept(manifest.fixture, manifest.run, otherwise=manifest.kept)

    def kept(self, fixture: str, run: str, *, otherwise: bool) -> bool:
        """The same of a run of which the manifest says `otherwise`."""
        return self._kept.get((fixture, run), otherwise)

    def cleared(self, fixture: str, run: str) -> dict[Kind, Mark]:
        """What of a run has been cleared, by kind."""
        return self._cleared.get((fixture, run), {})


def read_marks(files: Files) -> Marks:
    """The log.

    Raises:
        CorruptFileError: a line cannot be read.
        StorageError: the file cannot.
    """
    try:
        content = files.read(LOG)
    except FileNotFoundError:
        return Marks(())
    except OSError as problem:
        raise StorageError(f"{LOG}: {problem}") from problem
    return Marks(_decoded(content))


def add_marks(files: Files, marks: Iterable[Mark]) -> None:
    """Make lines durable at the end of the log.

    Raises:
        StorageError: they may not be durable.
    """
    lines = b"".join(msgspec.json.encode(mark) + b"\n" for mark in marks)
    try:
        if LOG.rpartition("/")[2] in files.list(FOLDER):
            content = files.read(LOG)
            if not content.endswith(b"\n"):
                files.truncate(LOG, content.rfind(b"\n") + 1)
        files.append(LOG, lines)
        files.sync(LOG)
        files.sync_dir(FOLDER)
    except OSError as problem:
        raise StorageError(f"{LOG}: {problem}") from problem


@contextmanager
def one_at_a_time(root: Path) -> Iterator[None]:
    """Keep a clearing and whoever marks a run apart, between processes too.

    Raises:
        StorageError: the lock's file cannot be opened.
    """
    try:
        (root / FOLDER).mkdir(parents=True, exist_ok=True)
        descriptor = os.open(root / FOLDER / _LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError as problem:
        raise StorageError(f"{root / FOLDER / _LOCK}: {problem}") from problem
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)


def cleared_text(mark: Mark, timezone: str) -> str:
    """What is said of files that retention has cleared."""
    what = {"tape": "tape", "raw": "its raw samples", "figures": "its figures, events and gaps"}
    when = local_text(mark.utc_ns, timezone)
    return f"{what[mark.kind or 'tape']} went on {when} by {mark.by}: {mark.reason}"


def _decoded(content: bytes) -> Iterator[Mark]:
    for number, line in enumerate(content.split(b"\n")[:-1], 1):
        try:
            yield msgspec.json.decode(line, type=Mark)
        except (msgspec.MsgspecError, UnicodeDecodeError) as problem:
            what = f"line {number} cannot be read ({problem}); nothing is cleared until a person has looked at it"
            raise CorruptFileError(LOG, what) from problem
