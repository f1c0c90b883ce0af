"""What rig records and levers refuse, in words."""

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import pytest
from tests.cli.test_refcheck import capture
from tests.fixture.test_certificate import CARD, VARIANT
from tests.fixture.test_release import CALIBRATION
from tests.storage.scenario import FIXTURE, RUN, cycle_record
from tests.storage.store import Night, manifest, rig_settings

from nightturn.calibrate.lever import keep_check, lever_findings
from nightturn.calibrate.rig import from_arbor, from_reindexing
from nightturn.calibration.lever_check import Hung
from nightturn.capture.asked import Asked
from nightturn.errors import CalibrationError, ConfigError, StorageError
from nightturn.fixture.stream import RunSettings
from nightturn.model.records import Emit
from nightturn.model.rig_record import RE_INDEXING, RigRecord
from nightturn.model.rows import CYCLES
from nightturn.settings.rig import FixtureSettings
from nightturn.storage.manifest import Manifest, write_manifest

NOW = datetime(2026, 11, 28, tzinfo=UTC)
RIG = rig_settings()


def with_reference(reference: str) -> FixtureSettings:
    return msgspec.structs.replace(RIG, encoder=msgspec.structs.replace(RIG.encoder, reference=reference))


HUNG = Hung(torque_nm=9.8, u_rel=0.001, level_deg=30.0, down_deg=120.0)
INDEXED = with_reference("index")
READABLE = msgspec.structs.replace(
    manifest(),
    rig=msgspec.json.encode(RIG).decode(),
    variant=msgspec.json.encode(VARIANT).decode(),
    calibration=msgspec.json.encode(CALIBRATION).decode(),
    card=msgspec.json.encode(CARD).decode(),
)


def night(root: Path, rows: Sequence[Emit] = (), said: Manifest = READABLE) -> None:
    """A run with these rows that was opened so."""
    made = Night(root)
    made.add_chunk(10_000, rows=rows)
    write_manifest(made.files, said)


def test_a_unit_that_was_turned_on_the_rig_takes_two_runs(tmp_path: Path) -> None:
    with pytest.raises(
        CalibrationError,
        match="1 runs are named: give --run once more than --reindex, the first before the unit was turned on the rig",
    ):
        from_reindexing(tmp_path, INDEXED, [RUN], [37.0], 0.1, NOW)


def test_without_a_reference_of_angle_no_rig_record_is_kept(tmp_path: Path) -> None:
    with pytest.raises(
        CalibrationError, match="so no phase can be kept; an index or an absolute encoder is needed"
    ):
        from_arbor(tmp_path, with_reference("none"), RUN, NOW)


def test_a_run_that_is_not_there_is_named_with_what_lists_those_that_are(tmp_path: Path) -> None:
    with pytest.raises(
        StorageError, match=f"run {RUN} of {FIXTURE} is not below .*; `nightturn runs` lists them"
    ):
        from_arbor(tmp_path, INDEXED, RUN, NOW)


def test_a_run_without_a_whole_cycle_says_nothing_of_the_rig(tmp_path: Path) -> None:
    broken = msgspec.structs.replace(cycle_record(), status="incomplete")
    night(tmp_path, [Emit(CYCLES, broken)])
    with pytest.raises(CalibrationError, match=f"run {RUN} has no whole cycle: run at least one"):
        from_arbor(tmp_path, INDEXED, RUN, NOW)


def test_a_run_that_is_net_of_the_rig_cannot_say_what_the_rig_is(tmp_path: Path) -> None:
    known = RigRecord(
        id="pan-a1/1", fixture=FIXTURE, how=RE_INDEXING, transducer=RIG.transducer.serial, reference="index", speed_rpm=3.0,
        orders=(), valid_from=NOW,
    )  # fmt: skip
    net = msgspec.structs.replace(READABLE, rig_record=msgspec.json.encode(known).decode())
    assert RunSettings.of(net).rig_record == known
    night(tmp_path, said=net)
    with pytest.raises(
        CalibrationError,
        match=f"is net by a rig record already; record it into a data root without rigs/{FIXTURE}.jsonl",
    ):
        from_arbor(tmp_path, INDEXED, RUN, NOW)


def test_a_lever_that_was_turned_too_fast_is_refused_with_its_speed(tmp_path: Path) -> None:
    path, asked = capture(tmp_path / "lever.csv", rpm=6.0), Asked(rated_nm=15.0)
    with pytest.raises(
        CalibrationError, match=r"the lever was turned at 6\.03 rpm; at most 2 rpm: record it again, slower"
    ):
        lever_findings(path, asked, CALIBRATION, RIG, HUNG)


def test_a_lever_needs_a_factor(tmp_path: Path) -> None:
    bare = msgspec.structs.replace(CALIBRATION, factor_nm_per_v=None)
    with pytest.raises(ConfigError, match="calibration TR-204/1 has no factor and no sensitivity"):
        lever_findings(capture(tmp_path / "lever.csv"), Asked(rated_nm=15.0), bare, RIG, HUNG)


def test_a_reference_check_is_signed(tmp_path: Path) -> None:
    with pytest.raises(CalibrationError, match="--by is empty: a reference check is signed by a name"):
        keep_check(tmp_path, RIG, CALIBRATION, [], by=" ", now=NOW)
