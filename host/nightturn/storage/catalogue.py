"""The catalogue: SQLite beside the data, for asking which runs and files there are; the files are the truth."""

import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import NamedTuple

import pyarrow as pa
import pyarrow.parquet as pq
import structlog

from nightturn.errors import StorageError
from nightturn.storage import paths, tree
from nightturn.storage.aside import set_aside
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import Manifest, read_manifest
from nightturn.storage.parquet import facts_of
from nightturn.storage.seal import Sealed
from nightturn.storage.segment import read_header

log: structlog.stdlib.BoundLogger = structlog.get_logger()
_ONE_AT_A_TIME = threading.Lock()
BUSY_S_MAX = 30.0

_TABLES = """
create table if not exists runs (
    fixture text not null, run text not null, started_utc_ns integer not null, state text not null,
    ended_utc_ns integer, reason text not null, kept integer not null, primary key (fixture, run)
) strict;
create table if not exists chunks (
    path text primary key, dataset text not null, fixture text not null, run text not null, chunk_no integer not null,
    epoch integer not null, record_first integer not null, record_last integer not null, rows integer not null,
    ts_first integer, ts_last integer, bytes integer not null
) strict;
create index if not exists chunks_of_run on chunks (fixture, run, dataset, chunk_no);
create table if not exists segments (
    path text primary key, fixture text not null, run text not null, record_first integer not null,
    bytes integer not null, started_utc_ns integer not null
) strict;
"""
_ADD_RUN = "insert or replace into runs values (?, ?, ?, ?, ?, ?, ?)"
_ADD_CHUNK = "insert or replace into chunks values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
_ADD_SEGMENT = "insert or replace into segments values (?, ?, ?, ?, ?, ?)"


class _NoDatabaseError(StorageError):
    """The file is no database, or its pages contradict each other."""


class ChunkEntry(NamedTuple):
    """One Parquet file in the catalogue."""

    path: str
    dataset: str
    fixture: str
    run: str
    chunk_no: int
    epoch: int
    record_first: int
    record_last: int
    rows: int
    ts_first: int | None
    ts_last: int | None
    bytes: int


class SegmentEntry(NamedTuple):
    """One sealed tape segment in the catalogue."""

    path: str
    fixture: str
    run: str
    record_first: int
    bytes: int
    started_utc_ns: int


