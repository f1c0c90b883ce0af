"""Which scale turns a chunk's counts into N·m and radian: as recorded, or by the calibration in force now."""

import math
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime
from typing import Literal, get_args

import msgspec

from nightturn.calibration.angle import AngleScale
from nightturn.calibration.records import CalibrationRecord, from_settings, in_force, parse
from nightturn.calibration.torque import TorqueScale, torque_scale
from nightturn.errors import CalibrationError, StorageError
from nightturn.model.rows import ChunkPlan
from nightturn.settings.mistakes import did_you_mean
from nightturn.settings.rig import FixtureSettings
from nightturn.storage.manifest import Manifest
from nightturn.world import ReadFiles
from nightturn_protocol.errors import SheetError
from nightturn_protocol.sheet import torque_entry

Calibration = Literal["current", "recorded"]

ADC_BITS = 24  # what the wire carries; only the rails depend on it


def check_calibration(calibration: str) -> None:
    """Whether it is one of `Calibration`.

    Raises:
        StorageError: it is not; names one that is near.
    """
    known = get_args(Calibration)
    if calibration not in known:
        near = did_you_mean(calibration, known)
        raise StorageError(f"no calibration {calibration!r}{near}; there are {', '.join(known)}")


def settings_of(manifest: Manifest | None) -> FixtureSettings | None:
    """The fixture's settings as the run was opened with them; None when the manifest has none."""
    if manifest is None or not manifest.rig:
        return None
    return msgspec.json.decode(manifest.rig, type=FixtureSettings)


def angle_scale(plan: ChunkPlan, settings: FixtureSettings | None) -> AngleScale:
    """Encoder counts to angle, with the sense that the rig declares."""
    return AngleScale(plan.counts_per_rev, settings.encoder.sense if settings is not None else 1)


def recorded_scale(plan: ChunkPlan) -> TorqueScale:
    """The scale in force when the samples were taken."""
    half = 1 << (ADC_BITS - 1)
    return TorqueScale(plan.lsb_nm, plan.zero_count, -half, half - 1)


def current_scale(files: ReadFiles, plan: ChunkPlan, at_ns: int, manifest: Manifest | None) -> TorqueScale:
    """The scale by the transducer's record that holds at `at_ns`, corrections appended since then included.

    Without a file of calibration records the recorded scale is the current one.

    Raises:
        CalibrationError: the file is contradictory, has no record for that time, or the run does not say enough.
    """
    settings = settings_of(manifest)
    if manifest is None or settings is None:
        raise CalibrationError(f"run {plan.run} has no manifest with its rig; ask for calibration='recorded'")
    path = f"calibrations/{settings.transducer.serial}.jsonl"
    try:
        text = files.read(path).decode()
    except FileNotFoundError:
        return recorded_scale(plan)
    records = parse(text, where=path)
    record = in_force(records, datetime.fromtimestamp(at_ns // 1_000_000_000, UTC))
    if record.id == plan.calibration_id:
        return recorded_scale(plan)
    known = {each.id: each for each in (*records, *_recorded_under(manifest, settings))}
    return torque_scale(record, _channel(plan, known.get(plan.calibration_id), manifest))


def _recorded_under(manifest: Manifest, settings: FixtureSettings) -> Iterator[CalibrationRecord]:
    """The record that the run was opened with, and the one that the factor in its rig amounts to."""
    with suppress(msgspec.DecodeError):
        yield msgspec.json.decode(manifest.calibration, type=CalibrationRecord)
    with suppress(CalibrationError):
        yield from_settings(settings.transducer)


def _told(manifest: Manifest) -> list[dict[str, object]]:
    """The torque tables of the devices' sheets, as the manifest keeps them, in order."""
    told = [manifest.torque_channel, *(each.torque_channel for each in manifest.torque_since)]
    try:
        return [torque_entry(each) for each in told if each]
    except SheetError as problem:
        raise CalibrationError(
            f"the manifest of run {manifest.run}: torque table of a device sheet: {problem}; ask for calibration='recorded'"
        ) from problem


def _channel(plan: ChunkPlan, recorded: CalibrationRecord | None, manifest: Manifest) -> dict[str, object]:
    """The torque table that the chunk was recorded with.

    The chunk's own scale is the truth: of the tables that the manifest keeps it is the one that gives this scale with
    the record of then; where none does, it is worked back from the scale.
    """
    told = _told(manifest)
    if recorded is None:
        if len(told) == 1:
            return told[0]
        raise CalibrationError(
            f"calibration {plan.calibration_id!r} of run {plan.run} is in no record; ask for calibration='recorded'"
        )
    for entry in reversed(told):
        with suppress(CalibrationError):
            if _same(torque_scale(recorded, entry), plan):
                return entry
    unit = "V" if recorded.factor_nm_per_v is not None else "mV/V"
    zero = recorded.zero_v if unit == "V" else recorded.zero_mv_per_v
    one = torque_scale(recorded, {"bits": ADC_BITS, "unit": unit, "scale": 1.0})
    scale = plan.lsb_nm / one.lsb_nm
    return {"bits": ADC_BITS, "unit": unit, "scale": scale, "offset": zero - plan.zero_count * scale}


def _same(scale: TorqueScale, plan: ChunkPlan) -> bool:
    return math.isclose(scale.lsb_nm, plan.lsb_nm, rel_tol=1e-12) and math.isclose(
        scale.zero_count, plan.zero_count, rel_tol=1e-12, abs_tol=1e-9
    )
