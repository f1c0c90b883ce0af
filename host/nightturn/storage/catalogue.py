"""The catalogue: SQLite beside the data, for asking which runs and files there are; the files are the truth."""

import os
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import structlog

from nightturn.errors import StorageError
from nightturn.model.rows import CYCLES, GAPS
from nightturn.storage import paths, tree
from nightturn.storage.aside import set_aside
from nightturn.storage.entries import (
    ADD_CHUNK,
    ADD_NIGHT,
    ADD_SEGMENT,
    ADD_SUMMARY,
    ADD_UNIT,
    APPLICATION_ID,
    MARKS,
    NAMES,
    NAMES_BEFORE,
    TABLES,
    VERSION,
    Amounts,
    ChunkEntry,
    NightEntry,
    SegmentEntry,
    SummaryEntry,
    UnitEntry,
    holds,
    with_crc,
)
from nightturn.storage.files import RealFiles
from nightturn.storage.parquet import facts_of
from nightturn.storage.seal import Sealed
from nightturn.storage.segment import read_header

log: structlog.stdlib.BoundLogger = structlog.get_logger()
_ONE_AT_A_TIME = threading.Lock()
BUSY_S_MAX = 30.0
NIGHTS_MAX = 20_000
"""Nights of units that are kept, of some 20 to 60 kB each; of more those of the oldest runs go."""


class _NoDatabaseError(StorageError):
    """The file is no database, or its pages contradict each other."""


