"""Where runs lie that are read: a data root on a disk, or a copy of one in an object store; the reader is the same for both."""

from pathlib import Path
from typing import Protocol, TypeAlias, runtime_checkable

import pyarrow as pa
import pyarrow.parquet as pq
from crc32c import crc32c
from typing_extensions import override

from nightturn.errors import ConfigError, CorruptFileError, NotWholeError, RunNotFoundError
from nightturn.storage import paths
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import read_manifest
from nightturn.storage.object_store import SCHEME, ObjectStore

FOOTER_BYTES = 256 * 1024
"""Read at once from the end of an object; the footer of a file of cycles, which has most columns, is about half of it."""
_TRAILER_BYTES = 8  # length of the footer, and the magic


@runtime_checkable
class Stored(Protocol):
    """What a reader needs of the place in which runs lie; paths are below it.

    Attributes:
        local: the data root on this machine's disk; None in an object store, where nobody records and there is no catalogue.
    """

    local: Path | None

    @override
    def __str__(self) -> str:
        """As a person would write it."""
        ...

    def read(self, path: str) -> bytes:
        """The whole file; FileNotFoundError when it is absent."""
        ...

    def list(self, path: str) -> list[str]:
        """Sorted names in a folder; empty when the folder is absent."""
        ...

    def size(self, path: str) -> int:
        """Bytes of a file; FileNotFoundError when it is absent."""
        ...

    def footer(self, path: str) -> pq.FileMetaData:
        """The footer of a Parquet file; FileNotFoundError when it is absent, pyarrow's own errors when it is damaged."""
        ...

    def check_whole(self, fixture: str, run: str) -> None:
        """Return when the files of a run may be taken for all that there are."""
        ...


class ObjectFiles:
    """A place in an object store to which `nightturn push` copied runs.

    A run whose manifest is there is whole, for push writes that last; content is compared with the checksum in its name. What a
    run's folder has is asked once: a run that has ended only changes when its small files are joined, and then one is not there.

    Raises:
        ObjectStoreError: every method, when the store cannot be reached, refuses, or gives back other bytes than were written.
    """

    local: Path | None = None

    def __init__(self, store: ObjectStore) -> None:
        self._store = store
        self._whole: set[tuple[str, str]] = set()
        self._sizes: dict[str, int] = {}
        self._listed: dict[str, list[str]] = {}  # of folders of runs

    @override
    def __str__(self) -> str:
        return self._store.url

    def read(self, path: str) -> bytes:
        """The whole object; one whose name carries a checksum only when that holds."""
        content = self._store.read(path)
        name = paths.chunk_name(path.rpartition("/")[2])
        if content is None:
            if name is not None:
                raise NotWholeError(f"{self}/{path} was listed and is not there any more; open the run again")
            raise FileNotFoundError(f"{self}/{path} is not there")
        if name is not None and crc32c(content) != name.crc:
            what = f"gives back CRC-32C {crc32c(content):08x}, its name says {name.crc:08x}"
            raise NotWholeError(f"{self}/{path} {what}; `nightturn push --check` sends it again")
        return content

    def list(self, path: str) -> list[str]:
        """Sorted names below a prefix, up to the next slash."""
        if path in self._listed:
            return self._listed[path]
        found = self._store.names(path)
        self._sizes.update((f"{path}/{name}", size) for name, size in found.items() if size is not None)
        names = sorted(found)
        if names and path.rpartition("/")[2].startswith("run="):
            self._listed[path] = names
        return names

    def size(self, path: str) -> int:
        """Bytes of an object, as it was listed last; the store is asked where it was not."""
        return self._sizes[path] if path in self._sizes else self._store.size(path)

    def footer(self, path: str) -> pq.FileMetaData:
        """The footer alone, by one read of the object's end, or two where it is long."""
        end = self._store.end(path, FOOTER_BYTES)
        length = int.from_bytes(end[-_TRAILER_BYTES:-4], "little") + _TRAILER_BYTES
        if length > len(end) and len(end) == FOOTER_BYTES:
            end = self._store.end(path, length)
        try:
            return pq.read_metadata(pa.BufferReader(end))
        except (pa.ArrowException, OSError):
            self.read(path)  # which says so where the object is not what was written
            raise

    def check_whole(self, fixture: str, run: str) -> None:
        """Return when the run's manifest is there and whole; asked of the store once.

        Raises:
            NotWholeError: it is not.
        """
        if (fixture, run) in self._whole:
            return
        try:
            read_manifest(self, fixture, run)
        except RunNotFoundError as problem:
            raise NotWholeError(half_text(fixture, run, self)) from problem
        except CorruptFileError as problem:
            raise NotWholeError(f"{half_text(fixture, run, self)} ({problem})") from problem
        self._whole.add((fixture, run))


Place: TypeAlias = str | Path | Stored
"""What may be given where runs are read: a folder, a text that names a place, or a place that is open already."""


def half_text(fixture: str, run: str, place: Stored) -> str:
    """What is said of a run in an object store that has no manifest there."""
    what = "its manifest, which `nightturn push` sends last, is not there as a whole; push it again"
    return f"run {run} of {fixture} is not whole in {place}: {what}"


def stored_at(root: Place, endpoint: str = "") -> Stored:
    """The place that a text names: `s3://BUCKET/PREFIX`, else a folder.

    Args:
        root: the text, a path, or what this returned before.
        endpoint: of an S3 server, as `nightturn push` takes it; only for an object store.

    Raises:
        ConfigError: the text names no place in an object store, or `endpoint` no server; an endpoint for a folder.
        ObjectStoreError: the store cannot be reached, refuses, or has no such bucket.
    """
    if isinstance(root, Stored):
        return root
    if not (isinstance(root, str) and root.startswith(f"{SCHEME}://")):
        if endpoint:
            raise ConfigError(
                "is given with a folder", where="--endpoint", allowed="only with s3://BUCKET/PREFIX"
            )
        return RealFiles(Path(root))
    store = ObjectStore(root, endpoint, where="ROOT")
    store.check_there()
    return ObjectFiles(store)
