"""The real file system under the data root, with the few operations whose order decides what survives a crash."""

import ctypes
import errno
import os
import threading
from collections import OrderedDict
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, NamedTuple, cast

from typing_extensions import override

from nightturn.errors import StorageError

if TYPE_CHECKING:
    import pyarrow.parquet as pq

APPEND_DESCRIPTORS_MAX = 160
CHECKED_MAX = 4096
"""Paths remembered as checked: a list of runs asks for the same folders again and again."""
_MODE = 0o644
_COUNTLESS = 1 << 62
_KEEP_SIZE = 1  # FALLOC_FL_KEEP_SIZE of fallocate(2), which Python's own posix_fallocate has not: with that the file would end in zeros
_BLOCK_BYTES = 512  # of st_blocks
NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


class Look(NamedTuple):
    """What shows that a file was written, or a folder's entries changed: no clock can be set so that all of it stays alike."""

    size: int
    mtime_ns: int
    ctime_ns: int
    inode: int


def _look(found: os.stat_result) -> Look:
    return Look(found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino)


@lru_cache(maxsize=CHECKED_MAX)
def inside(path: str) -> PurePosixPath:
    """The path, checked to stay under the data root.

    Raises:
        StorageError: the path is absolute, empty or climbs.
    """
    pure = PurePosixPath(path)
    if not path or pure.is_absolute() or ".." in pure.parts or "\\" in path or "\0" in path:
        raise StorageError(f"{path!r} is outside the data root; only paths below it are used")
    return pure


