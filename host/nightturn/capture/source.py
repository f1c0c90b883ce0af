"""The file of a capture, read piece by piece: text by its dialect, Parquet by its columns."""

import codecs
import io
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from nightturn.errors import TableError
from nightturn.tables.dialect import HEAD_LINES, Dialect, sniffed
from nightturn.tables.rows import RowReader
from nightturn.tables.units import named_with_unit

Float64s = npt.NDArray[np.float64]
PIECE_BYTES = 1 << 20
HEAD_BYTES = 1 << 16
BATCH_ROWS = 1 << 16
PARQUET = b"PAR1"
NS_PER_S = 1e9


@dataclass(frozen=True, slots=True)
class Rows:
    """A piece of the chosen columns (n, columns), and where a row of it stands, in words."""

    values: Float64s
    place_of: Callable[[int], str]


class Table:
    """A table of numbers in a file.

    Attributes:
        dialect: what its columns are called; of Parquet only names and units mean something.
        rows: how many there are; of a text about how many.
    """

    def __init__(self, path: Path, *, delimiter: str | None, decimal: str | None) -> None:
        self.path = path
        try:
            with path.open("rb") as file:
                head = file.read(HEAD_BYTES)
        except OSError as error:
            raise TableError(
                f"{path} cannot be read: {error.strerror or error}; give the path of a CSV or Parquet file"
            ) from error
        self._parquet = head.startswith(PARQUET)
        self.dialect: Dialect
        self.rows: int
        if self._parquet:
            self.dialect, self.rows = _parquet_head(path)
            return
        self._encoding = _encoding(head)
        lines = _decoder(self._encoding).decode(head, final=len(head) < HEAD_BYTES).split("\n")
        whole = lines[:HEAD_LINES] if len(lines) > HEAD_LINES or len(head) < HEAD_BYTES else lines[:-1]
        self.dialect = sniffed(whole, where=str(path), delimiter=delimiter, decimal=decimal)
        per_row = max(
            1.0,
            sum(len(line) + 1 for line in whole[self.dialect.skip :])
            / max(len(whole) - self.dialect.skip, 1),
        )
        self.rows = int(path.stat().st_size / per_row) + 1

    def pieces(self, places: Sequence[int]) -> Iterator[Rows]:
        """The columns at these places, in the file's order, one piece after the other.

        Raises:
            TableError: what cannot be read, with its line, column and remedy.
        """
        if self._parquet:
            yield from _parquet_pieces(self.path, self.dialect, places)
            return
        reader = RowReader(self.dialect, places, str(self.path))
        decoder = _decoder(self._encoding)
        with self.path.open("rb") as file:
            while piece := file.read(PIECE_BYTES):
                yield Rows(reader.take(decoder.decode(piece)), lambda row: f"line {reader.line_of(row)}")
            yield Rows(
                np.concatenate((reader.take(decoder.decode(b"", final=True)), reader.end())),
                lambda row: f"line {reader.line_of(row)}",
            )


def _encoding(head: bytes) -> str:
    """UTF-16 by its mark, UTF-8 where the head is that, else the one of western Windows, where every byte is a letter."""
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head, final=len(head) < HEAD_BYTES)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8-sig"


def _decoder(encoding: str) -> io.IncrementalNewlineDecoder:
    return io.IncrementalNewlineDecoder(
        codecs.getincrementaldecoder(encoding)(errors="replace"), translate=True
    )


def _parquet_head(path: Path) -> tuple[Dialect, int]:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        file = pq.ParquetFile(path)
    except (pa.ArrowException, OSError) as error:
        raise TableError(f"{path} is no whole Parquet file: {error}; save the capture again") from error
    with file:
        pairs = [named_with_unit(name) for name in file.schema_arrow.names]
        stamps = tuple(pa.types.is_timestamp(each.type) for each in file.schema_arrow)
        names, units = zip(*pairs, strict=True)
        return Dialect(
            "", ".", quoted=False, skip=0, names=names, units=units, stamps=stamps
        ), file.metadata.num_rows


def _parquet_pieces(path: Path, dialect: Dialect, places: Sequence[int]) -> Iterator[Rows]:
    import pyarrow.parquet as pq

    with pq.ParquetFile(path) as file:
        names = file.schema_arrow.names
        first = 0
        origins: dict[int, int] = {}
        for batch in file.iter_batches(BATCH_ROWS, columns=[names[at] for at in places]):
            columns = []
            for at in places:
                values = batch.column(names[at]).to_numpy(zero_copy_only=False)
                columns.append(_floats(values, at, origins, f"{path}, {dialect.called(at)}"))
            start = first
            yield Rows(np.column_stack(columns), lambda row, start=start: f"row {start + row + 1}")  # type: ignore[misc]  # bound now
            first += len(batch)


def _floats(values: npt.NDArray[np.generic], at: int, origins: dict[int, int], where: str) -> Float64s:
    """Numbers as they are, dates in seconds since the first of them."""
    if values.dtype.kind == "M":
        since = values.astype("datetime64[ns]").astype(np.int64)
        origin = origins.setdefault(at, int(since[0]) if len(since) else 0)
        return (since - origin) / NS_PER_S
    if values.dtype.kind not in "iufb":
        raise TableError(f"{where}: values of type {values.dtype}; save numbers")
    return values.astype(np.float64)