class Catalogue:
    """One SQLite file; every call opens it anew, so any thread may call.

    It is made anew from the files when it is absent or no database; what was there is then kept beside it.

    Raises:
        StorageError: every method, when SQLite refuses.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        self._make_usable()

    @classmethod
    def present(cls, root: Path) -> "Catalogue | None":
        """The catalogue where there is one that a reader may use; making one for a single question would take longer."""
        try:
            usable = (root / paths.CATALOGUE).exists() and cls.may_be_kept(root)
            return cls(root) if usable else None
        except (StorageError, OSError):
            return None

    @staticmethod
    def may_be_kept(root: Path) -> bool:
        """Whether a reader may make or change it: a file of another user's would keep the recorder out of it."""
        path = root / paths.CATALOGUE
        mine = (path if path.exists() else root).stat().st_uid == os.geteuid()
        return mine and os.access(root, os.W_OK)

    def add_summaries(self, summaries: Sequence[SummaryEntry], units: Sequence[UnitEntry]) -> None:
        """Enter what was worked out of runs, and of which unit each is."""
        with self._healing(), self._transaction() as rows:
            rows.executemany(ADD_SUMMARY, map(with_crc, summaries))
            rows.executemany(ADD_UNIT, map(with_crc, units))

    def summaries(self, units: Sequence[str] = ()) -> list[SummaryEntry]:
        """What is entered of every run, or of those of some units; whether it still holds is for the asker to see by its stamp."""
        places = ", ".join("?" * len(units))
        only = f" where unit in ({places})" if units else ""
        rows = self._ask(f"select * from summaries{only}", units)  # noqa: S608 - question marks
        return [SummaryEntry(*row[:-1]) for row in rows if holds(row)]

    def units(self) -> list[UnitEntry]:
        """The index by unit: of which one each run is; an entry that fails its checksum is left out.

        All of it, for a flipped bit would hide an entry from a search by serial.
        """
        return [UnitEntry(*row[:-1]) for row in self._ask("select * from units") if holds(row)]

    def add_nights(self, nights: Sequence[NightEntry]) -> None:
        """Enter what was read of a unit's runs."""
        oldest = "select rowid from nights order by run desc limit -1 offset ?"
        with self._healing(), self._transaction() as rows:
            rows.executemany(ADD_NIGHT, map(with_crc, nights))
            rows.execute(f"delete from nights where rowid in ({oldest})", (NIGHTS_MAX,))  # noqa: S608 - the line above

    def nights(self, unit: str) -> list[NightEntry]:
        """What is entered of a unit's runs; whether it still holds is for the asker to see by its stamp. An entry that fails its checksum is left out."""
        rows = self._ask("select * from nights where unit = ?", (unit,))
        return [NightEntry(*row[:-1]) for row in rows if holds(row)]

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
            rows.executemany(ADD_CHUNK, map(with_crc, chunks))
            rows.execute(ADD_SEGMENT, with_crc(segment))

    def enter_joined(self, path: str, parts: Sequence[str]) -> None:
        """Enter a joined file in the place of its parts."""
        dataset, fixture, date, run, text = path.split("/")
        name = paths.chunk_name(text)
        assert name is not None
        folder = tree.RunFolder(path.rpartition("/")[0], fixture[8:], date[5:], run[4:])
        with self._healing(), self._transaction() as rows:
            rows.execute(ADD_CHUNK, with_crc(_chunk_row(self.root / path, path, dataset, folder, name)))
            rows.executemany("delete from chunks where path = ?", [(part,) for part in parts])

    def chunks(self, fixture: str, run: str, dataset: str) -> list[ChunkEntry]:
        """The files of a run's dataset, in order; an entry that fails its checksum is left out."""
        query = "select * from chunks where fixture = ? and run = ? and dataset = ? order by record_first"
        rows = self._ask(query, (fixture, run, dataset))
        return [ChunkEntry(*row[:-1]) for row in rows if holds(row)]

    def amounts(self, fixture: str, run: str) -> Amounts:
        """How much of a run is in the files that are entered."""
        query = (
            "select dataset, sum(rows), sum(bytes) from chunks where fixture = ? and run = ? group by dataset"
        )
        found = {name: (count, size) for name, count, size in self._ask(query, (fixture, run))}
        samples, cycles, gaps = (found.get(name, (0, 0))[0] for name in (paths.RAW, CYCLES, GAPS))
        return Amounts(samples, cycles, gaps, sum(size for _, size in found.values()))

    def segments(self) -> list[SegmentEntry]:
        """Every sealed segment, oldest first; an entry that fails its checksum is left out, so its file stays."""
        query = "select * from segments order by started_utc_ns, fixture, record_first"
        return [SegmentEntry(*row[:-1]) for row in self._ask(query) if holds(row)]

    def forget(self, gone: Sequence[str]) -> None:
        """Take segments and chunks out before their files are deleted."""
        with self._transaction() as rows:
            for table in ("segments", "chunks"):
                rows.executemany(
                    f"delete from {table} where path = ?",  # noqa: S608 - names from the line above
                    [(path,) for path in gone],
                )

    def rebuild(self) -> None:
        """Make the catalogue again from the files alone; what cannot be read is left out and told.

        What somebody enters meanwhile stays: only entries whose file is gone are taken out. Summaries are worked out when
        they are asked for. One whose pages contradict each other is set aside first.
        """
        try:
            self._enter_again()
        except _NoDatabaseError as problem:
            self._make_anew(problem)

    def _enter_again(self) -> None:
        files = RealFiles(self.root)
        chunks = list(_chunk_rows(files))
        segments = list(_segment_rows(files))
        with self._transaction() as rows:
            for table in ("summaries", "units", "nights"):
                rows.execute(f"delete from {table}")  # noqa: S608 - names from the line above
            for table in ("chunks", "segments"):
                entered = rows.execute(f"select path from {table}").fetchall()  # noqa: S608 - names from the line above
                gone = [(path,) for (path,) in entered if not (self.root / path).is_file()]
                rows.executemany(f"delete from {table} where path = ?", gone)  # noqa: S608 - same
            rows.executemany(ADD_CHUNK, map(with_crc, chunks))
            rows.executemany(ADD_SEGMENT, map(with_crc, segments))

    def _ask(self, query: str, values: Sequence[str] = ()) -> list[tuple[Any, ...]]:
        """The answer; a catalogue whose pages contradict each other is made anew, and asked again."""
        for last in (False, True):
            try:
                with self._transaction() as rows:
                    return rows.execute(query, values).fetchall()
            except _NoDatabaseError as problem:
                if last:
                    raise
                self._make_anew(problem)
        raise AssertionError

    @contextmanager
    def _healing(self) -> Iterator[None]:
        """What is entered is on disk already, so a catalogue that is no database is made anew instead."""
        try:
            yield
        except _NoDatabaseError as problem:
            self._make_anew(problem)

    def _make_usable(self) -> None:
        path = self.root / paths.CATALOGUE
        absent = not path.exists() or not path.stat().st_size
        try:
            made = self._make_tables()
        except _NoDatabaseError as problem:
            self._make_anew(problem)
        else:
            if absent or made:
                self.rebuild()

    def _make_anew(self, problem: Exception) -> None:
        with _ONE_AT_A_TIME:
            self._set_aside(problem)
            self._make_tables()
        self._enter_again()

    def _make_tables(self) -> bool:
        """Whether they had to be made.

        Raises:
            _NoDatabaseError: the file is none, or somebody else's.
        """
        with self._transaction() as rows:
            marks = tuple(rows.execute(f"pragma {mark}").fetchone()[0] for mark in MARKS)
            if marks != (APPLICATION_ID, VERSION):
                self._make_way(rows, ours=marks[0] == APPLICATION_ID)
                # Write-ahead logging lets readers in while a seal is entered.
                rows.execute("pragma journal_mode = wal")
                rows.executescript(TABLES)
                for mark, value in zip(MARKS, (APPLICATION_ID, VERSION), strict=True):
                    rows.execute(f"pragma {mark} = {value}")
            for table in NAMES:
                rows.execute(f"select * from {table} limit 1").fetchall()  # noqa: S608 - names from the line above
            return marks != (APPLICATION_ID, VERSION)

    def _make_way(self, rows: sqlite3.Connection, *, ours: bool) -> None:
        """Drop the tables of another version; those before the first had no mark."""
        found = [name for (name,) in rows.execute("select name from sqlite_schema where type = 'table'")]
        foreign = [name for name in found if name not in NAMES_BEFORE]
        if foreign and not ours:
            path = self.root / paths.CATALOGUE
            raise _NoDatabaseError(f"{path}: a database of something else, with a table {foreign[0]}")
        for name in found:
            rows.execute(f'drop table "{name}"')

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
            raise kind(f"{path}: {problem}; it can be rebuilt from the files") from problem
        except (sqlite3.Error, OSError) as problem:
            raise StorageError(f"{path}: {problem}; it can be rebuilt from the files") from problem


