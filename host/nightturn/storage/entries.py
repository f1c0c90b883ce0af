"""What stands in the catalogue: its tables, and their rows, each with a checksum of its own."""

from typing import Any, NamedTuple

from crc32c import crc32c

APPLICATION_ID = 0x6E747463
"""Marks the file as ours."""
VERSION = 4
"""Of the tables; others are made anew from the files."""
TABLES = """
create table if not exists summaries (
    fixture text not null, run text not null, unit text not null, stamp text not null, summary text not null,
    crc integer not null, primary key (fixture, run)
) strict;
create index if not exists summaries_of_unit on summaries (unit);
create table if not exists units (
    fixture text not null, run text not null, unit text not null, look text not null,
    crc integer not null, primary key (fixture, run)
) strict;
create table if not exists nights (
    unit text not null, fixture text not null, run text not null, stamp text not null, content blob not null,
    crc integer not null, primary key (fixture, run)
) strict;
create index if not exists nights_of_unit on nights (unit);
create table if not exists chunks (
    path text primary key, dataset text not null, fixture text not null, run text not null, chunk_no integer not null,
    epoch integer not null, record_first integer not null, record_last integer not null, rows integer not null,
    ts_first integer, ts_last integer, bytes integer not null, crc integer not null
) strict;
create index if not exists chunks_of_run on chunks (fixture, run, dataset, chunk_no);
create table if not exists segments (
    path text primary key, fixture text not null, run text not null, record_first integer not null,
    bytes integer not null, started_utc_ns integer not null, crc integer not null
) strict;
"""
NAMES = ("summaries", "units", "nights", "chunks", "segments")
NAMES_BEFORE = ("runs", "chunks", "segments")
MARKS = ("application_id", "user_version")
ADD_SUMMARY = "insert or replace into summaries values (?, ?, ?, ?, ?, ?)"
ADD_UNIT = "insert or replace into units values (?, ?, ?, ?, ?)"
ADD_NIGHT = "insert or replace into nights values (?, ?, ?, ?, ?, ?)"
ADD_CHUNK = "insert or replace into chunks values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
ADD_SEGMENT = "insert or replace into segments values (?, ?, ?, ?, ?, ?, ?)"


class ChunkEntry(NamedTuple):
    """One Parquet file in the catalogue."""

    path: str
    dataset: str
    fixture: str
    run: str
    chunk_no: int
    epoch: int
    record_first: int
    record_last: int
    rows: int
    ts_first: int | None
    ts_last: int | None
    bytes: int


class SummaryEntry(NamedTuple):
    """What was worked out of a run when its files looked like `stamp`; both are JSON text."""

    fixture: str
    run: str
    unit: str
    stamp: str
    summary: str


class UnitEntry(NamedTuple):
    """Of which unit a run was when its manifest looked like `look`: the index by which a unit's history is found."""

    fixture: str
    run: str
    unit: str
    look: str


class NightEntry(NamedTuple):
    """What a unit's history takes from a run's files, packed, when these had the names in `stamp`; a name carries the checksum of its file."""

    unit: str
    fixture: str
    run: str
    stamp: str
    content: bytes


class SegmentEntry(NamedTuple):
    """One sealed tape segment in the catalogue."""

    path: str
    fixture: str
    run: str
    record_first: int
    bytes: int
    started_utc_ns: int


class Amounts(NamedTuple):
    """How much of a run lies in files; `gaps` counts gap rows."""

    samples: int
    cycles: int
    gaps: int
    bytes: int


def with_crc(row: tuple[Any, ...]) -> tuple[Any, ...]:
    """SQLite keeps no checksum of its pages: without one of our own a flipped bit would change an answer."""
    plain = tuple(crc32c(each) if isinstance(each, bytes) else each for each in row)
    return (*row, crc32c(repr(plain).encode()))


def holds(row: tuple[Any, ...]) -> bool:
    """Whether a row is as it was entered."""
    return bool(with_crc(row[:-1]) == row)
