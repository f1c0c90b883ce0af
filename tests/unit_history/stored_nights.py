"""Nights of a unit as files: what `nights` makes in memory, written as a daemon does, a chunk each."""

import datetime as dt
from dataclasses import replace
from pathlib import Path

import msgspec
from tests.fixture.living import records
from tests.storage.scenario import FIXTURE
from tests.storage.store import Night as Writing
from tests.storage.store import opened
from tests.unit_history.nights import STROKES

from nightturn.model.records import Emit
from nightturn.model.rows import CYCLES as CYCLE_ROWS
from nightturn.model.rows import STROKES as STROKE_ROWS
from nightturn.model.rows import StrokeRow
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import of_opened, write_manifest
from nightturn.trend.series import FOLLOWED
from nightturn.unit_history.nights import Night

SAMPLES = 3000
"""Of a night's one chunk: nobody reads them here."""


def stored(root: Path, lived: Night, unit: str = "Q-0121", word: str = "4f1c") -> str:
    """A night of a unit as files, with its cycles and strokes; the run's id, which ends with `word`."""
    began = dt.datetime.fromtimestamp(lived.started_ts / 1e9, dt.UTC)
    made = replace(lived, run=f"{began:%Y%m%dT%H%M%SZ}-{word}")
    settings = made.settings
    card = msgspec.structs.replace(settings.card, unit=unit, mounted_utc=made.place.mounted_utc)
    fact = msgspec.structs.replace(
        opened(made.run),
        rig=msgspec.json.encode(settings.fixture).decode(),
        variant=msgspec.json.encode(settings.variant).decode(),
        calibration=msgspec.json.encode(settings.calibration).decode(),
        card=msgspec.json.encode(card).decode(),
        started_utc_ns=made.started_ts,
    )
    writing = Writing(root, made.run)
    write_manifest(RealFiles(root), of_opened(FIXTURE, fact, "1.0"))
    rows = [Emit(CYCLE_ROWS, each) for each in records(made, FOLLOWED)]
    assert made.strokes is not None
    for at, ts in enumerate(made.strokes.tolist()):
        cycle, stroke = divmod(at, STROKES)
        row = StrokeRow(ts, 0, cycle + 1, stroke + 1, 1, 0, 99, 0.1, 0.3, 0.12, 25.0)
        rows.append(Emit(STROKE_ROWS, row))
    writing.add_chunk(SAMPLES, rows=rows)
    return made.run
