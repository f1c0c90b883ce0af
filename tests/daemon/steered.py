"""The real daemon on files that a test steers: a disk that fills, a process that dies at one operation of its own.

Everything else is what `nightturn` does. What is steered is the daemon's `Files`, put in where it makes its world.
"""

import dataclasses
import errno
import os
import signal
import sys
import threading
from pathlib import Path
from typing import Self

import msgspec

from nightturn.bench.worlds import real_world
from nightturn.cli import main as nightturn
from nightturn.daemon import serve
from nightturn.storage.sealer import OwnSealer
from nightturn.world import Files, World

FULL, NEARLY_FULL = "full", "nearly full"
SMALL_BYTES = 300  # a control tick behind what is told after an outage fits, a frame of samples does not


class Steering(msgspec.Struct, frozen=True, kw_only=True):
    """What a test wants of a daemon.

    Attributes:
        die_after: the process is killed behind so many changes of its files; 0: never.
        die_behind_seal: it is killed as soon as a segment stands among the sealed ones.
        die_before_record: it is killed when the first record of this start is about to be written.
        log: a file that gets a line for every change: what was done, to which path, where a rename led.
        disk: a file whose content says what the disk takes: everything if it is absent, else `FULL` or `NEARLY_FULL`.
        switch_s: how long a thread runs before another has its turn; 0: as usual.
    """

    die_after: int = 0
    die_behind_seal: bool = False
    die_before_record: bool = False
    log: str = ""
    disk: str = ""
    switch_s: float = 0.0

    @property
    def word(self) -> str:
        """It as one word of a command line."""
        return msgspec.json.encode(self).decode()


class SteeredFiles:
    """`world.Files` that obeys the steering and passes everything on."""

    def __init__(self, inner: Files, steering: Steering) -> None:
        self._inner = inner
        self._steering = steering
        self._lock = threading.Lock()
        self._changes = 0

    def read(self, path: str) -> bytes:
        """The whole file."""
        return self._inner.read(path)

    def list(self, path: str) -> list[str]:
        """Names in a folder."""
        return self._inner.list(path)

    def append(self, path: str, content: bytes) -> None:
        """Write at the end, if the disk takes it."""
        of_the_loop = threading.current_thread() is threading.main_thread()  # recovery is a job beside it
        if self._steering.die_before_record and of_the_loop and path.startswith("journal/"):
            _die()
        self._takes(path, len(content))
        self._inner.append(path, content)
        self._changed("append", path)

    def truncate(self, path: str, size: int) -> None:
        """Cut the file."""
        self._inner.truncate(path, size)
        self._changed("truncate", path)

    def reserve(self, path: str, size: int) -> None:
        """Have room kept."""
        self._inner.reserve(path, size)

    def sync(self, path: str) -> None:
        """Make the content durable, if the disk takes it."""
        self._takes(path, 0)
        self._inner.sync(path)
        self._changed("sync", path)

    def replace(self, source: str, target: str) -> None:
        """Rename."""
        self._inner.replace(source, target)
        self._changed("replace", source, target)

    def sync_dir(self, path: str) -> None:
        """Make a folder's names durable."""
        self._inner.sync_dir(path)
        self._changed("sync_dir", path)

    def remove(self, path: str) -> None:
        """Delete one file."""
        self._inner.remove(path)
        self._changed("remove", path)

    def _takes(self, path: str, size: int) -> None:
        if not self._steering.disk:
            return
        try:
            said = Path(self._steering.disk).read_text(encoding="utf-8")
        except FileNotFoundError:
            return
        if said == FULL or (said == NEARLY_FULL and size > SMALL_BYTES):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), path)

    def _changed(self, name: str, path: str, target: str = "") -> None:
        with self._lock:
            self._changes += 1
            if self._steering.log:
                with Path(self._steering.log).open("a", encoding="utf-8") as log:
                    log.write(f"{name} {path} {target}\n")
            sealed = self._steering.die_behind_seal and "/sealed/" in target
            if sealed or self._changes == self._steering.die_after:
                _die()


class SteeredSealer(OwnSealer):
    """The daemon's, which its child does not do: what is steered is this process."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        """Nothing is to be ended."""


def _die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)
    signal.pause()  # nothing more is done until it is there


def main() -> None:
    """`nightturn` with the words behind the first, which is the steering."""
    steering = msgspec.json.decode(sys.argv.pop(1), type=Steering)
    if steering.switch_s:
        sys.setswitchinterval(steering.switch_s)

    steered: list[SteeredFiles] = []

    def world(root: Path) -> World:
        made = real_world(root)
        steered.append(SteeredFiles(made.files, steering))
        return dataclasses.replace(made, files=steered[-1])

    def sealer(_root: Path, _lock: int, *, at_once: bool = True) -> SteeredSealer:
        del at_once
        return SteeredSealer(steered[-1])

    # put in from outside, where the daemon makes its own
    setattr(serve, "real_world", world)  # noqa: B010 - put in from outside
    setattr(serve, "ChildSealer", sealer)  # noqa: B010 - the same
    nightturn()