class Catalogue:
    """One SQLite file; every call opens it anew, so any thread may call.

    It is made anew from the files when it is absent or no database; what was there is then kept beside it.

    Raises:
        StorageError: every method, when SQLite refuses.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        self._make_usable()

    def add_run(self, manifest: Manifest) -> None:
        """Enter a run, or how it stands now."""
        with self._healing(), self._transaction() as rows:
            rows.execute(_ADD_RUN, _run_row(manifest))

    def add_sealed(self, sealed: Sealed, moved_to: str) -> None:
        """Enter the chunks and the segment of one seal."""
        header = sealed.header
        chunks = [
            ChunkEntry(
                c.path, c.dataset, header.fixture, c.plan.run, c.plan.chunk_no, c.plan.epoch, c.plan.first, c.plan.last,
                c.rows, c.ts_first, c.ts_last, c.bytes,
            )
            for c in sealed.chunks
        ]  # fmt: skip
        segment = SegmentEntry(
            moved_to,
            header.fixture,
            header.run,
            header.first_record_no,
            sealed.segment_bytes,
            header.started_utc_ns,
        )
        with self._healing(), self._transaction() as rows:
            rows.executemany(_ADD_CHUNK, chunks)
            rows.execute(_ADD_SEGMENT, segment)

    def runs(self) -> list[tuple[str, str, bool]]:
        """(fixture, run, kept) of every run, newest first."""
        query = "select fixture, run, kept from runs order by started_utc_ns desc, fixture"
        with self._transaction() as rows:
            return [(fixture, run, bool(kept)) for fixture, run, kept in rows.execute(query)]

    def chunks(self, fixture: str, run: str, dataset: str) -> list[ChunkEntry]:
        """The files of a run's dataset, in order."""
        query = "select * from chunks where fixture = ? and run = ? and dataset = ? order by record_first"
        with self._transaction() as rows:
            return [ChunkEntry(*row) for row in rows.execute(query, (fixture, run, dataset))]

    def segments(self) -> list[SegmentEntry]:
        """Every sealed segment, oldest first."""
        with self._transaction() as rows:
            query = "select * from segments order by started_utc_ns, fixture, record_first"
            return [SegmentEntry(*row) for row in rows.execute(query)]

    def forget_segments(self, gone: Sequence[str]) -> None:
        """Take segments out before their files are deleted."""
        with self._transaction() as rows:
            rows.executemany("delete from segments where path = ?", [(path,) for path in gone])

    def rebuild(self) -> None:
        """Make the catalogue anew from the files alone; what cannot be read is left out and told."""
        files = RealFiles(self.root)
        runs = list(_run_rows(files))
        chunks = list(_chunk_rows(files))
        segments = list(_segment_rows(files))
        with self._transaction() as rows:
            for table in ("runs", "chunks", "segments"):
                rows.execute(f"delete from {table}")  # noqa: S608 - names from the line above
            rows.executemany(_ADD_RUN, runs)
            rows.executemany(_ADD_CHUNK, chunks)
            rows.executemany(_ADD_SEGMENT, segments)

    @contextmanager
    def _healing(self) -> Iterator[None]:
        """What is entered is on disk already, so a catalogue that is no database is made anew instead."""
        try:
            yield
        except _NoDatabaseError:
            self._make_usable()

    def _make_usable(self) -> None:
        with _ONE_AT_A_TIME:
            path = self.root / paths.CATALOGUE
            absent = not path.exists() or not path.stat().st_size
            try:
                self._make_tables()
            except _NoDatabaseError as problem:
                self._set_aside(problem)
                self._make_tables()
                absent = True
            if absent:
                self.rebuild()

    def _make_tables(self) -> None:
        with self._transaction() as rows:
            # Write-ahead logging lets readers in while a seal is entered.
            rows.execute("pragma journal_mode = wal")
            rows.executescript(_TABLES)
            for table in ("runs", "chunks", "segments"):
                rows.execute(f"select * from {table} limit 1").fetchall()  # noqa: S608 - names from the line above

    def _set_aside(self, why: Exception) -> None:
        files = RealFiles(self.root)
        try:
            kept = set_aside(files, paths.CATALOGUE)
            for beside in ("-wal", "-shm"):
                if (self.root / (paths.CATALOGUE + beside)).exists():
                    set_aside(files, paths.CATALOGUE + beside)
        except OSError as problem:
            raise StorageError(f"{self.root / paths.CATALOGUE}: cannot be set aside: {problem}") from why
        log.error("catalogue_set_aside", path=paths.CATALOGUE, kept=kept, why=str(why))

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        path = self.root / paths.CATALOGUE
        try:
            self.root.mkdir(parents=True, exist_ok=True)
            with closing(sqlite3.connect(path, timeout=BUSY_S_MAX)) as connection, connection:
                yield connection
        except sqlite3.DatabaseError as problem:
            kind = StorageError if isinstance(problem, sqlite3.OperationalError) else _NoDatabaseError
            raise kind(f"{path}: {problem}; it can be made anew from the files") from problem
        except (sqlite3.Error, OSError) as problem:
            raise StorageError(f"{path}: {problem}; it can be made anew from the files") from problem


def _run_row(manifest: Manifest) -> tuple[object, ...]:
    ended = (manifest.state, manifest.ended_utc_ns, manifest.reason, int(manifest.kept))
    return (manifest.fixture, manifest.run, manifest.started_utc_ns, *ended)


def _run_rows(files: RealFiles) -> Iterator[tuple[object, ...]]:
    for fixture in files.list("runs"):
        for name in files.list(f"runs/{fixture}"):
            if name.endswith(".json") and not name.startswith("."):
                with _left_out(f"runs/{fixture}/{name}"):
                    yield _run_row(read_manifest(files, fixture, name.removesuffix(".json")))


@contextmanager
def _left_out(path: str) -> Iterator[None]:
    """A file that cannot be read is not entered, and told."""
    try:
        yield
    except (StorageError, pa.ArrowException, OSError, ValueError, KeyError) as problem:
        log.warning("not_in_the_catalogue", path=path, why=str(problem))


def _chunk_rows(files: RealFiles) -> Iterator[ChunkEntry]:
    for dataset in tree.DATASETS:
        for fixture in tree.fixtures(files):
            for folder in tree.run_folders(files, dataset, fixture):
                for path, name in tree.chunks(files, folder.path):
                    with _left_out(path):
                        yield _chunk_row(files.root / path, path, dataset, folder, name)


def _chunk_row(
    real: Path, path: str, dataset: str, folder: tree.RunFolder, name: paths.ChunkName
) -> ChunkEntry:
    facts = facts_of(pq.read_metadata(real), path)
    span = [int(facts[key]) if facts[key] else None for key in ("ts_first", "ts_last")]
    return ChunkEntry(
        path, dataset, folder.fixture, folder.run, name.chunk_no, int(facts["epoch"]), name.first, name.last,
        int(facts["rows"]), span[0], span[1], real.stat().st_size,
    )  # fmt: skip


def _segment_rows(files: RealFiles) -> Iterator[SegmentEntry]:
    for fixture in files.list("journal"):
        for path in tree.segments(files, paths.sealed_folder(fixture)):
            with _left_out(path):
                real = files.root / path
                header = read_header(real, path)
                size = real.stat().st_size
                yield SegmentEntry(
                    path, fixture, header.run, header.first_record_no, size, header.started_utc_ns
                )
