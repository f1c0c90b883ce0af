"""From a finished segment to durable Parquet files, in the order that survives a crash at any point.

For each chunk: temporary file in the same folder, sync, rename to its name, sync of the folder. The raw chunk is
the last of them, so a raw chunk that is there proves that all others are, and it names them. Then the segment moves to `sealed/`,
and is compressed there.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from crc32c import crc32c

from nightturn.errors import StorageError
from nightturn.model.records import Emit
from nightturn.model.rows import ChunkPlan
from nightturn.storage import chunk, datasets, parquet, paths, summary
from nightturn.storage.companions import KEY, Companion, companions_text
from nightturn.storage.segment import Segment, SegmentHeader, pack, read_segment
from nightturn.world import Files


@dataclass(frozen=True, slots=True)
class Chunk:
    """One Parquet file as written, and the plan it belongs to."""

    plan: ChunkPlan
    dataset: str
    path: str
    rows: int
    bytes: int
    ts_first: int | None
    ts_last: int | None


@dataclass(frozen=True, slots=True)
class Sealed:
    """What sealing a segment left on disk; `chunks` ends with the raw one."""

    segment: str
    segment_bytes: int
    header: SegmentHeader
    chunks: tuple[Chunk, ...]


def write_chunks(files: Files, segment_path: str, plans: Sequence[ChunkPlan], rows: Sequence[Emit]) -> Sealed:
    """Encode the segment and the rows and make the files durable.

    Args:
        files: the data root.
        segment_path: a finished segment.
        plans: one plan, or more when the tape could not be rotated at a cut (a full disk): together they cover the
            segment, in order.
        rows: the rows emitted meanwhile; they go with the last plan.

    Raises:
        StorageError: a file cannot be written, or plans and segment do not belong together.
        CorruptFileError: the segment's header cannot be read.
    """
    written: list[Chunk] = []
    try:
        content = files.read(segment_path)
        segment = read_segment(content, segment_path)
        _check_cover(segment, plans)
        for plan in plans:
            written += _write_chunk(files, segment, plan, rows if plan is plans[-1] else ())
    except OSError as problem:
        raise StorageError(f"{segment_path}: cannot be sealed: {problem}") from problem
    return Sealed(segment_path, len(content), segment.header, tuple(written))


def move_to_sealed(files: Files, fixture: str, segment_path: str) -> str:
    """Move a segment whose chunks are durable; returns where it went. Repeating it is harmless.

    Raises:
        StorageError: it cannot be moved.
    """
    folder, sealed = paths.journal_folder(fixture), paths.sealed_folder(fixture)
    name = segment_path.rpartition("/")[2]
    goal = f"{sealed}/{name}"
    try:
        if name in files.list(folder):
            files.sync(segment_path)
            files.replace(segment_path, goal)
        files.sync_dir(sealed)
        files.sync_dir(folder)
    except OSError as problem:
        raise StorageError(f"{segment_path}: cannot be moved to {sealed}: {problem}") from problem
    return goal


def pack_sealed(files: Files, path: str) -> int:
    """Compress a sealed segment in its place; returns how many bytes it has now. Repeating it is harmless.

    The compressed form is read back before it replaces the plain one, under the same name, in one step. A segment that
    is not whole records throughout stays as it is.

    Raises:
        StorageError: it cannot be written; the plain form stands.
    """
    folder, _, name = path.rpartition("/")
    temporary = f"{folder}/.{name}{paths.TEMPORARY_SUFFIX}"
    try:
        content = files.read(path)
        small = pack(content, path)
        if small is None or len(small) >= len(content):
            return len(content)
        if temporary.rpartition("/")[2] in files.list(folder):
            files.remove(temporary)
        try:
            files.append(temporary, small)
            files.sync(temporary)
            files.replace(temporary, path)
        except OSError:
            _forget(files, temporary)
            raise
        files.sync_dir(folder)
    except OSError as problem:
        raise StorageError(f"{path}: cannot be compressed: {problem}") from problem
    return len(small)


def _check_cover(segment: Segment, plans: Sequence[ChunkPlan]) -> None:
    """A record outside the plans would be gone when the segment moves."""
    following = segment.first_record_no
    for plan in plans:
        if plan.first != following:
            break
        following = plan.last + 1
    else:
        if following == segment.last_record_no + 1:
            return
    covered = ", ".join(f"{plan.first} to {plan.last}" for plan in plans)
    raise StorageError(
        f"the plan covers records {covered}; the segment holds {segment.first_record_no} to {segment.last_record_no}"
    )


def _write_chunk(files: Files, segment: Segment, plan: ChunkPlan, rows: Sequence[Emit]) -> list[Chunk]:
    """Part by part: the samples of a chunk as one table are fifteen times as large in memory as their tape."""
    raw, seconds = parquet.Encoder(chunk.SCHEMA, paths.RAW, "index"), summary.Seconds()
    for part in chunk.parts(segment, plan):
        raw.add(part)
        seconds.add(part)
    described = parquet.plan_metadata(segment.header, plan)
    fixture = segment.header.fixture
    written = [
        _write(files, fixture, name, plan, parquet.encode(table, name, described))
        for name, table in (*datasets.tables(rows), *seconds.tables(plan))
    ]
    beside = [Companion(each.dataset, each.path.rpartition("/")[2], each.rows) for each in written]
    encoded = raw.finish({**described, KEY: companions_text(beside)})
    return [*written, _write(files, fixture, paths.RAW, plan, encoded)]


def _write(files: Files, fixture: str, dataset: str, plan: ChunkPlan, encoded: parquet.Encoded) -> Chunk:
    folder = paths.run_folder(dataset, fixture, plan.started_utc_ns, plan.run)
    name = paths.name_of(plan, crc32c(encoded.content))
    path = put(files, folder, name, encoded.content)
    return Chunk(plan, dataset, path, encoded.rows, len(encoded.content), encoded.ts_first, encoded.ts_last)


def put(files: Files, folder: str, name: paths.ChunkName, content: bytes) -> str:
    """Make a chunk durable under its name; returns its path.

    Raises:
        OSError: it cannot be written; nothing of it is left, or a temporary file that the next attempt removes.
    """
    temporary = f"{folder}/.{name.stem}{paths.TEMPORARY_SUFFIX}"
    present = files.list(folder)
    if temporary.rpartition("/")[2] in present:
        files.remove(temporary)
    try:
        files.append(temporary, content)
        files.sync(temporary)
    except OSError:
        _forget(files, temporary)
        raise
    for other in present:
        # An earlier attempt by another version of a library: the segment is still there, so nothing is lost.
        if other.startswith(name.stem) and other != name.text:
            files.remove(f"{folder}/{other}")
    path = f"{folder}/{name.text}"
    files.replace(temporary, path)
    files.sync_dir(folder)
    return path


def _forget(files: Files, temporary: str) -> None:
    try:
        files.remove(temporary)
    except OSError:
        return  # the next attempt removes it first
