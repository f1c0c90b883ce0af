"""What a run recorded beside its samples and a re-analysis needs: settings, sheets, temperatures, restarts, and its cycles as stored."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import msgspec
import pyarrow as pa

from nightturn.errors import StorageError
from nightturn.estimation.figures import FIGURES
from nightturn.fixture.stream import RunSettings
from nightturn.model.rows import CYCLES, EVENTS, SLOW
from nightturn.storage.chunk_file import ChunkFile
from nightturn.storage.manifest import Manifest
from nightturn.storage.reader import Run

KEYS = (
    "epoch", "cycle_no", "index_first", "index_last", "ts_start", "ts_end", "record_first", "record_last",
    "config_digest", "sums_sha256",
)  # fmt: skip
HOST_RESTARTED = "the host restarted"
RESUMED, RESTARTED, CHANGED = "run_resumed", "device_restarted", "setting_changed"

Reading = tuple[int, str, float]


@dataclass(frozen=True, slots=True)
class StoredCycle:
    """One cycle as it was recorded; `figures` are value and method version by name."""

    epoch: int
    cycle_no: int
    index_first: int
    index_last: int
    ts_start: int
    ts_end: int
    record_first: int
    record_last: int
    config_digest: str
    sums_sha256: str
    figures: Mapping[str, tuple[float | None, int]] = field(hash=False)


@dataclass(frozen=True, slots=True)
class Recorded:
    """What is known of a run beside its samples.

    Attributes:
        manifest: as it stands.
        settings: its texts, decoded.
        cycles: as stored, by epoch and first sample.
        readings: by epoch, in order of their tick: (tick, slow channel, value).
        restarts: by the epoch that it ended, why the device restarted.
        resumed: epochs that a restart of the host began.
        changed: epochs before which a setting was changed that did not end the run.
    """

    manifest: Manifest
    settings: RunSettings
    cycles: Mapping[tuple[int, int], StoredCycle]
    readings: Mapping[int, Sequence[Reading]]
    restarts: Mapping[int, str]
    resumed: frozenset[int]
    changed: frozenset[int]


def read_recorded(run: Run) -> Recorded:
    """Everything beside the samples of a run.

    Raises:
        StorageError: the run has no manifest, or one that does not say enough.
        CorruptFileError: a file fails its checksum.
    """
    manifest = run.manifest
    if manifest is None:
        raise StorageError(f"run {run.run} has no manifest, so nobody knows its rig and its device")
    if not manifest.sheets:
        raise StorageError(
            f"the manifest of run {run.run} keeps no device sheet (an earlier version wrote it, or nothing of the run is sealed), so its "
            "samples alone do not give figures; `nightturn replay` makes them from its tape"
        )
    events = _rows(run, EVENTS, ("epoch", "kind", "detail"))
    readings: defaultdict[int, list[Reading]] = defaultdict(list)
    for row in _rows(run, SLOW, ("epoch", "tick", "channel", "value")):
        readings[row["epoch"]].append((row["tick"], row["channel"], row["value"]))
    for each in readings.values():
        each.sort()
    cycles = [cycle for chunk in run.chunks(CYCLES) for cycle in _stored(chunk)]
    return Recorded(
        manifest,
        RunSettings.of(manifest),
        {(each.epoch, each.index_first): each for each in cycles},
        readings,
        {row["epoch"]: _restarted(row["detail"]) for row in events if row["kind"] == RESTARTED},
        frozenset(row["epoch"] for row in events if row["kind"] == RESUMED),
        frozenset(row["epoch"] for row in events if row["kind"] == CHANGED),
    )


def _restarted(detail: str) -> str:
    """Why a cycle broke off, as the core said it: the event names the boot, then the cause."""
    return f"the device restarted ({detail.partition(': ')[2]})"


def _rows(run: Run, dataset: str, columns: Sequence[str]) -> list[dict[str, Any]]:
    return [row for each in run.chunks(dataset) for row in each.read(columns).to_pylist()]


def _stored(chunk: ChunkFile) -> list[StoredCycle]:
    wanted = [each for name in FIGURES for each in (name, f"{name}_method")]
    table = chunk.read([*KEYS, *wanted])
    names = [name for name in FIGURES if f"{name}_method" in table.column_names]
    lacking = [key for key in KEYS if key not in table.column_names]
    if lacking:
        raise StorageError(f"{chunk.path}: has no column {lacking[0]}")
    fields = [
        pa.field(each.name, pa.int64()) if pa.types.is_timestamp(each.type) else each for each in table.schema
    ]
    return [_cycle(row, names) for row in table.cast(pa.schema(fields)).to_pylist()]


def _cycle(row: dict[str, Any], names: Sequence[str]) -> StoredCycle:
    figures = {
        name: (row[name], row[f"{name}_method"]) for name in names if row[f"{name}_method"] is not None
    }
    return msgspec.convert({**{key: row[key] for key in KEYS}, "figures": figures}, StoredCycle)
