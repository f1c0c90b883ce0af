"""A fixture's rig record from recorded runs: one with a smooth arbor, or two between which the unit was turned on the rig."""

from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Literal

import msgspec

from nightturn.calibrate.keeping import appended_to, next_id
from nightturn.calibration.rig_records import (
    arbor_record,
    file_of,
    parse_rig_records,
    reindexed_orders,
    rig_appended,
)
from nightturn.errors import CalibrationError, StorageError
from nightturn.fixture.stream import RunSettings
from nightturn.model.figures import OK, CycleRecord
from nightturn.model.lines import with_checksum
from nightturn.model.rig_record import RE_INDEXING, RigRecord
from nightturn.replay.stored import stored_rows
from nightturn.settings.rig import FixtureSettings
from nightturn.storage.reader import Run

EVER = (1 << 63) - 1
Make = Callable[[str, str | None], RigRecord]


def from_arbor(root: Path, fixture: FixtureSettings, run: str, now: datetime) -> RigRecord:
    """Keep what a run with an arbor says of the rig.

    Raises:
        CalibrationError: the run cannot say it, and why.
        StorageError: it cannot be read, or the record not written.
    """
    reference, cycle = _reference(fixture), _cycle(root, fixture, run)

    def make(name: str, before: str | None) -> RigRecord:
        record = arbor_record(
            cycle,
            name=name,
            fixture=fixture.id,
            transducer=fixture.transducer.serial,
            reference=reference,
            valid_from=now,
        )
        return msgspec.structs.replace(record, supersedes=before)

    return _keep(root, fixture, make)


def from_reindexing(
    root: Path, fixture: FixtureSettings, runs: Sequence[str], turned_deg: float, now: datetime
) -> tuple[RigRecord, tuple[int, ...]]:
    """Keep what two runs say of the rig, between which the unit was turned on it; gives also the orders that stay unknown.

    Raises:
        CalibrationError: not two runs, or they cannot say it, and why.
        StorageError: one cannot be read, or the record not written.
    """
    if len(runs) != 2:
        raise CalibrationError(
            f"{len(runs)} runs are named: give --run twice, before and after the unit was turned on the rig"
        )
    reference = _reference(fixture)
    one, other = (_cycle(root, fixture, run) for run in runs)
    orders, blind = reindexed_orders(one, other, turned_deg)
    if not orders:
        raise CalibrationError(
            "the rig has no order above its uncertainty in these runs: there is nothing to keep"
        )

    def make(name: str, before: str | None) -> RigRecord:
        return RigRecord(
            id=name,
            fixture=fixture.id,
            how=RE_INDEXING,
            transducer=fixture.transducer.serial,
            reference=reference,
            speed_rpm=other.speed_rpm,
            orders=orders,
            valid_from=now,
            supersedes=before,
        )

    return _keep(root, fixture, make), blind


def _reference(fixture: FixtureSettings) -> Literal["absolute", "index"]:
    reference = fixture.encoder.reference
    if reference == "none":
        raise CalibrationError(
            f'{fixture.id}: its encoder has reference = "none", so no phase can be kept; an index or an absolute encoder is needed'
        )
    return reference


def _cycle(root: Path, fixture: FixtureSettings, run: str) -> CycleRecord:
    """The newest whole cycle of a run whose figures are those of rig and unit together."""
    manifest = Run(root, fixture.id, run).manifest
    if manifest is None:
        raise StorageError(f"run {run} of {fixture.id} is not below {root}; `nightturn runs` lists them")
    if RunSettings.of(manifest).rig_record is not None:
        raise CalibrationError(
            f"run {run} is net by a rig record already; record it into a data root without rigs/{fixture.id}.jsonl"
        )
    cycles = [each for each in stored_rows(root, fixture.id, run, 0, EVER).cycles if each.status == OK]
    if not cycles:
        raise CalibrationError(f"run {run} has no whole cycle: run at least one")
    return cycles[-1]


def _keep(root: Path, fixture: FixtureSettings, make: Make) -> RigRecord:
    path = root / file_of(fixture.id)

    def next_record(text: str) -> tuple[RigRecord, str]:
        records = parse_rig_records(text, where=str(path))
        record = make(next_id(records, fixture.id), records[-1].id if records else None)
        rig_appended(records, record, str(path))
        return record, with_checksum(msgspec.json.encode(record)).decode() + "\n"

    return appended_to(path, next_record)
