"""Runs copied to an object store: each file by its checksum, the manifest last, so that a run without one is not whole.

An object is there as a whole or not at all, yet a client that dies may close a part of one. So each object is read back and compared
with the CRC-32C in its name before the manifest says that the run is there, also those that an earlier push left.
"""

import hashlib
from collections.abc import Collection, Iterator, Sequence
from pathlib import Path
from typing import Protocol

import msgspec
from crc32c import crc32c

from nightturn.calibration.study_records import FOLDER as STUDIES
from nightturn.errors import (
    CorruptFileError,
    NightturnError,
    ObjectStoreError,
    RunNotFoundError,
    StorageError,
)
from nightturn.storage import paths, tree
from nightturn.storage.files import RealFiles
from nightturn.storage.logbook import FOLDER, PHOTOS, photo_path, read_logbook
from nightturn.storage.manifest import ENDED, read_manifest
from nightturn.storage.marks import LOG
from nightturn.storage.runs import known_runs

BESIDE = ("mounts", "calibrations", "rigs", STUDIES, FOLDER)
"""Folders of small files that all runs share; they go first, whole."""
TRIES_MAX = 3
"""Of one object that does not read back as it was written."""
NOT_ENDED = "has not ended; it is pushed when it has"


class Store(Protocol):
    """What a push needs of an object store."""

    def sizes(self, folder: str) -> dict[str, int]:
        """Bytes of every object below a folder, by path."""
        ...

    def read(self, path: str) -> bytes | None:
        """An object; None when it is not there."""
        ...

    def write(self, path: str, content: bytes) -> None:
        """Put an object."""
        ...

    def remove(self, path: str) -> None:
        """Delete an object."""
        ...


class Pushed(msgspec.Struct, frozen=True, kw_only=True):
    """What became of one run.

    Attributes:
        files, bytes: of the run.
        sent: files that were written now; the others were there and whole.
        skipped: why it was left for later; empty where it was not.
        problem: of the data root, for which it is not whole in the store.
    """

    fixture: str
    run: str
    files: int = 0
    bytes: int = 0
    sent: int = 0
    skipped: str = ""
    problem: str = ""


def push(root: Path, store: Store, *, check: bool = False) -> Iterator[Pushed]:
    """Copy every run that has ended, one after the other; what is there already is not sent again.

    Args:
        root: the data root.
        store: the place.
        check: read back also the files of runs whose manifest is there; else their sizes are compared.

    Raises:
        ObjectStoreError: the store cannot be reached, or refuses.
        RunNotFoundError: there are no runs.
    """
    files = RealFiles(root)
    known = known_runs(root)
    if not known:
        raise RunNotFoundError(f"{root} contains no runs; is it the data root (`data` in bench.toml)?")
    for path in _shared(files):
        content = files.read(path)
        if store.read(path) != content:
            store.write(path, content)
    _push_photos(files, store, check=check)
    for fixture, runs in known.items():
        for run in runs:
            yield _run(files, store, fixture, run, check=check)


def _shared(files: RealFiles) -> list[str]:
    found = [
        f"{folder}/{name}" for folder in BESIDE for name in files.list(folder) if name.endswith(".jsonl")
    ]
    return [*found, *([LOG] if files.look(LOG) is not None else [])]


def _push_photos(files: RealFiles, store: Store, *, check: bool) -> None:
    """Send the photos that the logbook names and that are whole; `verify` names the others."""
    known = store.sizes(PHOTOS)
    for photo in {
        photo.file: photo for entry in read_logbook(files).entries for photo in entry.photos
    }.values():
        path = photo_path(photo)
        if files.look(path) is None or (known.get(path) == photo.bytes and not check):
            continue
        content = files.read(path)
        crc = crc32c(content)
        whole = hashlib.sha256(content).hexdigest() == photo.sha256
        if whole and not (path in known and _reads_back(store, path, crc)):
            _send(store, path, content, crc)


