"""Whether two series of tables hold the same rows, however each is cut into pieces; little of either is in memory."""

from collections import deque
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

import pyarrow as pa

AHEAD = 4
"""Tables that are decoded before they are asked for; a row group of samples takes 5 MB."""


def first_difference(one: Iterator[pa.Table], other: Iterator[pa.Table]) -> int | None:
    """Number of the first piece of rows that is not in both, as the row at which it begins; None when all rows are alike.

    Both are read to their ends, so that what is wrong with either is raised whatever the rows are.
    """
    row, found = 0, None
    mine, theirs = next(one, None), next(other, None)
    while mine is not None and theirs is not None:
        n = min(mine.num_rows, theirs.num_rows)
        if found is None and not mine.slice(0, n).equals(theirs.slice(0, n)):
            found = row
        row += n
        mine, theirs = _behind(mine, n, one), _behind(theirs, n, other)
    rest = [each for each in (mine, *one, theirs, *other) if each is not None and each.num_rows]
    return row if found is None and rest else found


def _behind(table: pa.Table, n: int, following: Iterator[pa.Table]) -> pa.Table | None:
    return table.slice(n) if n < table.num_rows else next(following, None)


def ahead(tables: Iterator[pa.Table]) -> Iterator[pa.Table]:
    """The same tables, made by a thread of their own up to `AHEAD` before they are asked for: decoding lets other threads run."""
    with ThreadPoolExecutor(1) as thread:
        coming = deque(thread.submit(next, tables, None) for _ in range(AHEAD))
        while (table := coming.popleft().result()) is not None:
            coming.append(thread.submit(next, tables, None))
            yield table
