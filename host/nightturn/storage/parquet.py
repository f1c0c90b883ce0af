"""How every dataset is written: delta-packed integers, split floats, checksums on every page, facts in the footer."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, TypeAlias

import msgspec
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from crc32c import crc32c

from nightturn.errors import CorruptFileError, SchemaVersionError
from nightturn.model.rows import ChunkPlan
from nightturn.storage.segment import SegmentHeader

SCHEMA_MAJOR, SCHEMA_MINOR = 1, 2
ROW_GROUP_ROWS = 120_000
PAGE_BYTES = 256 * 1024
PREFIX = "nightturn."
CHECKSUM = "facts_crc32c"

TS = pa.timestamp("ns", tz="UTC")

Field: TypeAlias = "pa.Field[Any]"


@dataclass(frozen=True, slots=True)
class Encoded:
    """A Parquet file in memory, its number of rows and the first and last time in it (absent when empty)."""

    content: bytes
    rows: int
    ts_first: int | None
    ts_last: int | None


def column(name: str, kind: pa.DataType, unit: str, description: str, *, nullable: bool = False) -> Field:
    """A column with its unit and meaning in the field's metadata."""
    return pa.field(name, kind, nullable, {"unit": unit, "description": description})


class Encoder:
    """A file from tables that come one after the other, so that no more than one of them has to be in memory.

    Args:
        schema: of every table.
        dataset: its name.
        sorted_by: the column in whose order the rows come; empty for none.
    """

    def __init__(self, schema: pa.Schema, dataset: str, sorted_by: str = "") -> None:
        self._dataset = dataset
        self._rows = 0
        self._first: int | None = None
        self._last: int | None = None
        self._sink = pa.BufferOutputStream()
        self._writer = _writer(self._sink, schema, [sorted_by] if sorted_by else [])

    def add(self, table: pa.Table) -> None:
        """The next rows; all but the last tables have a whole number of `ROW_GROUP_ROWS`, if the file is to be the same however it is cut."""
        self._writer.write_table(table, row_group_size=ROW_GROUP_ROWS)
        self._rows += table.num_rows
        first, last = _span(table)
        if first is not None and last is not None:
            self._first = first if self._first is None else min(self._first, first)
            self._last = last if self._last is None else max(self._last, last)

    def finish(self, described: Mapping[str, str]) -> Encoded:
        """The file, with what is described in its footer."""
        facts = {
            "dataset": self._dataset,
            "rows": str(self._rows),
            "ts_first": _text(self._first),
            "ts_last": _text(self._last),
            **described,
        }
        # Not in the Arrow schema: there pyarrow would store them a second time, in base64.
        self._writer.add_key_value_metadata(_prefixed(facts))
        self._writer.close()
        return Encoded(self._sink.getvalue().to_pybytes(), self._rows, self._first, self._last)


def encode(table: pa.Table, dataset: str, described: Mapping[str, str]) -> Encoded:
    """The table as Parquet bytes; the same table gives the same bytes under the same pyarrow."""
    order = [name for name in ("index", "ts", "ts_from", "ts_start") if name in table.column_names][:1]
    encoder = Encoder(table.schema, dataset, next((name for name in order if _rises(table, name)), ""))
    encoder.add(table)
    return encoder.finish(described)


def encode_groups(
    tables: Iterator[pa.Table], schema: pa.Schema, dataset: str, described: Mapping[str, str]
) -> bytes:
    """Tables as Parquet bytes, a row group each; `described` says rows and times, which `encode` finds itself."""
    sink = pa.BufferOutputStream()
    with _writer(sink, schema, ["index"]) as writer:
        for table in tables:
            writer.write_table(table.cast(schema), row_group_size=max(1, table.num_rows))
        writer.add_key_value_metadata(_prefixed({"dataset": dataset, **described}))
    return sink.getvalue().to_pybytes()


def _writer(sink: pa.BufferOutputStream, schema: pa.Schema, order: list[str]) -> pq.ParquetWriter:
    delta = {f.name: "DELTA_BINARY_PACKED" for f in schema if _packs(f.type)}
    split = {f.name: "BYTE_STREAM_SPLIT" for f in schema if pa.types.is_floating(f.type)}
    return pq.ParquetWriter(
        sink,
        schema,
        compression="zstd",
        compression_level=1,
        use_dictionary=[f.name for f in schema if _repeats(f.type)],  # type: ignore[arg-type]  # the stubs know only bool
        column_encoding={**delta, **split},
        data_page_size=PAGE_BYTES,
        write_page_index=True,
        write_page_checksum=True,
        sorting_columns=pq.SortingColumn.from_ordering(schema, [(name, "ascending") for name in order]),
    )


