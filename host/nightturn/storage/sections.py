"""The sections of a raw file: one for a chunk as it was sealed, one for each part of a file that was joined from several."""

from collections.abc import Iterator

import msgspec
import pyarrow as pa

from nightturn.model.rows import ChunkPlan

SECTIONS = "sections"
"""The fact of the footer of a joined raw file."""


class Section(msgspec.Struct, frozen=True):
    """Rows that were one chunk: its plan, the row at which it begins, how many there are, and their first and last time, UTC ns."""

    plan: ChunkPlan
    start: int
    rows: int
    span: tuple[int, int] | None


def cut(tables: Iterator[pa.Table], rows: int, rest: list[pa.Table]) -> Iterator[pa.Table]:
    """The next `rows` rows; what the last table has behind them is left in `rest`, which the next cut begins with."""
    while rows > 0:
        table = rest.pop() if rest else next(tables, None)
        if table is None:
            return
        if table.num_rows > rows:
            rest.append(table.slice(rows))
            table = table.slice(0, rows)
        rows -= table.num_rows
        yield table
