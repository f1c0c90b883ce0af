"""The cycles that a run stored, as records again: what the replay of its tape is compared with."""

from pathlib import Path
from typing import Any

from nightturn.model.figures import CycleRecord, Figure
from nightturn.model.rows import CYCLES
from nightturn.replay.tapes import Tape
from nightturn.storage.reader import Run

TEXTS = ("run", "status", "calibration_id", "config_digest", "sums_sha256", "fingerprint", "verdict")
NUMBERS = ("epoch", "cycle_no", "direction", "record_first", "record_last", "index_first", "index_last")
MEASURES = ("speed_rpm", "setpoint_nm", "coverage")
STATUS = "_status"


def stored_cycles(root: Path, fixture: str, tape: Tape) -> list[CycleRecord]:
    """The cycles dataset of the tape's run, in its order.

    Raises:
        CorruptFileError: a file fails its checksum.
    """
    table = Run(root, fixture, tape.run).table(CYCLES)
    if table is None:
        return []
    names = [name.removesuffix(STATUS) for name in table.column_names if name.endswith(STATUS)]
    return [_record(row, names) for row in table.drop_columns(["ts_start", "ts_end"]).to_pylist()]


def _record(row: dict[str, Any], figures: list[str]) -> CycleRecord:
    keys: dict[str, Any] = {name: row[name] for name in (*TEXTS, *NUMBERS, *MEASURES)}
    return CycleRecord(
        **keys,
        ts_start=0,
        ts_end=0,
        reasons=tuple(row["reasons"]),
        figures=tuple(_figure(row, name) for name in figures if row[f"{name}{STATUS}"] is not None),
    )


def _figure(row: dict[str, Any], name: str) -> Figure:
    return Figure(
        name=name,
        value=row[name],
        u=row[f"{name}_u"],
        nu=row[f"{name}_nu"],
        status=row[f"{name}{STATUS}"],
        n=row[f"{name}_n_rev"],
        method=row[f"{name}_method"],
        reasons=tuple(row[f"{name}_reasons"] or ()),
    )
