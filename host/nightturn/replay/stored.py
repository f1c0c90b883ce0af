"""The rows that a run stored, as rows again: what the replay of its tape is compared with."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any, TypeVar

import msgspec
import pyarrow as pa

from nightturn.errors import StorageError
from nightturn.model.figures import REPEATABILITY, CycleRecord, Figure, Symptoms
from nightturn.model.nights import NightVerdict
from nightturn.model.rows import CYCLES, EVENTS, GAPS, STROKES, TREND, EventRow, GapRow, StrokeRow, TrendRow
from nightturn.replay.full import Rows
from nightturn.storage import paths
from nightturn.storage.chunk_file import ChunkFile
from nightturn.storage.manifest import ENDED
from nightturn.storage.reader import Run

STATUS = "_status"
TEMPERATURE = ("temp_", "_degc")
ORDER_COLUMNS = ("order", "amplitude_nm", "phase_rad", "u_nm")

Row = TypeVar("Row", bound=msgspec.Struct)


def stored_rows(root: Path, fixture: str, run: str, record_first: int, record_last: int) -> Rows:
    """The rows in the chunks that these records cover; tapes may be gone where the chunks are kept.

    Raises:
        CorruptFileError: a file fails its checksum.
        StorageError: a file's columns are not those of its rows.
    """
    reader = Run(root, fixture, run)

    def rows(dataset: str) -> list[dict[str, Any]]:
        return [
            row
            for each in reader.chunks(dataset)
            for row in _inside(each, _plain(each), record_first, record_last)
        ]

    return Rows(
        cycles=[_cycle(row, run) for row in rows(CYCLES)],
        gaps=_converted(rows(GAPS), list[GapRow], GAPS),
        events=_converted(rows(EVENTS), list[EventRow], EVENTS),
        strokes=_converted(rows(STROKES), list[StrokeRow], STROKES),
        trend=_converted(rows(TREND), list[TrendRow], TREND),
        night_verdict=_last_word(reader),
    )


def _inside(
    each: ChunkFile, rows: list[dict[str, Any]], record_first: int, record_last: int
) -> Iterator[dict[str, Any]]:
    """The rows of chunks that these records cover; a joined file has its parts one behind the other."""
    began = 0
    for name, count in [(paths.chunk_name(part.name), part.rows) for part in each.parts] or [
        (each.name, len(rows))
    ]:
        if name is not None and record_first <= name.first and name.last <= record_last:
            yield from rows[began : began + count]
        began += count


def in_order_of_time(rows: Rows) -> Rows:
    """The rows by time, those of one moment as they came: a chunk keeps its rows so, a core emits them otherwise."""
    return Rows(
        cycles=rows.cycles,
        gaps=sorted(rows.gaps, key=lambda row: row.ts_from),
        events=sorted(rows.events, key=lambda row: row.ts),
        strokes=sorted(rows.strokes, key=lambda row: row.ts),
        trend=sorted(rows.trend, key=lambda row: row.ts),
        night_verdict=rows.night_verdict,
    )


def _last_word(reader: Run) -> NightVerdict | None:
    """The verdict of a run that has ended; of one under way the manifest's may be older than the tape."""
    manifest = reader.manifest
    return manifest.night_verdict if manifest is not None and manifest.state == ENDED else None


def _plain(chunk: ChunkFile) -> list[dict[str, Any]]:
    """Rows as they are in the file, times as ns since 1970."""
    table = chunk.read()
    fields = [
        pa.field(field.name, pa.int64()) if pa.types.is_timestamp(field.type) else field
        for field in table.schema
    ]
    plain: list[dict[str, Any]] = table.cast(pa.schema(fields)).to_pylist()
    return plain


def _converted(rows: list[dict[str, Any]], kind: type[list[Row]], dataset: str) -> list[Row]:
    try:
        return msgspec.convert(rows, kind)
    except msgspec.ValidationError as error:
        raise StorageError(
            f"dataset {dataset}: its columns are not those of this version: {error}"
        ) from error


def _cycle(row: dict[str, Any], run: str) -> CycleRecord:
    """One row of the cycles dataset as the record that it was made from."""
    known = CycleRecord.__struct_fields__
    before, after = TEMPERATURE
    record = {name: row[name] for name in known if name in row}
    record["run"] = run
    record["figures"] = [
        _figure(row, name.removesuffix(STATUS))
        for name in row
        if name.endswith(STATUS) and row[name] is not None
    ]
    record["temperatures_degc"] = {
        name.removeprefix(before).removesuffix(after): value
        for name, value in row.items()
        if name.startswith(before) and name.endswith(after) and value is not None
    }
    if record.get("limit_words") is None:  # written before there was this column
        record.pop("limit_words", None)
    for orders, origins in (("orders", "origins"), ("cogging_orders", "cogging_origins")):
        record[orders] = [tuple(order[name] for name in ORDER_COLUMNS) for order in row[orders]]
        record[origins] = [order["origin"] for order in row[orders] if order.get("origin")]
    if row.get("railed") is not None:  # not written before cycles had symptoms
        record["symptoms"] = {name: row[name] for name in Symptoms.__struct_fields__}
    try:
        return msgspec.convert(record, CycleRecord)
    except msgspec.ValidationError as error:
        raise StorageError(f"dataset {CYCLES}: its columns are not those of this version: {error}") from error


def _figure(row: dict[str, Any], name: str) -> Figure:
    # What older files lack is None; the lines of the budget are rows of their own and no part of the comparison.
    low, high = row.get(f"{name}_band_low"), row.get(f"{name}_band_high")
    return Figure(
        name=name,
        value=row[name],
        u=row[f"{name}_u"],
        nu=row[f"{name}_nu"],
        status=row[f"{name}{STATUS}"],
        n=row[f"{name}_n_rev"],
        method=row[f"{name}_method"],
        reasons=tuple(row[f"{name}_reasons"] or ()),
        u_rep=row.get(f"{name}_u_rep"),
        nu_rep=row.get(f"{name}_nu_rep"),
        u_common=row.get(f"{name}_u_common") or 0.0,
        kind=row.get(f"{name}_kind") or REPEATABILITY,
        measurand=row.get(f"{name}_measurand") or "",
        band=None if low is None or high is None else (low, high),
        unseen=tuple(row.get(f"{name}_unseen") or ()),
    )
