"""What a core or shell may ask of the world outside: time, files and a place for slow work."""

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Protocol


class Clock(Protocol):
    """The two clocks: one that never steps, one that people read."""

    def monotonic_ns(self) -> int:
        """Nanoseconds of a clock that never steps."""
        ...

    def utc_ns(self) -> int:
        """Nanoseconds since 1970-01-01T00:00:00Z."""
        ...


class ReadFiles(Protocol):
    """What every reader of files asks; paths are relative to the data root."""

    def read(self, path: str) -> bytes:
        """The whole file."""
        ...

    def list(self, path: str) -> list[str]:
        """Sorted names in a folder; empty when the folder is absent."""
        ...


class Files(ReadFiles, Protocol):
    """The file operations whose order decides what survives a crash; paths are relative to the data root."""

    def append(self, path: str, content: bytes) -> None:
        """Write at the end, creating the file and its folders if absent."""
        ...

    def truncate(self, path: str, size: int) -> None:
        """Cut the file to `size` bytes."""
        ...

    def reserve(self, path: str, size: int) -> None:
        """Have the disk keep room for the file to grow to `size` bytes; its length stays as it is. Nothing where a disk cannot."""
        ...

    def sync(self, path: str) -> None:
        """Return when the file's content is durable."""
        ...

    def replace(self, source: str, target: str) -> None:
        """Rename atomically over `target`."""
        ...

    def sync_dir(self, path: str) -> None:
        """Return when the folder's entries are durable."""
        ...

    def remove(self, path: str) -> None:
        """Delete one file."""
        ...


class Offload(Protocol):
    """Runs a slow job away from the loop: a thread pool, or inline in virtual time."""

    def __call__(self, job: Callable[[], None], /) -> Awaitable[None]:
        """Run the job; the awaitable ends when it has ended, with its exception if it raised."""
        ...


def boundless() -> int:
    """Room for a world whose disk never fills."""
    return 1 << 62


@dataclass(frozen=True, slots=True)
class World:
    """Everything outside, handed in at the composition root.

    Attributes:
        room: how many bytes the data root's disk still takes.
        files_left: how many files more it takes, by its inodes.
        figures: where figures are worked out, so that they do not wait behind a disk; None for where all slow work is done.
        syncs: where tape is made durable, so that no other slow work holds that up; None: `offload`.
        seals: where seals are made, which take long; None: `offload`.
    """

    clock: Clock
    files: Files
    offload: Offload
    room: Callable[[], int] = boundless
    figures: Offload | None = None
    syncs: Offload | None = None
    seals: Offload | None = None
    files_left: Callable[[], int] = boundless
