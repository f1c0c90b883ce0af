"""What a station wrote is what a person reads: times, scales and states of real runs, no file made by hand."""

from datetime import UTC, datetime
from pathlib import Path

import pytest
from tests.bench.test_recovery import RESUME, killed, play

from nightturn.calibration.records import CalibrationRecord, encode_line
from nightturn.storage.runs import open_run
from nightturn.virtual import sheet
from nightturn.virtual.products import VOLTS_PER_COUNT


def calibrate(root: Path, name: str, factor_nm_per_v: float, zero_v: float) -> None:
    """A certificate that holds since long before the run, appended as a person appends it."""
    record = CalibrationRecord(
        id=name,
        transducer="TR-204",
        factor_nm_per_v=factor_nm_per_v,
        zero_v=zero_v,
        valid_from=datetime(2026, 1, 1, tzinfo=UTC),
    )
    path = root / "calibrations" / "TR-204.jsonl"
    path.parent.mkdir(exist_ok=True)
    with path.open("a", encoding="utf-8") as lines:
        lines.write(encode_line(record))


def test_a_certificate_that_comes_after_the_run_rescales_what_the_device_sent(tmp_path: Path) -> None:
    play(tmp_path, None, 6.0, settings=RESUME)
    run = open_run(tmp_path)
    inline = run.samples(columns=["torque_raw", "torque_nm"])
    assert inline["torque_nm"].to_numpy() == pytest.approx(inline["torque_raw"] * VOLTS_PER_COUNT * 4.0)
    calibrate(tmp_path, "TR-204/1", 4.4, 0.01)
    frame = run.samples(columns=["torque_raw", "torque_nm"])
    assert frame["torque_nm"].to_numpy() == pytest.approx(
        (frame["torque_raw"] * VOLTS_PER_COUNT - 0.01) * 4.4
    )
    assert run.samples(columns=["torque_nm"], calibration="recorded").equals(inline[["torque_nm"]])


def test_every_chunk_is_read_with_the_scale_it_was_recorded_under(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    play(tmp_path, killed, 6.0, settings=RESUME)
    with monkeypatch.context() as patched:
        patched.setattr(sheet, "VOLTS_PER_COUNT", 2 * VOLTS_PER_COUNT)  # another board stands there
        play(tmp_path, None, 6.0, settings=RESUME, seed=2)
    run = open_run(tmp_path)
    frame = run.samples(columns=["epoch", "torque_raw", "torque_nm"], calibration="recorded")
    volts = VOLTS_PER_COUNT * (1 + frame["epoch"]) * frame["torque_raw"]
    assert sorted(frame["epoch"].unique()) == [0, 1]
    assert frame["torque_nm"].to_numpy() == pytest.approx(volts * 4.0)
    assert run.samples()["torque_nm"].equals(frame["torque_nm"])
    calibrate(tmp_path, "TR-204/1", 4.4, 0.01)
    assert run.samples()["torque_nm"].to_numpy() == pytest.approx((volts - 0.01) * 4.4)
    manifest = run.manifest
    assert manifest is not None
    (since,) = manifest.torque_since
    assert since.epoch == 1
    assert manifest.torque_channel != since.torque_channel
