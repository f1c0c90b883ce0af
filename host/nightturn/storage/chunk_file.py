"""Reading chunks back: footers, checked pages, and errors that name the file.

A file that was joined with others since it was listed (`joining`, `joining_raw`) is read from the joined one, where its rows are: whoever
reads beside a joining has each row once.
"""

import errno
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import NamedTuple

import msgspec
import pyarrow as pa
import pyarrow.parquet as pq
from crc32c import crc32c

from nightturn.errors import CorruptFileError, ForeignFileError, NotWholeError
from nightturn.model.rows import ChunkPlan
from nightturn.storage.companions import KEY, PARTS, Companion, companions_of, companions_text, parts_of
from nightturn.storage.parquet import CHECKSUM, facts_of, plan_of
from nightturn.storage.paths import ChunkName, chunk_name
from nightturn.storage.sections import SECTIONS, Section, cut
from nightturn.storage.stored import Stored

# Arrow's pool, begun by a command that ends right after, was seen to abort the process now and then ("terminate called
# without an active exception", exit code 134); a chunk is read in milliseconds without it.
THREADS = False
PLACE = ("dataset", "fixture", "run", "chunk_no", "record_first", "record_last")
"""The facts that say where a file belongs."""


class _Rows(NamedTuple):
    """The rows of a file, `start` to `stop`, in an open one that may have others too."""

    opened: pq.ParquetFile
    start: int
    stop: int

    def groups(self) -> Iterator[tuple[int, int, int]]:
        """Each row group that has some of them, and from which to which of its rows."""
        first = 0
        for group in range(self.opened.num_row_groups):
            rows = self.opened.metadata.row_group(group).num_rows
            begin, end = max(self.start - first, 0), min(self.stop - first, rows)
            if begin < end:
                yield group, begin, end
            first += rows

    def table(self, group: int, begin: int, end: int, columns: Sequence[str] | None = None) -> pa.Table:
        """Those of one row group."""
        wanted = None if columns is None else list(columns)
        return self.opened.read_row_group(group, wanted, use_threads=THREADS).slice(begin, end - begin)


