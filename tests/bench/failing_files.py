"""Files that fail when told to, by operation and path."""

import errno
import os
from collections.abc import Callable

from tests.storage.recording import RecordingFiles
from typing_extensions import override

from nightturn.world import Files

Fails = Callable[[str, str], bool]


class FailingFiles(RecordingFiles):
    """Passes everything on, unless `fails(operation, path)` says no: then the disk is full."""

    def __init__(self, inner: Files) -> None:
        super().__init__(inner)
        self.fails: Fails = lambda _operation, _path: False
        self.bytes_max: int | None = None  # a longer append finds the disk full

    def _judge(self, operation: str, path: str) -> None:
        if self.fails(operation, path):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), path)

    @override
    def append(self, path: str, content: bytes) -> None:
        self._judge("append", path)
        if self.bytes_max is not None and len(content) > self.bytes_max:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), path)
        super().append(path, content)

    @override
    def reserve(self, path: str, size: int) -> None:
        self._judge("reserve", path)
        super().reserve(path, size)

    @override
    def sync(self, path: str) -> None:
        self._judge("sync", path)
        super().sync(path)

    @override
    def replace(self, source: str, target: str) -> None:
        self._judge("replace", source)
        super().replace(source, target)

    @override
    def sync_dir(self, path: str) -> None:
        self._judge("sync_dir", path)
        super().sync_dir(path)


class Disk:
    """Hands out failing files and keeps hold of them."""

    def __init__(self) -> None:
        self.files: FailingFiles | None = None

    def wrap(self, files: Files) -> Files:
        self.files = FailingFiles(files)
        return self.files

    def full(self, operation: str, word: str) -> None:
        assert self.files is not None
        self.files.fails = lambda asked, path: asked == operation and word in path

    def mended(self) -> None:
        assert self.files is not None
        self.files.fails = lambda _operation, _path: False