def plan_metadata(header: SegmentHeader, plan: ChunkPlan) -> dict[str, str]:
    """What the footer says about where the rows come from; scale factors as decimal text, so nothing is rounded."""
    return {
        "fixture": header.fixture,
        "run": plan.run,
        "chunk_no": str(plan.chunk_no),
        "record_first": str(plan.first),
        "record_last": str(plan.last),
        "epoch": str(plan.epoch),
        "segment": f"{header.segment_id:016x}",
        "host_version": header.host_version,
        "calibration_id": plan.calibration_id,
        "torque_lsb_nm": repr(plan.lsb_nm),
        "torque_zero_count": repr(plan.zero_count),
        "encoder_counts_per_rev": str(plan.counts_per_rev),
        "rate_millihz": str(plan.rate_millihz),
        "tick_hz": str(plan.tick_hz),
        "ticks_per_sample": str(plan.ticks_per_sample),
        "plan": msgspec.json.encode(plan).decode(),
    }


def facts_of(metadata: pq.FileMetaData, path: str) -> dict[str, str]:
    """The footer's facts by their names without the prefix.

    Raises:
        CorruptFileError: the file is not one of ours, or its facts fail their checksum.
        SchemaVersionError: written by a newer major version.
    """
    try:
        whole = {key.decode(): value.decode() for key, value in (metadata.metadata or {}).items()}
    except UnicodeDecodeError as problem:
        raise CorruptFileError(path, f"its footer is not text: {problem}") from problem
    facts = {key.removeprefix(PREFIX): value for key, value in whole.items() if key.startswith(PREFIX)}
    if "schema" not in facts:
        raise CorruptFileError(path, "its footer has no nightturn.schema")
    if facts["schema"].partition(".")[0] != str(SCHEMA_MAJOR):
        raise SchemaVersionError(f"{path}: schema {facts['schema']}; this nightturn reads {SCHEMA_MAJOR}.x")
    if facts.get(CHECKSUM) != _checksum(facts):
        raise CorruptFileError(path, "the facts in its footer fail their checksum")
    return facts


def plan_of(facts: Mapping[str, str]) -> ChunkPlan:
    """The plan that the chunk was encoded by."""
    return msgspec.json.decode(facts["plan"], type=ChunkPlan)


def _prefixed(facts: Mapping[str, str]) -> dict[str, str]:
    schema = {"schema": f"{SCHEMA_MAJOR}.{SCHEMA_MINOR}", "writer": f"pyarrow {pa.__version__}"}
    whole = {**schema, **facts}
    return {PREFIX + key: value for key, value in {**whole, CHECKSUM: _checksum(whole)}.items()}


def _checksum(facts: Mapping[str, str]) -> str:
    """Pages have checksums of their own, the footer has none: without this a flipped bit could change a scale."""
    text = "\n".join(f"{key}={value}" for key, value in sorted(facts.items()) if key != CHECKSUM)
    return f"{crc32c(text.encode()):08x}"


def _text(ts: int | None) -> str:
    return "" if ts is None else str(ts)


def _span(table: pa.Table) -> tuple[int | None, int | None]:
    for name in ("ts", "ts_from", "ts_start"):
        if name in table.column_names and table.num_rows:
            ends = pc.min_max(table.column(name).cast(pa.int64()))
            return ends["min"].as_py(), ends["max"].as_py()
    return None, None


def _rises(table: pa.Table, name: str) -> bool:
    """Whether a column may be called sorted: a row that came late is joined where its chunk stands."""
    values = table.column(name).cast(pa.int64()).to_numpy()
    return bool((values[1:] >= values[:-1]).all())


def _packs(kind: pa.DataType) -> bool:
    return pa.types.is_timestamp(kind) or (pa.types.is_integer(kind) and kind.bit_width >= 32)


def _repeats(kind: pa.DataType) -> bool:
    return pa.types.is_string(kind) or (pa.types.is_integer(kind) and kind.bit_width < 32)