@dataclass(frozen=True)
class ChunkFile:
    """One Parquet file under the data root; the footer is read once.

    Attributes:
        stored: where it lies.
        path: below that.
        name: what the file's name says.
    """

    stored: Stored
    path: str
    name: ChunkName

    @cached_property
    def facts(self) -> dict[str, str]:
        """The footer's facts.

        Raises:
            CorruptFileError: no readable footer.
            ForeignFileError: it is the file of another run, dataset or stretch of the tape.
            SchemaVersionError: written by a newer major version.
        """
        try:
            facts = facts_of(self._metadata, self.path)
        except FileNotFoundError:
            return self._facts_of_part(*self._joined())
        check_place(facts, self.path, self.name)
        return facts

    @property
    def plan(self) -> ChunkPlan:
        """The plan the chunk was encoded by."""
        return plan_of(self.facts)

    @property
    def rows(self) -> int:
        """Number of rows."""
        return int(self.facts["rows"])

    @property
    def bytes(self) -> int:
        """Size of the file; 0 where it is gone: joined since, and counted there, or named when it is read."""
        try:
            return self.stored.size(self.path)
        except FileNotFoundError:
            return 0

    @property
    def parts(self) -> tuple[Companion, ...]:
        """The files that it was joined from, in the order of its rows; none for one as it was sealed."""
        return parts_of(self.facts)

    @property
    def span(self) -> tuple[int, int] | None:
        """First and last time, UTC ns; None when there is no row."""
        first, last = self.facts["ts_first"], self.facts["ts_last"]
        return (int(first), int(last)) if first else None

    @property
    def sections(self) -> tuple[Section, ...]:
        """The chunks whose rows a raw file holds, in order: itself, or those that it was joined from."""
        if SECTIONS in self.facts:
            return msgspec.json.decode(self.facts[SECTIONS], type=tuple[Section, ...])
        return (Section(self.plan, 0, self.rows, self.span),)

    def by_section(self) -> Iterator[Iterator[pa.Table]]:
        """The rows of each section, a row group in memory at a time; each is read to its end before the next.

        Raises:
            CorruptFileError: as `read`.
        """
        tables, rest = self.groups(), list[pa.Table]()
        for section in self.sections:
            yield cut(tables, section.rows, rest)

    def read(self, columns: Sequence[str] | None = None) -> pa.Table:
        """All rows.

        Raises:
            CorruptFileError: the file fails the checksum in its name, a page its own, or it cannot be decoded.
            ForeignFileError: it is the file of another run, dataset or stretch of the tape.
        """
        with corruption_named(self.path):
            rows = self._open()
            there = list(rows.groups())
            wanted = None if columns is None else list(columns)
            table = rows.opened.read_row_groups([each[0] for each in there], wanted, use_threads=THREADS)
            return table.slice(there[0][1] if there else 0, rows.stop - rows.start)

    def groups(self) -> Iterator[pa.Table]:
        """All rows, a row group in memory at a time; the whole file is checked before the first.

        Raises:
            CorruptFileError: as `read`.
            ForeignFileError: as `read`.
        """
        with corruption_named(self.path):
            rows = self._open()
            for each in rows.groups():
                yield rows.table(*each)

    def read_between(self, start_ns: int, stop_ns: int, columns: Sequence[str]) -> Iterator[pa.Table]:
        """The row groups that have times in [start, stop), one at a time, whole.

        Raises:
            CorruptFileError: as `read`.
        """
        with corruption_named(self.path):
            rows = self._open()
            ts = rows.opened.schema_arrow.get_field_index("ts")
            for each in rows.groups():
                times = rows.opened.metadata.row_group(each[0]).column(ts).statistics
                if times is None or _overlap(times.min_raw, times.max_raw, start_ns, stop_ns):
                    yield rows.table(*each, columns)

    @cached_property
    def _metadata(self) -> pq.FileMetaData:
        with corruption_named(self.path):
            return self.stored.footer(self.path)

    def _open(self) -> _Rows:
        try:
            content = self.stored.read(self.path)
        except FileNotFoundError:
            joined, parts = self._joined()
            start = sum(part.rows for part in joined.parts[: parts.start])
            rows = joined._open()  # noqa: SLF001 - of its own class
            return _Rows(rows.opened, rows.start + start, rows.start + start + self.rows)
        # The whole file: its CRC covers what page checksums do not (statistics, offsets), for about 1 ms per 4 MB.
        if crc32c(content) != self.name.crc:
            what = f"CRC-32C {crc32c(content):08x}, its name says {self.name.crc:08x}"
            raise CorruptFileError(self.path, what)
        opened = pq.ParquetFile(pa.BufferReader(content), page_checksum_verification=True)
        check_place(facts_of(opened.metadata, self.path), self.path, self.name)
        return _Rows(opened, 0, opened.metadata.num_rows)

    def _joined(self) -> "tuple[ChunkFile, range]":
        """The file that it was joined into since it was listed, and which of its parts are this one.

        Raises:
            FileNotFoundError: there is none.
        """
        folder = self.path.rpartition("/")[0]
        for name in map(chunk_name, self.stored.list(folder)):
            if name is None or name == self.name or not _within(self.name, name):
                continue
            joined = ChunkFile(self.stored, f"{folder}/{name.text}", name)
            own = [number for number, part in enumerate(joined.parts) if _is_of(part, self.name)]
            if own:
                return joined, range(own[0], own[-1] + 1)
        raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), self.path)

    def _facts_of_part(self, joined: "ChunkFile", own: range) -> dict[str, str]:
        """What the footer said, from that of the file that it was joined into."""
        parts = joined.parts[own.start : own.stop]
        of_all = {SECTIONS, PARTS, KEY, CHECKSUM}
        facts = {key: said for key, said in joined.facts.items() if key not in of_all}
        facts |= {
            "rows": str(sum(part.rows for part in parts)),
            "chunk_no": str(self.name.chunk_no),
            "record_first": str(self.name.first),
            "record_last": str(self.name.last),
        }
        if SECTIONS in joined.facts:
            section = joined.sections[own.start]
            first, last = section.span or ("", "")
            plan = msgspec.json.encode(section.plan).decode()
            facts |= {"plan": plan, "ts_first": str(first), "ts_last": str(last)}
        beside = companions_of(joined.facts)
        if beside is not None:
            facts[KEY] = companions_text([each for each in beside if _is_of(each, self.name)])
        return facts


def _within(name: ChunkName, wide: ChunkName) -> bool:
    return wide.first <= name.first and name.last <= wide.last


def _is_of(each: Companion, name: ChunkName) -> bool:
    """Whether a file that another one names is of the records of a chunk."""
    own = chunk_name(each.name)
    return own is not None and _within(own, name)


def check_once(found: Sequence[ChunkFile]) -> None:
    """Of files that an object store has in a run's folder no two hold the same records: a push leaves there what it does not know.

    Raises:
        NotWholeError: two do.
    """
    for one, other in pairwise(found):
        if other.name.first <= one.name.last:
            what = f"holds the same records as {other.name.text}; delete the one that the data root does not have"
            raise NotWholeError(f"{one.stored}/{one.path}: {what}")


def check_place(facts: Mapping[str, str], path: str, name: ChunkName) -> None:
    """Nothing is read from a file that lies where it does not belong.

    Raises:
        ForeignFileError: its footer says so.
    """
    dataset, fixture, _, run, _ = path.split("/")
    of_run = (dataset, fixture.partition("=")[2], run.partition("=")[2])
    lies = (*of_run, str(name.chunk_no), str(name.first), str(name.last))
    said = tuple(facts.get(key, "") for key in PLACE)
    if said != lies:
        dataset, fixture, run, chunk_no, first, last = said
        what = f"is {dataset} of {fixture}, run {run}, chunk {chunk_no}, records {first} to {last}, as its footer says"
        raise ForeignFileError(path, what)


def _overlap(first: int | None, last: int | None, start_ns: int, stop_ns: int) -> bool:
    return first is None or last is None or (first < stop_ns and last >= start_ns)


@contextmanager
def corruption_named(path: str) -> Iterator[None]:
    """Turns what pyarrow raises on a damaged file into the error that names it."""
    try:
        yield
    except FileNotFoundError:
        raise
    except (pa.ArrowException, OSError, ValueError) as problem:
        raise CorruptFileError(path, f"cannot be read: {problem}") from problem
