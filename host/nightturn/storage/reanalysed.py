"""Results of a re-analysis beside the data that they were made of: cycles, curves and budgets, a file each per run and method.

`reanalysis/<method>/fixture=<id>/date=<date>/run=<run>/cycles-<key>-<crc32c>.parquet`. The key names everything that the result
depends on, so a file of that name is the result, and none has to be worked out twice. The cycles are written last.
"""

import re
import secrets
from collections.abc import Mapping, Sequence

import msgspec
import pyarrow as pa
import pyarrow.parquet as pq
from crc32c import crc32c

from nightturn.errors import CorruptFileError, StorageError
from nightturn.model.figures import CycleRecord
from nightturn.model.nights import NightVerdict
from nightturn.model.records import Emit
from nightturn.model.rows import BUDGET, CURVES, CYCLES
from nightturn.settings.mistakes import did_you_mean
from nightturn.storage import datasets, parquet, paths, tree
from nightturn.storage.chunk_file import THREADS, corruption_named
from nightturn.storage.parquet import facts_of
from nightturn.world import Files, ReadFiles

FOLDER = "reanalysis"
NIGHT_VERDICT = "night_verdict"
"""The fact of a result's cycles that holds what they say together."""
MADE_AGAIN = (BUDGET, CURVES, CYCLES)
_NAME = re.compile(r"(cycles|curves|budget)-([0-9a-f]{16})-([0-9a-f]{8})\.parquet")
_FACTS = ("dataset", "fixture", "run", "method", "key")


def folder_of(files: ReadFiles, method: str, fixture: str, run: str) -> str | None:
    """Where the result of a run lies; None when the run has no samples to make one of."""
    raw = tree.run_folder(files, paths.RAW, fixture, run)
    return None if raw is None else f"{FOLDER}/{method}/{raw.path.partition('/')[2]}"


def find_result(files: ReadFiles, folder: str, key: str) -> tuple[str, dict[str, str]] | None:
    """Path and facts of the result with this key, its content checked; None when there is none, or it is damaged and to be made again."""
    for name in files.list(folder):
        match = _NAME.fullmatch(name)
        if match is not None and match[1] == CYCLES and match[2] == key:
            try:
                return f"{folder}/{name}", _opened(files, f"{folder}/{name}")[1]
            except CorruptFileError:
                return None
    return None


def write_result(files: Files, folder: str, cycles: Sequence[CycleRecord], facts: Mapping[str, str]) -> str:
    """Make a result durable, then remove those of the same run and method that it replaces; returns the path of its cycles.

    Args:
        files: the data root.
        folder: of the run's results under a method.
        cycles: in order.
        facts: for the footers: fixture, run, method, key and whatever else belongs to them.

    Raises:
        StorageError: it cannot be written.
    """
    tables = dict(datasets.tables([Emit(CYCLES, cycle) for cycle in cycles]))
    written = []
    try:
        before = files.list(folder)
        for dataset in MADE_AGAIN:
            table = tables.get(dataset)
            table = datasets.schema_of(dataset).empty_table() if table is None else table
            encoded = parquet.encode(table, dataset, facts)
            name = f"{dataset}-{facts['key']}-{crc32c(encoded.content):08x}.parquet"
            temporary = f"{folder}/.{secrets.token_hex(8)}{paths.TEMPORARY_SUFFIX}"
            files.append(temporary, encoded.content)
            files.sync(temporary)
            files.replace(temporary, f"{folder}/{name}")
            files.sync_dir(folder)
            written.append(name)
        for name in before:
            if name not in written and (_NAME.fullmatch(name) or name.endswith(paths.TEMPORARY_SUFFIX)):
                files.remove(f"{folder}/{name}")
    except OSError as problem:
        raise StorageError(f"{folder}: the result cannot be written: {problem}") from problem
    return f"{folder}/{written[-1]}"


def read_result(
    files: ReadFiles,
    method: str,
    fixture: str,
    run: str,
    dataset: str = CYCLES,
    columns: Sequence[str] | None = None,
) -> pa.Table:
    """A dataset of a run as a method made it again.

    Raises:
        StorageError: there is no such result, says which methods there are; or it has no such dataset.
        CorruptFileError: its file fails a checksum, or is that of another run.
    """
    if dataset not in MADE_AGAIN:
        raise StorageError(f"{dataset} is not made again by a re-analysis; {', '.join(MADE_AGAIN)} are")
    path, opened, _ = _found(files, method, fixture, run, dataset)
    known = set(opened.schema_arrow.names)
    there = None if columns is None else [each for each in columns if each in known]
    with corruption_named(path):
        return opened.read(columns=there, use_threads=THREADS)


def result_verdict(files: ReadFiles, method: str, fixture: str, run: str) -> NightVerdict | None:
    """What the cycles of a result say together; None in one of an older version, which did not keep it.

    Raises:
        StorageError, CorruptFileError: as `read_result`.
    """
    facts = _found(files, method, fixture, run, CYCLES)[2]
    kept = facts.get(NIGHT_VERDICT)
    return None if kept is None else msgspec.json.decode(kept, type=NightVerdict)


def _found(
    files: ReadFiles, method: str, fixture: str, run: str, dataset: str
) -> tuple[str, pq.ParquetFile, dict[str, str]]:
    """Path, content and facts of a dataset of a result; errors as `read_result`."""
    folder = folder_of(files, method, fixture, run)
    names = [name for name in files.list(folder) if name.startswith(f"{dataset}-")] if folder else []
    if not names:
        known = files.list(FOLDER)
        if method in known:
            raise StorageError(
                f"run {run} has no re-analysis {method!r}, though other runs have one; `nightturn recompute` makes it"
            )
        near = did_you_mean(method, known)
        raise StorageError(
            f"run {run} has no re-analysis {method!r}{near}; `nightturn reanalyse` makes it; methods with results: "
            f"{', '.join(known) or 'none'}"
        )
    path = f"{folder}/{names[-1]}"
    opened, facts = _opened(files, path)
    if (facts["fixture"], facts["run"], facts["method"]) != (fixture, run, method):
        raise CorruptFileError(path, f"is the result {facts['method']} of run {facts['run']}")
    return path, opened, facts


def _opened(files: ReadFiles, path: str) -> tuple[pq.ParquetFile, dict[str, str]]:
    """A result whose checksums hold, and its facts.

    Raises:
        CorruptFileError: one does not hold, or it is no result.
    """
    match = _NAME.fullmatch(path.rpartition("/")[2])
    content = files.read(path)
    if match is None or f"{crc32c(content):08x}" != match[3]:
        raise CorruptFileError(path, "its content fails the checksum in its name")
    with corruption_named(path):
        opened = pq.ParquetFile(pa.BufferReader(content), page_checksum_verification=True)
    facts = facts_of(opened.metadata, path)
    lacking = [name for name in _FACTS if name not in facts]
    if lacking or facts["key"] != match[2]:
        raise CorruptFileError(path, f"its footer does not say its {lacking[0] if lacking else 'key'}")
    return opened, facts
