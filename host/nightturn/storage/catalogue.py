"""The catalogue: SQLite beside the data, for asking which runs and files there are; the files are the truth."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from nightturn.errors import StorageError
from nightturn.model.rows import ChunkPlan
from nightturn.storage import paths
from nightturn.storage.seal import Sealed

BUSY_S_MAX = 30.0

_TABLES = """
create table if not exists chunks (
    path text primary key, dataset text not null, fixture text not null, run text not null, chunk_no integer not null,
    epoch integer not null, record_first integer not null, record_last integer not null, rows integer not null,
    ts_first integer, ts_last integer, bytes integer not null
) strict;
create index if not exists chunks_of_run on chunks (fixture, run, dataset, chunk_no);
create table if not exists segments (
    path text primary key, fixture text not null, run text not null, record_first integer not null,
    record_last integer not null, bytes integer not null, sealed_utc_ns integer not null
) strict;
"""


class Catalogue:
    """One SQLite file; every call opens it anew, so any thread may call."""

    def __init__(self, root: Path) -> None:
        self.root = root
        with self.transaction() as rows:
            rows.executescript(_TABLES)

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """A connection that commits at the end, or rolls back.

        Raises:
            StorageError: SQLite says why.
        """
        path = self.root / paths.CATALOGUE
        try:
            self.root.mkdir(parents=True, exist_ok=True)
            with closing(sqlite3.connect(path, timeout=BUSY_S_MAX)) as connection, connection:
                yield connection
        except (sqlite3.Error, OSError) as problem:
            raise StorageError(f"{path}: {problem}") from problem

    def add_sealed(self, fixture: str, plan: ChunkPlan, sealed: Sealed, moved_to: str, utc_ns: int) -> None:
        """Enter the chunks and the segment of one seal.

        Raises:
            StorageError: SQLite refuses.
        """
        with self.transaction() as rows:
            identity = (fixture, plan.run, plan.chunk_no, plan.epoch, plan.first, plan.last)
            rows.executemany(
                "insert or replace into chunks values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [
                    (c.path, c.dataset, *identity, c.rows, c.ts_first, c.ts_last, c.bytes)
                    for c in sealed.chunks
                ],
            )
            rows.execute(
                "insert or replace into segments values (?, ?, ?, ?, ?, ?, ?)",
                (moved_to, fixture, plan.run, plan.first, plan.last, sealed.segment_bytes, utc_ns),
            )
