"""Samples as CSV and as Parquet, written piece by piece."""

from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.csv as pc
import pyarrow.parquet as pq

from nightturn.export.columns import COLUMNS, GAP, SCHEMA, table
from nightturn.export.pieces import Block, Hole
from nightturn.export.stretch import Stretch
from nightturn.storage.parquet import ROW_GROUP_ROWS

REPEATED = ("flags", "inputs")
OPTIONS = pc.WriteOptions(quoting_style="needed")


class CsvWriter:
    """Rows of samples, and a row of its own for each hole, which has a time, a cause, and no value."""

    def __init__(self, path: Path, stretch: Stretch) -> None:
        self._stretch = stretch
        self._schema = pa.schema([(each.head, each.kind) for each in (*COLUMNS, GAP)])
        self._writer = pc.CSVWriter(path, self._schema, write_options=OPTIONS)
        self._first_ts: int | None = None

    def block(self, block: Block) -> None:
        """The rows of a block."""
        self._first_ts = int(block.ts[0]) if self._first_ts is None else self._first_ts
        rows = table(block, self._first_ts)
        whole = rows.append_column(GAP.name, pa.nulls(rows.num_rows).cast(GAP.kind))
        self._writer.write_table(whole.rename_columns(self._schema.names))

    def hole(self, hole: Hole) -> None:
        """One row."""
        values: dict[str, Any] = {
            "ts": hole.from_ts,
            "epoch": hole.epoch,
            "gap": hole_text(hole, self._stretch),
        }
        columns = [pa.array([values.get(each.name)]).cast(each.kind) for each in (*COLUMNS, GAP)]
        self._writer.write_table(pa.Table.from_arrays(columns, schema=self._schema))

    def close(self) -> None:
        """The end of the file."""
        self._writer.close()

    def drop(self) -> None:
        """As `close`: what is written stays unfinished in its own folder, which goes."""
        self._writer.close()


class ParquetWriter:
    """Rows of samples; holes are where the segment changes."""

    def __init__(self, path: Path, stretch: Stretch) -> None:
        self._schema = SCHEMA.remove(SCHEMA.get_field_index("t_s"))  # the time says it, to the nanosecond
        self._writer = pq.ParquetWriter(
            path,
            self._schema,
            compression="zstd",
            use_dictionary=False,
            column_encoding={
                field.name: _encoding(field.type) for field in self._schema if field.name not in REPEATED
            },
        )
        self._writer.add_key_value_metadata(
            {
                "nightturn.unit": stretch.summary.unit,
                "nightturn.fixture": stretch.summary.fixture,
                "nightturn.run": stretch.summary.run,
                "nightturn.timezone": stretch.zone,
                "nightturn.calibration": stretch.calibration,
            }
        )

    def block(self, block: Block) -> None:
        """The rows of a block."""
        rows = table(block, int(block.ts[0])).select(self._schema.names)
        self._writer.write_table(rows, row_group_size=ROW_GROUP_ROWS)

    def hole(self, hole: Hole) -> None:
        """Nothing: the next block's segment says it, and the file of gaps."""

    def close(self) -> None:
        """The end of the file."""
        self._writer.close()

    def drop(self) -> None:
        """As `close`: what is written stays unfinished in its own folder, which goes."""
        self._writer.close()


def _encoding(kind: pa.DataType) -> str:
    return "BYTE_STREAM_SPLIT" if pa.types.is_floating(kind) else "DELTA_BINARY_PACKED"


def hole_text(hole: Hole, stretch: Stretch) -> str:
    """`link: 5900 samples missing until 2026-11-25 21:01:45 +00:00`."""
    counted = "" if hole.exact else "about "
    missing = "counted where it began" if hole.before else f"{counted}{hole.missing} samples missing"
    return f"{hole.cause}: {missing} until {stretch.local(hole.to_ts)}"