def entered_wrong(root: Path) -> tuple[str, ...]:
    """What is wrong with a root's catalogue in itself, as sentences; nothing is changed, and none is no mistake.

    Raises:
        StorageError: it cannot be opened for reading, or is of another version, so that nothing is known of it.
    """
    path = root / paths.CATALOGUE
    if not path.exists():
        return ()
    found: list[str] = []
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as rows:
            marks = tuple(rows.execute(f"pragma {mark}").fetchone()[0] for mark in MARKS)
            tables = {name for (name,) in rows.execute("select name from sqlite_schema where type = 'table'")}
            if marks[0] != APPLICATION_ID and not tables <= set(NAMES_BEFORE):
                return ("is a database of something else",)
            if marks != (APPLICATION_ID, VERSION):
                raise StorageError(f"{paths.CATALOGUE} is of another version; the next list makes it again")
            found += [str(row[0]) for row in rows.execute("pragma integrity_check") if row[0] != "ok"]
            for table in NAMES:
                wrong = sum(not holds(row) for row in rows.execute(f"select * from {table}"))  # noqa: S608 - names from above
                found += [f"{wrong} entries of {table} fail their checksum"] if wrong else []
    except sqlite3.OperationalError as problem:
        raise StorageError(f"{paths.CATALOGUE} cannot be opened for reading: {problem}") from problem
    except sqlite3.DatabaseError as problem:
        found.append(f"is no database: {problem}")
    return tuple(found)


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
