"""Who turns finished segments into Parquet and compresses them, and joins raw chunks: this process, or a child that works for it."""

from collections.abc import Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Protocol

from nightturn.model.records import Emit
from nightturn.model.rows import ChunkPlan
from nightturn.storage.joining_raw import Hours
from nightturn.storage.seal import Sealed, pack_sealed, write_chunks
from nightturn.world import Files


class Sealer(Protocol):
    """The long work of a seal. What it needs is names, plans and rows, so it may be done anywhere and any number of times."""

    def write(self, segment_path: str, plans: Sequence[ChunkPlan], rows: Sequence[Emit]) -> Sealed:
        """Make the chunks of a finished segment durable, as `seal.write_chunks`.

        Raises:
            StorageError: not written; the segment is where it was.
        """
        ...

    def pack(self, path: str) -> int:
        """Compress a sealed segment in its place, as `seal.pack_sealed`; returns how many bytes it has now.

        Raises:
            StorageError: it cannot be compressed; it is whole as it is.
        """
        ...


class OwnSealer:
    """Seals in the thread that asks."""

    def __init__(self, files: Files) -> None:
        self._files = files

    def write(self, segment_path: str, plans: Sequence[ChunkPlan], rows: Sequence[Emit]) -> Sealed:
        """As `seal.write_chunks`.

        Raises:
            StorageError: not written; the segment is where it was.
        """
        return write_chunks(self._files, segment_path, plans, rows)

    def pack(self, path: str) -> int:
        """As `seal.pack_sealed`.

        Raises:
            StorageError: it cannot be compressed; it is whole as it is.
        """
        return pack_sealed(self._files, path)


@dataclass(frozen=True, slots=True)
class ToWrite:
    """A finished segment and the plans of its chunks; so many messages with its rows follow."""

    segment_path: str
    plans: tuple[ChunkPlan, ...]
    messages: int


@dataclass(frozen=True, slots=True)
class ToPack:
    """A sealed segment to compress."""

    path: str


class Joiner(AbstractContextManager["Joiner"], Protocol):
    """Joins raw chunks of closed hours, from entering it to leaving it."""

    def stop(self) -> None:
        """End what it does at once, in the middle of a job too; from another thread."""
        ...

    def join(self, fixture: str, run: str, now_utc_ns: int, by: str) -> Hours:
        """As `joining_raw.join_next_hour`.

        Raises:
            StorageError: not joined; everything that was there is still there.
        """
        ...


@dataclass(frozen=True, slots=True)
class ToJoin:
    """The next closed hour of a run; words as `joining_raw.join_next_hour` takes them."""

    fixture: str
    run: str
    now_utc_ns: int
    by: str


@dataclass(frozen=True, slots=True)
class Refused:
    """Why a job was not done, as a sentence."""

    why: str
