"""A run that has ended has one file for each small dataset: what its chunks held, joined.

The joined file carries the name of a chunk over all their records, and says in its footer which files it was made of, with their
rows, so `verify` can still account for each. It is read back and compared before a part goes. A death at any moment leaves the
parts, or the joined file with some of them: `tree.chunks` then answers with the joined file alone, and the next time the rest
goes. Raw chunks stay as they are: each has a scale of its own, and the tape is compared with them one by one.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa
import structlog
from crc32c import crc32c

from nightturn.errors import NightturnError, StorageError
from nightturn.storage import parquet, paths, seal, tree
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.chunk_file import ChunkFile
from nightturn.storage.companions import PARTS, Companion, companions_text
from nightturn.storage.files import RealFiles
from nightturn.storage.holdings import unsealed_runs
from nightturn.storage.manifest import ENDED, manifests
from nightturn.storage.marks import one_at_a_time
from nightturn.world import Files

ROWS_MAX = 2_000_000
"""A joined file is made in memory: a dataset of more rows becomes several."""
RUNS_MAX = 50
"""Runs joined in one round; the rest waits for the next."""
KEPT_FACTS = ("fixture", "run", "epoch", "host_version")

log: structlog.stdlib.BoundLogger = structlog.get_logger()


@dataclass(frozen=True, slots=True)
class Joined:
    """What a round did: runs with something to join, files that were made, and parts that went."""

    runs: int = 0
    made: int = 0
    gone: int = 0


def join_ended(root: Path, files: Files, runs_max: int = RUNS_MAX) -> Joined:
    """Join the small datasets of runs that have ended and whose tape is sealed, oldest first.

    A dataset with a file that cannot be read stays as it is: `verify` names the file.

    Raises:
        StorageError: a file cannot be written or removed; everything that was there is still there.
        CorruptFileError: a manifest cannot be read.
    """
    total = Joined()
    open_runs = set(unsealed_runs(RealFiles(root)))
    for manifest in sorted(manifests(files), key=lambda each: each.started_utc_ns):
        run = (manifest.fixture, manifest.run)
        if manifest.state != ENDED or run in open_runs or (manifest.fixture, "") in open_runs:
            continue
        with one_at_a_time(root):  # what a clearing takes is not joined meanwhile
            made, gone = join_run(root, files, *run)
        if made or gone:
            total = Joined(total.runs + 1, total.made + made, total.gone + gone)
            if total.runs >= runs_max:
                break
    return total


def join_run(root: Path, files: Files, fixture: str, run: str) -> tuple[int, int]:
    """Join the small datasets of one run; how many files were made and how many parts went.

    Raises:
        StorageError: as `join_ended`.
    """
    made = gone = 0
    for dataset in tree.DATASETS:
        folder = tree.run_folder(files, dataset, fixture, run) if dataset != paths.RAW else None
        if folder is None:
            continue
        try:
            made += _join(root, files, dataset, folder.path)
            gone += _clear_parts(root, files, folder.path)
        except OSError as problem:
            raise StorageError(f"{folder.path}: cannot be joined: {problem}") from problem
        except NightturnError as problem:
            log.warning("not_joined", path=folder.path, why=str(problem))
    return made, gone


def _join(root: Path, files: Files, dataset: str, folder: str) -> int:
    there = [ChunkFile(RealFiles(root), path, name) for path, name in tree.chunks(files, folder)]
    if len(there) < 2:  # most runs, each hour: no footer is read
        return 0
    made = 0
    for group in _groups(there):
        if len(group) > 1:
            _join_group(root, files, dataset, folder, group)
            made += 1
    return made


def _groups(there: Sequence[ChunkFile]) -> Iterator[list[ChunkFile]]:
    """Neighbours with at most `ROWS_MAX` rows together."""
    group: list[ChunkFile] = []
    rows = 0
    for each in there:
        if group and rows + each.rows > ROWS_MAX:
            yield group
            group, rows = [], 0
        group.append(each)
        rows += each.rows
    if group:
        yield group


def _join_group(root: Path, files: Files, dataset: str, folder: str, group: Sequence[ChunkFile]) -> None:
    """Write the joined file, read it back, and enter it in the catalogue in the place of its parts."""
    whole = pa.concat_tables([each.read() for each in group], promote_options="default")
    whole = whole.replace_schema_metadata(None)  # the parts' own facts
    parts = [part for each in group for part in (each.parts or (_part(each, dataset),))]
    first, last = group[0], group[-1]
    described = {key: last.facts[key] for key in KEPT_FACTS if key in last.facts}
    described |= {
        "chunk_no": str(first.name.chunk_no),
        "record_first": str(first.name.first),
        "record_last": str(last.name.last),
        PARTS: companions_text(parts),
    }
    encoded = parquet.encode(whole, dataset, described)
    name = paths.ChunkName(first.name.chunk_no, first.name.first, last.name.last, crc32c(encoded.content))
    path = seal.put(files, folder, name, encoded.content)
    if not _reads_as(ChunkFile(RealFiles(root), path, name), whole):
        files.remove(path)  # it would hide its parts
        raise StorageError(f"{path}: gave other rows than its parts when it was read back, and was removed")
    Catalogue(root).enter_joined(path, [each.path for each in group])


def _reads_as(joined: ChunkFile, whole: pa.Table) -> bool:
    try:
        return bool(joined.read().equals(whole))
    except NightturnError:
        return False


def _clear_parts(root: Path, files: Files, folder: str) -> int:
    """Remove the parts that are still there, of joined files that say so and are whole."""
    current = tree.chunks(files, folder)
    shown = {path for path, _ in current}
    left = [(path, name) for path, name in tree.all_chunks(files, folder) if path not in shown]
    if not left:
        return 0
    there = {name.text: ChunkFile(RealFiles(root), path, name) for path, name in left}
    joined = [ChunkFile(RealFiles(root), path, name) for path, name in current]
    known = {part.name for each in joined if each.parts and _is_whole(each, there) for part in each.parts}
    gone = [path for path, name in left if _is_among(ChunkFile(RealFiles(root), path, name), known)]
    Catalogue(root).forget(gone)
    for path in gone:
        files.remove(path)
    if gone:
        files.sync_dir(folder)
    return len(gone)


def _is_among(each: ChunkFile, known: Collection[str]) -> bool:
    """Whether all rows of a file are in joined ones: as a part, or joined before from parts that are."""
    return each.name.text in known or (bool(each.parts) and all(part.name in known for part in each.parts))


def _is_whole(joined: ChunkFile, there: Mapping[str, ChunkFile]) -> bool:
    """Whether each part that is still there has its rows in the joined file: a death may have come before they were compared."""
    whole, began = joined.read(), 0
    for part in joined.parts:
        mine = whole.slice(began, part.rows)
        began += part.rows
        own = there.get(part.name)
        if own is not None and not mine.equals(_alike(own.read(), whole.schema)):
            return False
    return began == whole.num_rows


def _alike(table: pa.Table, schema: pa.Schema) -> pa.Table:
    """A part with the columns of the whole: what an older version's file lacks is empty."""
    return pa.concat_tables([schema.empty_table(), table], promote_options="default").select(schema.names)


def _part(each: ChunkFile, dataset: str) -> Companion:
    return Companion(dataset, each.name.text, each.rows)
