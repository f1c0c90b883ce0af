"""What a start finds after a crash: temporary files, segments that are sealed and not moved, segments to seal."""

from dataclasses import dataclass

from crc32c import crc32c

from nightturn.errors import CorruptFileError, SchemaVersionError, StorageError
from nightturn.storage import paths, tree
from nightturn.storage.aside import TORN_SUFFIX, set_aside
from nightturn.storage.salvage import Salvaged, aside_path, last_used, salvage
from nightturn.storage.seal import move_to_sealed
from nightturn.storage.segment import Segment, is_packed, read_segment, unpack
from nightturn.world import Files


@dataclass(frozen=True, slots=True)
class Leftover:
    """A segment without its chunk; its own snapshot and records say what the chunk is."""

    path: str
    segment: Segment


@dataclass(frozen=True, slots=True)
class Damaged:
    """A segment without its chunk, some of whose bytes are not a whole record although others behind them are."""

    path: str
    content: bytes
    found: Salvaged


@dataclass(frozen=True, slots=True)
class Recovery:
    """What was found and put in order.

    Attributes:
        leftovers: segments to seal, in record order.
        foreign: segments of another version, set aside under these names.
        damaged: segments to mend before they can be sealed, in record order.
        next_record_no: the first number that was never given out.
        removed: temporary files.
        moved: segments that only had to be moved.
        torn: segments without a whole record, set aside under another name; nothing in them was durable.
    """

    leftovers: tuple[Leftover, ...]
    next_record_no: int
    removed: tuple[str, ...]
    moved: tuple[str, ...]
    torn: tuple[str, ...]
    damaged: tuple[Damaged, ...] = ()
    foreign: tuple[str, ...] = ()


def recover(files: Files, fixture: str) -> Recovery:
    """Put a fixture's folders in order before its journal is opened. Repeating it is harmless.

    Raises:
        StorageError: something cannot be read, moved or removed.
    """
    folder = paths.journal_folder(fixture)
    leftovers: list[Leftover] = []
    damaged: list[Damaged] = []
    moved: list[str] = []
    torn: list[str] = []
    foreign: list[str] = []
    try:
        removed = _remove_temporaries(files, fixture)
        for path in tree.segments(files, folder):
            try:
                content = _plain(files, path)
                found = salvage(content, path)
            except SchemaVersionError:
                foreign.append(set_aside(files, path))
                continue
            if found is None or (found.header is None and not found.entries):
                torn.append(set_aside(files, path, TORN_SUFFIX))
            elif is_sealed(files, fixture, found.first_record_no, found.last_used):
                moved.append(move_to_sealed(files, fixture, path))
            elif found.header is None or found.damages:
                damaged.append(Damaged(path, content, found))
            else:
                leftovers.append(Leftover(path, read_segment(content, path)))
        following = next_record_no(files, fixture)
    except OSError as problem:
        raise StorageError(f"the files of {fixture} cannot be recovered: {problem}") from problem
    return Recovery(
        tuple(leftovers),
        following,
        tuple(removed),
        tuple(moved),
        tuple(torn),
        tuple(damaged),
        tuple(foreign),
    )


def keep_aside(files: Files, damaged: Damaged) -> tuple[str, ...]:
    """Keep the bytes of each damage in a file beside the journal, durable; returns the files. Repeating it is harmless.

    Raises:
        StorageError: one cannot be written.
    """
    folder = damaged.path.rpartition("/")[0]
    written: list[str] = []
    try:
        for damage in damaged.found.damages:
            path = aside_path(damaged.path, damage)
            if path.rpartition("/")[2] in files.list(folder):
                files.remove(path)
            files.append(path, damaged.content[damage.start : damage.stop])
            files.sync(path)
            written.append(path)
        files.sync_dir(folder)
    except OSError as problem:
        raise StorageError(f"{damaged.path}: its damaged bytes cannot be kept: {problem}") from problem
    return tuple(written)


def put_in_place(files: Files, path: str, content: bytes) -> None:
    """Replace a segment as a whole.

    Raises:
        StorageError: it cannot be written; the old one stands.
    """
    folder, _, name = path.rpartition("/")
    temporary = f"{folder}/.{name}{paths.TEMPORARY_SUFFIX}"
    try:
        if temporary.rpartition("/")[2] in files.list(folder):
            files.remove(temporary)
        files.append(temporary, content)
        files.sync(temporary)
        files.replace(temporary, path)
        files.sync_dir(folder)
    except OSError as problem:
        raise StorageError(f"{path}: cannot be repaired: {problem}") from problem


def is_sealed(files: Files, fixture: str, first: int, last: int) -> bool:
    """Whether raw chunks, each with the CRC of its name, cover the records; numbers are a fixture's for ever."""
    following = first
    for folder in tree.run_folders(files, paths.RAW, fixture):
        for path, name in tree.chunks(files, folder.path):
            wide = (
                name.first <= first and name.last >= last
            )  # joined since: a copy of an older root was put back
            if wide and crc32c(files.read(path)) == name.crc:
                return last >= first
            if name.first == following and name.last <= last and crc32c(files.read(path)) == name.crc:
                following = name.last + 1
    return following == last + 1 and last >= first


def next_record_no(files: Files, fixture: str) -> int:
    """The first record number that no file of the fixture has used or may have used; 1 on a new fixture.

    Segments set aside and damaged bytes count as well, by their content or their name.
    """
    journal, sealed = paths.journal_folder(fixture), paths.sealed_folder(fixture)
    names = [name for name in files.list(journal) if paths.first_of_segment(name)]
    last = max((last_used(files.read(f"{journal}/{name}"), f"{journal}/{name}") for name in names), default=0)
    for path in tree.segments(files, sealed)[-1:]:
        last = max(last, last_used(files.read(path), path))
    for run in tree.run_folders(files, paths.RAW, fixture):
        last = max([last, *(name.last for _, name in tree.chunks(files, run.path))])
    return last + 1


def _remove_temporaries(files: Files, fixture: str) -> list[str]:
    removed = []
    for dataset in tree.DATASETS:
        for run in tree.run_folders(files, dataset, fixture):
            for name in files.list(run.path):
                if name.startswith(".") and name.endswith(paths.TEMPORARY_SUFFIX):
                    files.remove(f"{run.path}/{name}")
                    removed.append(f"{run.path}/{name}")
    for folder in (paths.journal_folder(fixture), paths.sealed_folder(fixture)):
        for name in files.list(folder):
            if name.startswith(".") and name.endswith(paths.TEMPORARY_SUFFIX):
                files.remove(f"{folder}/{name}")
                removed.append(f"{folder}/{name}")
    return removed


def _plain(files: Files, path: str) -> bytes:
    """A segment of the journal; one that somebody has put back there compressed is made plain first, to be gone on with."""
    content = files.read(path)
    if not is_packed(content):
        return content
    try:
        plain, _ = unpack(content, path)
    except CorruptFileError:
        return content  # `salvage` says what is wrong with it
    put_in_place(files, path, plain)
    return plain
