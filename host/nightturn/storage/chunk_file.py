"""Reading chunks back: footers, checked pages, and errors that name the file."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import msgspec
import pyarrow as pa
import pyarrow.parquet as pq
from crc32c import crc32c

from nightturn.errors import CorruptFileError, ForeignFileError, NotWholeError
from nightturn.model.rows import ChunkPlan
from nightturn.storage.companions import Companion, parts_of
from nightturn.storage.parquet import facts_of, plan_of
from nightturn.storage.paths import ChunkName
from nightturn.storage.sections import SECTIONS, Section, cut
from nightturn.storage.stored import Stored

# Arrow's pool, begun by a command that ends right after, was seen to abort the process now and then ("terminate called
# without an active exception", exit code 134); a chunk is read in milliseconds without it.
THREADS = False
PLACE = ("dataset", "fixture", "run", "chunk_no", "record_first", "record_last")
"""The facts that say where a file belongs."""


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
        facts = facts_of(self._metadata, self.path)
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
        with corruption_named(self.path), self._open() as opened:
            return opened.read(columns=None if columns is None else list(columns), use_threads=THREADS)

    def groups(self) -> Iterator[pa.Table]:
        """All rows, a row group in memory at a time; the whole file is checked before the first.

        Raises:
            CorruptFileError: as `read`.
            ForeignFileError: as `read`.
        """
        with corruption_named(self.path), self._open() as opened:
            for group in range(opened.num_row_groups):
                yield opened.read_row_group(group, use_threads=THREADS)

    def read_between(self, start_ns: int, stop_ns: int, columns: Sequence[str]) -> Iterator[pa.Table]:
        """The row groups that have times in [start, stop), one at a time, whole.

        Raises:
            CorruptFileError: as `read`.
        """
        with corruption_named(self.path), self._open() as opened:
            ts = opened.schema_arrow.get_field_index("ts")
            for group in range(opened.num_row_groups):
                times = opened.metadata.row_group(group).column(ts).statistics
                if times is None or _overlap(times.min_raw, times.max_raw, start_ns, stop_ns):
                    yield opened.read_row_group(group, columns=list(columns), use_threads=THREADS)

    @cached_property
    def _metadata(self) -> pq.FileMetaData:
        with corruption_named(self.path):
            return self.stored.footer(self.path)

    def _open(self) -> pq.ParquetFile:
        # The whole file: its CRC covers what page checksums do not (statistics, offsets), for about 1 ms per 4 MB.
        content = self.stored.read(self.path)
        if crc32c(content) != self.name.crc:
            what = f"CRC-32C {crc32c(content):08x}, its name says {self.name.crc:08x}"
            raise CorruptFileError(self.path, what)
        opened = pq.ParquetFile(pa.BufferReader(content), page_checksum_verification=True)
        check_place(facts_of(opened.metadata, self.path), self.path, self.name)
        return opened


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