class RealFiles:
    """`world.Files` on a folder; paths are relative to `root`, errors are the system's own `OSError`.

    Safe to use from the loop and from offloaded jobs at the same time, as long as one file has one writer.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        self._root = os.fspath(root)
        self.local: Path | None = root
        self._lock = threading.Lock()
        self._appending: OrderedDict[str, int] = OrderedDict()
        self._writing: set[str] = set()
        self._durable_folders: set[str] = set()

    @override
    def __str__(self) -> str:
        return str(self.root)

    def read(self, path: str) -> bytes:
        """The whole file."""
        return self._real(path).read_bytes()

    def size(self, path: str) -> int:
        """Bytes of a file."""
        return self._real(path).stat().st_size

    def footer(self, path: str) -> "pq.FileMetaData":
        """The footer of a Parquet file."""
        import pyarrow.parquet as pq  # heavy, and who asks a daemon needs none of it

        return pq.read_metadata(self._real(path))

    def check_whole(self, fixture: str, run: str) -> None:
        """A run on the disk is what there is of it: the tape says the rest."""

    def append(self, path: str, content: bytes) -> None:
        """Write all of `content` at the end; goes on after a short write until the system says why it was short."""
        # The lock guards the table only: a slow write of one file must not hold up the tape of another.
        with self._lock:
            descriptor = self._descriptor(path)
            self._writing.add(path)
        try:
            rest = memoryview(content)
            while rest:
                rest = rest[os.write(descriptor, rest) :]
        finally:
            with self._lock:
                self._writing.discard(path)

    def truncate(self, path: str, size: int) -> None:
        """Cut the file to `size` bytes."""
        os.truncate(self._real(path), size)

    def reserve(self, path: str, size: int) -> None:
        """Have the disk keep room for the file to grow to `size` bytes, beyond its end: whoever reads it sees no more than was written.

        Raises:
            OSError: there is no such room, or the user may not have it (quota). What cannot be asked of a file system is not an error.
        """
        descriptor = os.open(self._real(path), os.O_WRONLY | os.O_CLOEXEC)
        try:
            # Asked first: a call that finds out in its middle holds what there is until it gives it back, and writes beside it fail.
            disk, kept = os.fstatvfs(descriptor), os.fstat(descriptor).st_blocks * _BLOCK_BYTES
            if disk.f_bavail * disk.f_frsize < size - kept:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), path)
            if _fallocate(descriptor, _KEEP_SIZE, 0, size) and (number := ctypes.get_errno()) in NO_ROOM:
                raise OSError(number, os.strerror(number), path)
        finally:
            os.close(descriptor)

    def sync(self, path: str) -> None:
        """Return when content and length are durable (fdatasync)."""
        # A descriptor of its own: an append may meanwhile let go of the one it used.
        descriptor = os.open(self._real(path), os.O_RDWR | os.O_CLOEXEC)
        try:
            os.fdatasync(descriptor)
        finally:
            os.close(descriptor)

    def replace(self, source: str, target: str) -> None:
        """Rename atomically over `target`, making its folder if absent."""
        goal = self._real(target)
        self.release(source)
        self.release(target)
        goal.parent.mkdir(parents=True, exist_ok=True)
        self._real(source).replace(goal)

    def sync_dir(self, path: str) -> None:
        """Return when the folder's entries are durable; the first time also its own entry, up to the root."""
        folder = inside(path)
        _sync_folder(self._real(path))
        for above in (folder, *folder.parents):
            if str(above) in self._durable_folders:
                return
            if above != folder:
                _sync_folder(self.root / above)
            self._durable_folders.add(str(above))

    def list(self, path: str) -> list[str]:
        """Sorted names in a folder; empty when the folder is absent."""
        try:
            inside(path)
            return sorted(os.listdir(os.path.join(self._root, path)))  # noqa: PTH118, PTH208 - a Path for each costs more than the call
        except FileNotFoundError:
            return []

    def looks(self, path: str) -> dict[str, Look]:
        """What each entry of a folder looks like from outside, nothing opened; empty when the folder is absent."""
        try:
            with os.scandir(self._real(path)) as entries:
                return {entry.name: _look(entry.stat()) for entry in entries}
        except FileNotFoundError:  # the folder, or an entry meanwhile
            return {name: look for name in self.list(path) if (look := self.look(f"{path}/{name}"))}

    def look(self, path: str) -> Look | None:
        """What a file or folder looks like from outside; None when it is absent."""
        try:
            return _look(self._real(path).stat())
        except FileNotFoundError:
            return None

    def remove(self, path: str) -> None:
        """Delete one file."""
        self.release(path)
        self._real(path).unlink()

    def room(self) -> int:
        """How many bytes the disk below the root still takes from this user."""
        found = os.statvfs(self.root)
        return found.f_bavail * found.f_frsize

    def files_left(self) -> int:
        """How many files more the disk below the root takes from this user; as good as any number where it counts none."""
        found = os.statvfs(self.root)
        return found.f_favail if found.f_files else _COUNTLESS

    def release(self, path: str) -> None:
        """Close the descriptor kept for appending, if there is one."""
        with self._lock:
            descriptor = self._appending.pop(path, None)
        if descriptor is not None:
            os.close(descriptor)

    def close(self) -> None:
        """Close every descriptor kept for appending."""
        for path in tuple(self._appending):
            self.release(path)

    def _real(self, path: str) -> Path:
        return self.root / inside(path)

    def _descriptor(self, path: str) -> int:
        descriptor = self._appending.get(path)
        if descriptor is not None:
            self._appending.move_to_end(path)
            return descriptor
        real = self._real(path)
        real.parent.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(real, os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC, _MODE)
        self._appending[path] = descriptor
        if len(self._appending) > APPEND_DESCRIPTORS_MAX:
            idle = next(
                (each for each in self._appending if each not in self._writing and each != path), None
            )
            if idle is not None:
                os.close(self._appending.pop(idle))
        return descriptor


def _no_fallocate(_descriptor: int, _mode: int, _offset: int, _size: int) -> int:
    return 0


def _found_fallocate() -> Callable[[int, int, int, int], int]:
    """fallocate(2) of the C library, or nothing where it has none."""
    found = getattr(ctypes.CDLL(None, use_errno=True), "fallocate", None)
    if found is None:
        return _no_fallocate
    found.argtypes = [ctypes.c_int, ctypes.c_int, ctypes.c_int64, ctypes.c_int64]
    return cast("Callable[[int, int, int, int], int]", found)


_fallocate = _found_fallocate()


def _sync_folder(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
