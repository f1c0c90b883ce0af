"""A rig record from runs as they are stored: with an arbor, from several mountings of one unit, and which runs are refused."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import numpy as np
import pytest
from replay_logs.make import Recorded, settings_of
from tests.fixture.living import records
from tests.recorded import recorded
from tests.replay.scenes import MEASURED
from tests.storage.scenario import FIXTURE
from tests.storage.store import Night as Writing
from tests.storage.store import opened
from tests.unit_history.nights import night, place, usual_settings

from nightturn.calibrate.rig import from_arbor, from_reindexing
from nightturn.calibration.rig_records import file_of, parse_rig_records
from nightturn.errors import CalibrationError
from nightturn.model.records import Emit
from nightturn.model.rows import CYCLES
from nightturn.settings.rig import FixtureSettings, TurningDrive
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import manifests, of_opened, write_manifest

NOW = datetime(2026, 11, 28, tzinfo=UTC)
RIG = msgspec.structs.replace(
    usual_settings().fixture,
    id=FIXTURE,
    encoder=msgspec.structs.replace(usual_settings().fixture.encoder, reference="absolute"),
)
OF_RIG: dict[int, complex] = {2: 0.004 * np.exp(0.3j), 7: 0.002 * np.exp(-1.2j)}
OF_UNIT: dict[int, complex] = {1: 0.010 + 0j, 2: 0.010 + 0j, 7: 0.020j, 36: 0.018 + 0j}


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    """A run of the virtual rig with a unit on it, and two whole cycles."""
    return recorded(tmp_path_factory, MEASURED)


def turned(
    root: Path,
    number: int,
    turned_deg: float,
    unit: str = "Q-0121",
    mounted: str = "",
    rig: Mapping[int, complex] = OF_RIG,
) -> str:
    """A stored run of a unit that is turned so on the rig, which makes these orders; its id."""
    lived = night(
        number, {}, where=place(mounted_utc=mounted or f"2026-11-{20 + number}T20:00:00Z"), cycles=1
    )
    made = replace(lived, run=lived.run[:-4] + "0a1b")
    card = msgspec.structs.replace(made.settings.card, unit=unit, mounted_utc=made.place.mounted_utc)
    fact = msgspec.structs.replace(
        opened(made.run),
        rig=msgspec.json.encode(RIG).decode(),
        variant=msgspec.json.encode(made.settings.variant).decode(),
        calibration=msgspec.json.encode(made.settings.calibration).decode(),
        card=msgspec.json.encode(card).decode(),
        started_utc_ns=made.started_ts,
    )
    both = {n: rig.get(n, 0) + OF_UNIT[n] * np.exp(-1j * n * np.radians(turned_deg)) for n in OF_UNIT}
    orders = tuple((n, float(abs(value)), float(np.angle(value)), 1e-5) for n, value in both.items())
    writing = Writing(root, made.run)
    write_manifest(RealFiles(root), of_opened(FIXTURE, fact, "1.0"))
    (cycle,) = records(made, ("friction_nm",))
    writing.add_chunk(3000, rows=[Emit(CYCLES, msgspec.structs.replace(cycle, cogging_orders=orders))])
    return made.run


def kept(root: Path, fixture: FixtureSettings) -> Sequence[object]:
    path = root / file_of(fixture.id)
    return parse_rig_records(path.read_text(encoding="utf-8"), where="f") if path.exists() else ()


def test_three_mountings_of_stored_runs_leave_what_is_the_rigs(tmp_path: Path) -> None:
    runs = [turned(tmp_path, at, each) for at, each in enumerate((0.0, 37.0, 101.0))]
    record, blind = from_reindexing(tmp_path, RIG, runs, (37.0, 101.0), 0.01, NOW)
    found = {each.order: each.amplitude_nm * np.exp(1j * each.phase_rad) for each in record.orders}
    assert (blind, found) == ((), {n: pytest.approx(each, abs=1e-8) for n, each in OF_RIG.items()})
    assert kept(tmp_path, RIG) == (record,)
    second, _ = from_reindexing(tmp_path, RIG, runs[:2], (37.0,), 0.01, NOW)
    assert (second.supersedes, len(kept(tmp_path, RIG))) == (record.id, 2)


def test_a_rig_that_makes_nothing_leaves_nothing_to_keep(tmp_path: Path) -> None:
    runs = [turned(tmp_path, at, each, rig={}) for at, each in enumerate((0.0, 180.0))]
    with pytest.raises(
        CalibrationError,
        match="the rig has no order above its uncertainty in these runs: there is nothing to keep; these angles cannot part orders 2, 36",
    ):
        from_reindexing(tmp_path, RIG, runs, (180.0,), 0.01, NOW)
    assert kept(tmp_path, RIG) == ()


def test_runs_between_which_nothing_was_turned_are_refused_and_nothing_is_kept(tmp_path: Path) -> None:
    one, other = turned(tmp_path, 0, 0.0), turned(tmp_path, 1, 37.0, unit="Q-0200")
    same = turned(tmp_path, 2, 0.0, mounted="2026-11-20T20:00:00Z")
    for runs, angles, said in (
        ((one, one), (37.0,), "are of one mounting, so nothing was turned between them"),
        ((one, same), (37.0,), "are of one mounting, so nothing was turned between them"),
        ((one, other), (37.0,), "is of unit Q-0200, run .* of Q-0121: turn one unit on the rig"),
        ((one, other), (360.0,), "--reindex 360 is no turn of the unit: give degrees, such as 37"),
        ((one, other), (float("nan"),), "is no turn of the unit"),
        ((one, other), (37.0, 101.0), "give --run once more than --reindex"),
    ):
        with pytest.raises(CalibrationError, match=said):
            from_reindexing(tmp_path, RIG, runs, angles, 0.5, NOW)
    with pytest.raises(
        CalibrationError, match=r"--reindex-u 0: give above 0 to .* degrees; nobody sets an angle exactly"
    ):
        from_reindexing(tmp_path, RIG, (one, other), (37.0,), 0.0, NOW)
    elsewhere = msgspec.structs.replace(
        RIG, transducer=msgspec.structs.replace(RIG.transducer, serial="TR-999")
    )
    with pytest.raises(CalibrationError, match="made with another transducer or encoder"):
        from_reindexing(tmp_path, elsewhere, (one, other), (37.0,), 0.01, NOW)
    assert kept(tmp_path, RIG) == ()


def test_a_recorded_run_with_a_unit_on_the_rig_is_no_arbor_run(measured: Recorded) -> None:
    with pytest.raises(
        CalibrationError,
        match=(
            "has order 288, which magnets over slots of pan15 make and the drive does not: a unit was on the rig; put a smooth arbor in its place"
        ),
    ):
        from_arbor(measured.root, settings_of(MEASURED), measured.run, NOW)
    assert kept(measured.root, settings_of(MEASURED)) == ()


def test_a_recorded_run_gives_the_record_of_its_rig(measured: Recorded) -> None:
    """The same recording, of a drive that has these magnets and slots itself."""
    rig = msgspec.structs.replace(settings_of(MEASURED), drive=TurningDrive(pole_pairs=16, slots=36))
    files = RealFiles(measured.root)
    (manifest,) = manifests(files)
    write_manifest(files, msgspec.structs.replace(manifest, rig=msgspec.json.encode(rig).decode()))
    record = from_arbor(measured.root, rig, measured.run, NOW)
    assert kept(measured.root, rig) == (record,)
    assert {1, 2, 288} <= {each.order for each in record.orders}
    assert record.speed_rpm == pytest.approx(10, rel=1e-3)
    assert record.friction_nm == pytest.approx(0.103, abs=2e-3)
    assert record.temp_degc == pytest.approx(22, abs=2)
