"""Files that write down what was asked of them, in order: what a crash test enumerates."""

from dataclasses import dataclass

from nightturn.world import Files


@dataclass(frozen=True, slots=True)
class Operation:
    """One change asked of the file system.

    Attributes:
        name: append, truncate, sync, replace, sync_dir or remove.
        path: what it was done to; the source of a replace.
        target: where a replace went.
        content: what was appended.
        size: of truncate.
    """

    name: str
    path: str
    target: str = ""
    content: bytes = b""
    size: int = 0

    @property
    def source_folder(self) -> str:
        """The folder that `path` is in."""
        return self.path.rpartition("/")[0]


class RecordingFiles:
    """`world.Files` that passes everything on and keeps the list of changes in `operations`."""

    def __init__(self, inner: Files) -> None:
        self.inner = inner
        self.operations: list[Operation] = []

    def read(self, path: str) -> bytes:
        """The whole file; no change, not recorded."""
        return self.inner.read(path)

    def append(self, path: str, content: bytes) -> None:
        """Pass on, then record."""
        self.inner.append(path, content)
        self.operations.append(Operation("append", path, content=content))

    def truncate(self, path: str, size: int) -> None:
        """Pass on, then record."""
        self.inner.truncate(path, size)
        self.operations.append(Operation("truncate", path, size=size))

    def reserve(self, path: str, size: int) -> None:
        """Pass on; nothing that can be read changes, so it is not recorded."""
        self.inner.reserve(path, size)

    def sync(self, path: str) -> None:
        """Pass on, then record."""
        self.inner.sync(path)
        self.operations.append(Operation("sync", path))

    def replace(self, source: str, target: str) -> None:
        """Pass on, then record."""
        self.inner.replace(source, target)
        self.operations.append(Operation("replace", source, target))

    def sync_dir(self, path: str) -> None:
        """Pass on, then record."""
        self.inner.sync_dir(path)
        self.operations.append(Operation("sync_dir", path))

    def list(self, path: str) -> list[str]:
        """Names in a folder; no change, not recorded."""
        return self.inner.list(path)

    def remove(self, path: str) -> None:
        """Pass on, then record."""
        self.inner.remove(path)
        self.operations.append(Operation("remove", path))