def _run(files: RealFiles, store: Store, fixture: str, run: str, *, check: bool) -> Pushed:
    try:
        manifest = read_manifest(files, fixture, run)
    except NightturnError as problem:
        return Pushed(fixture=fixture, run=run, problem=str(problem))
    if manifest.state != ENDED:
        return Pushed(fixture=fixture, run=run, skipped=NOT_ENDED)
    try:
        return _copied(files, store, fixture, run, check=check)
    except StorageError as problem:
        return Pushed(fixture=fixture, run=run, problem=str(problem))


def _copied(files: RealFiles, store: Store, fixture: str, run: str, *, check: bool) -> Pushed:
    """The files of one run, then its manifest.

    Raises:
        StorageError: a file of the data root is damaged, or cannot be read.
        ObjectStoreError: as `push`.
    """
    manifest_path = paths.manifest_path(fixture, run)
    manifest = files.read(manifest_path)
    there = store.read(manifest_path)
    chunks, known = _chunks(files, store, fixture, run)
    trusted = there == manifest and not check
    whole, sent = 0, 0
    for path, name in chunks:
        size = _size(files, path)
        whole += size
        if known.get(path) == size and (trusted or _reads_back(store, path, name.crc)):
            continue
        if there is not None:  # something is not as it says: until it is, nobody takes the run for whole
            store.remove(manifest_path)
            there = None
        _send(store, path, _content(files, path, name.crc), name.crc)
        sent += 1
    for path in _joined_since(chunks, known):
        if there is not None:
            store.remove(manifest_path)
            there = None
        store.remove(path)
    if there != manifest:
        store.write(manifest_path, manifest)
        sent += 1
    return Pushed(fixture=fixture, run=run, files=len(chunks) + 1, bytes=whole + len(manifest), sent=sent)


def _chunks(
    files: RealFiles, store: Store, fixture: str, run: str
) -> tuple[list[tuple[str, paths.ChunkName]], dict[str, int]]:
    """The run's files, raw samples last, and what the store has in their folders."""
    chunks: list[tuple[str, paths.ChunkName]] = []
    known: dict[str, int] = {}
    for dataset in (*tree.DATASETS[1:], tree.DATASETS[0]):
        folder = tree.run_folder(files, dataset, fixture, run)
        if folder is not None:
            chunks += tree.chunks(files, folder.path)
            known.update(store.sizes(folder.path))
    return chunks, known


def _joined_since(chunks: Sequence[tuple[str, paths.ChunkName]], known: Collection[str]) -> Iterator[str]:
    """Files in the store that were joined here after they were pushed: whoever reads the folder would see their rows twice."""
    here = {path for path, _ in chunks}
    wide = [(path.rpartition("/")[0], name) for path, name in chunks]
    for path in sorted(set(known) - here):
        folder, _, text = path.rpartition("/")
        part = paths.chunk_name(text)
        if part is not None and any(
            folder == of and name.first <= part.first and part.last <= name.last for of, name in wide
        ):
            yield path


def _size(files: RealFiles, path: str) -> int:
    look = files.look(path)
    if look is None:
        raise StorageError(f"{path}: went while the run was pushed")
    return look.size


def _content(files: RealFiles, path: str, crc: int) -> bytes:
    try:
        content = files.read(path)
    except OSError as problem:
        raise StorageError(f"{path}: {problem}") from problem
    if crc32c(content) != crc:
        raise CorruptFileError(path, "its content fails the checksum in its name; it is not pushed")
    return content


def _reads_back(store: Store, path: str, crc: int) -> bool:
    content = store.read(path)
    return content is not None and crc32c(content) == crc


def _send(store: Store, path: str, content: bytes, crc: int) -> None:
    for _ in range(TRIES_MAX):
        store.write(path, content)
        if _reads_back(store, path, crc):
            return
    raise ObjectStoreError(f"{path}: the object store gave back other bytes {TRIES_MAX} times")
