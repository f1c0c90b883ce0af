"""What a start finds after a crash: temporary files, segments that are sealed and not moved, segments to seal."""

from dataclasses import dataclass

from crc32c import crc32c

from nightturn.errors import CorruptFileError, StorageError
from nightturn.storage import paths, tree
from nightturn.storage.seal import move_to_sealed
from nightturn.storage.segment import Segment, read_segment
from nightturn.world import Files

TORN_SUFFIX = ".torn"


@dataclass(frozen=True, slots=True)
class Leftover:
    """A segment without its chunk; its own snapshot and records say what the chunk is."""

    path: str
    segment: Segment


@dataclass(frozen=True, slots=True)
class Recovery:
    """What was found and put in order.

    Attributes:
        leftovers: segments to seal, in record order.
        next_record_no: the first number that was never given out.
        removed: temporary files.
        moved: segments that only had to be moved.
        torn: segments whose header never became whole, set aside under another name; nothing in them was durable.
    """

    leftovers: tuple[Leftover, ...]
    next_record_no: int
    removed: tuple[str, ...]
    moved: tuple[str, ...]
    torn: tuple[str, ...]


def recover(files: Files, fixture: str) -> Recovery:
    """Put a fixture's folders in order before its journal is opened. Repeating it is harmless.

    Raises:
        StorageError: something cannot be read, moved or removed.
        SchemaVersionError: a segment is of a newer major version.
    """
    folder = paths.journal_folder(fixture)
    leftovers: list[Leftover] = []
    moved: list[str] = []
    torn: list[str] = []
    try:
        removed = _remove_temporaries(files, fixture)
        for path in tree.segments(files, folder):
            try:
                segment = read_segment(files.read(path), path)
            except CorruptFileError:
                files.replace(path, path + TORN_SUFFIX)
                files.sync_dir(folder)
                torn.append(path)
                continue
            if is_sealed(files, segment):
                moved.append(move_to_sealed(files, fixture, path))
            else:
                leftovers.append(Leftover(path, segment))
        following = next_record_no(files, fixture)
    except OSError as problem:
        raise StorageError(f"the files of {fixture} cannot be recovered: {problem}") from problem
    return Recovery(tuple(leftovers), following, tuple(removed), tuple(moved), tuple(torn))


def is_sealed(files: Files, segment: Segment) -> bool:
    """Whether raw chunks, each with the CRC of its name, cover the whole segment."""
    header = segment.header
    if not header.run:
        return False
    folder = tree.run_folder(files, paths.RAW, header.fixture, header.run)
    if folder is None:
        return False
    following = segment.first_record_no
    for path, name in tree.chunks(files, folder.path):
        if (
            name.first == following
            and name.last <= segment.last_record_no
            and crc32c(files.read(path)) == name.crc
        ):
            following = name.last + 1
    return following == segment.last_record_no + 1 and segment.last_record_no >= segment.first_record_no


def next_record_no(files: Files, fixture: str) -> int:
    """The first record number that no tape and no chunk of the fixture has used; 1 on a new fixture."""
    last = 0
    for folder in (paths.journal_folder(fixture), paths.sealed_folder(fixture)):
        for path in tree.segments(files, folder)[-1:]:
            last = max(last, _last_of(files, path))
    for run in tree.run_folders(files, paths.RAW, fixture):
        last = max([last, *(name.last for _, name in tree.chunks(files, run.path))])
    return last + 1


def _last_of(files: Files, path: str) -> int:
    """The segment's last record; what its name says of the first when it cannot be read."""
    try:
        return read_segment(files.read(path), path).last_record_no
    except CorruptFileError:
        return paths.first_of_segment(path)


def _remove_temporaries(files: Files, fixture: str) -> list[str]:
    removed = []
    for dataset in tree.DATASETS:
        for run in tree.run_folders(files, dataset, fixture):
            for name in files.list(run.path):
                if name.startswith(".") and name.endswith(paths.TEMPORARY_SUFFIX):
                    files.remove(f"{run.path}/{name}")
                    removed.append(f"{run.path}/{name}")
    return removed
