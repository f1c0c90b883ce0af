"""Samples beside the tape that they were made from, a piece of either in memory at a time."""

from collections.abc import Iterator

import pyarrow as pa

from nightturn.errors import StorageError
from nightturn.storage import chunk
from nightturn.storage.alike import first_difference
from nightturn.storage.continuity import Stretches
from nightturn.storage.sections import Section
from nightturn.storage.segment import Segment


class _TapeError(Exception):
    """What is wrong with the tape, not with the chunk beside it."""


def compared(segment: Segment, section: Section, rows: Iterator[pa.Table], path: str) -> str:
    """What is wrong with a segment of which a section of the file at `path` was made; empty where it gives the same rows.

    Raises:
        CorruptFileError: the rows cannot be decoded.
    """
    try:
        row = first_difference(_of_tape(chunk.pieces(segment, section.plan)), rows)
    except _TapeError as problem:
        return f"does not reproduce {path}: {problem}"
    return "" if row is None else f"gives other samples than {path}, from its row {section.start + row} on"


def watched(tables: Iterator[pa.Table], stretches: Stretches) -> Iterator[pa.Table]:
    """The same tables, taken in by `stretches` on their way."""
    for table in tables:
        stretches.add(table)
        yield table


def _of_tape(tables: Iterator[pa.Table]) -> Iterator[pa.Table]:
    try:
        yield from tables
    except StorageError as problem:
        raise _TapeError(str(problem)) from problem
