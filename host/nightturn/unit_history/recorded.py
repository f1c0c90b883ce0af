"""What the files of a unit's runs hold for its history: its cycles as frames, when its strokes ended, how often it was parked.

Read as Arrow tables and made into frames all at once, since a frame of one night costs as much as one of a hundred; what was read of a run is kept
in the catalogue (`storage.kept_nights`).
"""

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Literal, NamedTuple

import msgspec
import numpy as np
import pandas as pd
import pyarrow as pa
from crc32c import crc32c

from nightturn.errors import StorageError
from nightturn.fixture.activities.park import PARKED
from nightturn.model.phases import CONDITIONING, EXERCISE
from nightturn.model.rows import CYCLES, EVENTS, STROKES
from nightturn.model.tiles import Int64s
from nightturn.storage.kept_nights import KeptNights, stamp_of
from nightturn.storage.marks import Marks, read_marks
from nightturn.storage.reader import Run, schema_of_dataset
from nightturn.storage.redating import corrected
from nightturn.storage.stored import stored_at

DATASETS = (CYCLES, STROKES, EVENTS)
LAYOUT = 1
"""Of what is kept; another one is read from the files."""
CODEC: Literal["zstd"] = "zstd"


class Recorded(NamedTuple):
    """Of one run.

    Attributes:
        cycles: a row for each, in order of time; times corrected as a person has said.
        strokes: when each stroke of exercise ended, ns since 1970 UTC, in order; None where that cannot be read.
        beside: strokes of warm-up and soak, by phase; park_stops: how often the shaft was parked for a person.
        problem: why nothing of it is here, in words; empty where it is.
    """

    cycles: pd.DataFrame
    strokes: Int64s | None
    beside: Mapping[str, int]
    park_stops: int
    problem: str = ""


class _Packed(msgspec.Struct, array_like=True):
    """One run as it is kept, times as recorded: its cycles as an Arrow stream, ends of strokes as bytes of int64."""

    cycles: bytes
    ended: bytes
    beside: dict[str, int]
    park_stops: int


class _Read(NamedTuple):
    """One run as its files have it; without cycles, why."""

    cycles: pa.Table | None
    ended: Int64s | None
    beside: Mapping[str, int]
    park_stops: int
    by_ns: int
    problem: str = ""


def recorded(
    root: Path, unit: str, runs: Sequence[tuple[str, str]], columns: Sequence[str]
) -> list[Recorded]:
    """What the files of runs of a unit, by fixture and id, hold; of the cycles these columns."""
    place = stored_at(root)
    kept, marks = KeptNights(root, unit), read_marks(place)
    found = [_read(Run(place, *each), columns, kept, marks) for each in runs]
    kept.enter()
    return list(_framed(found, columns))


def _read(run: Run, columns: Sequence[str], kept: KeptNights, marks: Marks) -> _Read:
    """From what is kept, else from the files; what cannot be read is said and not kept."""
    try:
        mark = marks.redated(run.fixture, run.run)
        by_ns = mark.by_ns if mark is not None else 0
        stamp = stamp_of(run, DATASETS, f"{LAYOUT}-{crc32c(' '.join(columns).encode()):08x}")
        content = kept.content(run, stamp)
        packed = _of_files(run, columns) if content is None else _unpacked(content)
    except StorageError as error:
        return _Read(None, None, {}, 0, 0, str(error))
    if content is None:
        kept.keep(run, stamp, _content(packed))
    with pa.ipc.open_stream(packed.cycles) as stream:
        cycles = stream.read_all()
    ended = np.frombuffer(packed.ended, np.int64) + by_ns
    return _Read(cycles, ended, packed.beside, packed.park_stops, by_ns)


def _of_files(run: Run, columns: Sequence[str]) -> _Packed:
    """What the files say.

    Raises:
        StorageError: they cannot be read, or retention has cleared them.
    """
    cycles, strokes = run.table(CYCLES, columns), run.table(STROKES, ["ts", "phase"])
    if cycles is None:
        cycles = schema_of_dataset(CYCLES).empty_table().select(list(columns))
    counts, ended = dict.fromkeys(CONDITIONING, 0), np.empty(0, np.int64)
    if strokes is not None:
        # before there were others every stroke was of the exercise, and its file names no phase
        named = strokes["phase"].to_pylist() if "phase" in strokes.schema.names else [None] * len(strokes)
        phases = np.array([each or EXERCISE for each in named], object)
        counts = {phase: int((phases == phase).sum()) for phase in CONDITIONING}
        ended = strokes["ts"].cast(pa.int64()).to_numpy()[phases == EXERCISE]
    order = np.argsort(cycles["ts_start"].cast(pa.int64()).to_numpy(), kind="stable")
    return _Packed(_stream(cycles.take(order)), np.sort(ended).tobytes(), counts, _park_stops(run))


def _park_stops(run: Run) -> int:
    """How often the plan parked the shaft; 0 too where retention has cleared the events."""
    try:
        events = run.table(EVENTS, ["kind"])
    except StorageError:
        return 0
    return 0 if events is None else events["kind"].to_pylist().count(PARKED)


def _stream(table: pa.Table) -> bytes:
    """A table as one batch, without what its schema says beside names and types."""
    plain = pa.schema([pa.field(each.name, each.type) for each in table.schema])
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, plain) as stream:
        stream.write_table(pa.Table.from_arrays(table.combine_chunks().columns, schema=plain))
    return bytes(sink.getvalue())


def _content(packed: _Packed) -> bytes:
    whole = msgspec.msgpack.encode(packed)
    return len(whole).to_bytes(8, "little") + pa.compress(whole, codec=CODEC, asbytes=True)


def _unpacked(content: bytes) -> _Packed:
    size = int.from_bytes(content[:8], "little")
    whole = pa.decompress(content[8:], decompressed_size=size, codec=CODEC, asbytes=True)
    return msgspec.msgpack.decode(whole, type=_Packed)


def _framed(found: Sequence[_Read], columns: Sequence[str]) -> Iterator[Recorded]:
    """The cycles of all runs as frames; a column that an older file lacks is empty in it where others have it."""
    tables = [each.cycles for each in found if each.cycles is not None]
    whole = pd.DataFrame(columns=list(columns))
    if tables:
        together = pa.concat_tables(tables, promote_options="default")
        rows = [each.num_rows for each in tables]
        by_ns = np.repeat(np.array([each.by_ns for each in found if each.cycles is not None], np.int64), rows)
        whole = corrected(together.to_pandas(), together.schema, by_ns)
    last = 0
    for each in found:
        first, last = last, last + (0 if each.cycles is None else each.cycles.num_rows)
        cycles = whole.iloc[first:last].reset_index(drop=True)
        yield Recorded(cycles, each.ended, each.beside, each.park_stops, each.problem)
