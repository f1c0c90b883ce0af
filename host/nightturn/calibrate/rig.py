"""A fixture's rig record from recorded runs: one with a smooth arbor, or several between which the unit was turned on the rig."""

import math
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
from nightturn.estimation.families import FAMILY_REACH
from nightturn.fixture.stream import RunSettings
from nightturn.model.figures import OK, CycleRecord
from nightturn.model.lines import with_checksum
from nightturn.model.quantities import typed
from nightturn.model.rig_record import RE_INDEXING, RigRecord
from nightturn.replay.stored import stored_rows
from nightturn.settings.rig import FixtureSettings
from nightturn.storage.reader import Run

EVER = (1 << 63) - 1
TURN_DEG, U_TURNED_MAX_DEG = 360.0, 20.0
Make = Callable[[str, str | None], RigRecord]


def from_arbor(root: Path, fixture: FixtureSettings, run: str, now: datetime) -> RigRecord:
    """Keep what a run with an arbor says of the rig.

    Raises:
        CalibrationError: the run cannot say it, and why.
        StorageError: it cannot be read, or the record not written.
    """
    reference, (settings, cycle) = _reference(fixture), _cycle(root, fixture, run)
    _no_unit(run, settings, cycle)

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


def _no_unit(run: str, settings: RunSettings, cycle: CycleRecord) -> None:
    """Refuse a run whose torque has what only magnets over slots make: its unit would be taken for the rig."""
    unit, drive = settings.variant, settings.fixture.drive
    of_unit, of_drive = (math.lcm(2 * each.pole_pairs, each.slots) for each in (unit, drive))
    found = [
        n
        for n, *_ in cycle.cogging_orders
        if n % of_unit == 0 and (n % of_drive or n > FAMILY_REACH * of_drive)
    ]
    if found:
        raise CalibrationError(
            f"run {run} has order {found[0]}, which magnets over slots of {settings.card.variant} make and the drive does not: a unit was on the rig; "
            "put a smooth arbor in its place and run again"
        )


def from_reindexing(
    root: Path,
    fixture: FixtureSettings,
    runs: Sequence[str],
    turned_deg: Sequence[float],
    u_turned_deg: float,
    now: datetime,
) -> tuple[RigRecord, tuple[int, ...]]:
    """Keep what runs of several mountings say of the rig, between which the unit was turned on it; gives also the orders that stay unknown.

    Args:
        root: the data root.
        fixture: whose rig it is.
        runs: one of each mounting.
        turned_deg: how far the unit stood from its first mounting, of each run but the first.
        u_turned_deg: how well that is known.
        now: from when the record holds.

    Raises:
        CalibrationError: not a run more than angles, or they cannot say it, and why.
        StorageError: one cannot be read, or the record not written.
    """
    _turned(runs, turned_deg, u_turned_deg)
    reference = _reference(fixture)
    read = [_cycle(root, fixture, run) for run in runs]
    _remounted(runs, [settings for settings, _ in read])
    cycles = [cycle for _, cycle in read]
    orders, blind = reindexed_orders(cycles, (0.0, *turned_deg), u_turned_deg)
    if not orders:
        unparted = f"; these angles cannot part orders {', '.join(map(str, blind))}" if blind else ""
        raise CalibrationError(
            f"the rig has no order above its uncertainty in these runs: there is nothing to keep{unparted}"
        )

    def make(name: str, before: str | None) -> RigRecord:
        return RigRecord(
            id=name,
            fixture=fixture.id,
            how=RE_INDEXING,
            transducer=fixture.transducer.serial,
            reference=reference,
            speed_rpm=cycles[-1].speed_rpm,
            orders=orders,
            valid_from=now,
            supersedes=before,
        )

    return _keep(root, fixture, make), blind


def _turned(runs: Sequence[str], turned_deg: Sequence[float], u_turned_deg: float) -> None:
    """Refuse angles that are none, or not one for each run after the first."""
    if len(runs) != len(turned_deg) + 1:
        raise CalibrationError(
            f"{len(runs)} runs are named: give --run once more than --reindex, the first before the unit was turned on the rig"
        )
    for each in turned_deg:
        if not 0 < abs(each) < TURN_DEG:
            raise CalibrationError(
                f"--reindex {typed(each)} is no turn of the unit: give degrees, such as 37"
            )
    if not 0 < u_turned_deg <= U_TURNED_MAX_DEG:
        raise CalibrationError(
            f"--reindex-u {typed(u_turned_deg)}: give above 0 to {typed(U_TURNED_MAX_DEG)} degrees; nobody sets an angle exactly"
        )


def _remounted(runs: Sequence[str], settings: Sequence[RunSettings]) -> None:
    """Refuse runs of different units, and two of one mounting: what did not move would all be taken for the rig."""
    mounted: dict[str, str] = {}
    for run, each in zip(runs, settings, strict=True):
        card = each.card
        if card.unit != settings[0].card.unit:
            raise CalibrationError(
                f"run {run} is of unit {card.unit}, run {runs[0]} of {settings[0].card.unit}: turn one unit on the rig"
            )
        if card.mounting in mounted:
            raise CalibrationError(
                f"runs {mounted[card.mounting]} and {run} are of one mounting, so nothing was turned between them: "
                "turn the unit on the rig, mount it and run again"
            )
        mounted[card.mounting] = run


def _reference(fixture: FixtureSettings) -> Literal["absolute", "index"]:
    reference = fixture.encoder.reference
    if reference == "none":
        raise CalibrationError(
            f'{fixture.id}: its encoder has reference = "none", so no phase can be kept; an index or an absolute encoder is needed'
        )
    return reference


def _cycle(root: Path, fixture: FixtureSettings, run: str) -> tuple[RunSettings, CycleRecord]:
    """A run's settings and its newest whole cycle, whose figures are those of rig and unit together."""
    manifest = Run(root, fixture.id, run).manifest
    if manifest is None:
        raise StorageError(f"run {run} of {fixture.id} is not below {root}; `nightturn runs` lists them")
    settings = RunSettings.of(manifest)
    if settings.rig_record is not None:
        raise CalibrationError(
            f"run {run} is net by a rig record already; record it into a data root without rigs/{fixture.id}.jsonl"
        )
    then, now = settings.fixture, fixture
    if (then.transducer.serial, then.encoder) != (now.transducer.serial, now.encoder):
        raise CalibrationError(
            f"run {run} was made with another transducer or encoder than the rig file has now: run it again"
        )
    cycles = [each for each in stored_rows(root, fixture.id, run, 0, EVER).cycles if each.status == OK]
    if not cycles:
        raise CalibrationError(f"run {run} has no whole cycle: run at least one")
    return settings, cycles[-1]


def _keep(root: Path, fixture: FixtureSettings, make: Make) -> RigRecord:
    path = root / file_of(fixture.id)

    def next_record(text: str) -> tuple[RigRecord, str]:
        records = parse_rig_records(text, where=str(path))
        record = make(next_id(records, fixture.id), records[-1].id if records else None)
        rig_appended(records, record, str(path))
        return record, with_checksum(msgspec.json.encode(record)).decode() + "\n"

    return appended_to(path, next_record)
