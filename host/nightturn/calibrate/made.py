"""From what a person gives to the record: a lever from its options, a record of readings or of a certificate."""

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import msgspec

from nightturn.calibrate.keeping import keep, next_id
from nightturn.calibrate.readings_file import read_readings
from nightturn.calibration.dead_weight import Lever
from nightturn.calibration.gravity import ANOMALY_U_REL, gravity_m_per_s2
from nightturn.calibration.making import Signed, record_of_certificate, record_of_readings
from nightturn.calibration.records import CalibrationRecord
from nightturn.calibration.series import Calibrated, calibrated
from nightturn.errors import CalibrationError, ConfigError

GRAVITY_LOW, GRAVITY_HIGH = 9.7, 9.9
"""Between which gravity lies on earth."""


class Given(msgspec.Struct, frozen=True, kw_only=True):
    """The options of `calibrate`, as its help explains them."""

    transducer: str
    data: Path
    by: str
    certificate: str = ""
    factor: float | None = None
    sensitivity: float | None = None
    rated: float | None = None
    states: tuple[str, ...] = ()
    valid_days: int = 365
    arm: float | None = None
    arm_u: float = 0.0
    latitude: float | None = None
    height: float = 0.0
    gravity: float | None = None
    gravity_u: float = 0.0
    mass_u: float = 0.0
    density: float = 8000.0
    tilt: float = 0.0
    tilt_u: float = 0.5


def lever_of(given: Given) -> Lever | None:
    """The lever, None where there is no arm.

    Raises:
        ConfigError: gravity is not known, or in two ways.
        CalibrationError: a number that cannot be.
    """
    if given.arm is None:
        return None
    if (given.gravity is None) == (given.latitude is None):
        raise ConfigError("gravity at the bench: give --latitude with --height, or --gravity in m/s²")
    if given.gravity is None:
        assert given.latitude is not None
        gravity, u_rel = gravity_m_per_s2(given.latitude, given.height), ANOMALY_U_REL
    else:
        if not GRAVITY_LOW < given.gravity < GRAVITY_HIGH:
            raise ConfigError(f"--gravity {given.gravity}: give m/s², {GRAVITY_LOW} to {GRAVITY_HIGH}")
        gravity, u_rel = given.gravity, given.gravity_u / given.gravity
    return Lever(
        given.arm,
        given.arm_u,
        gravity,
        u_rel,
        u_mass_rel=given.mass_u / 100.0,
        density_kg_per_m3=given.density,
        tilt_deg=given.tilt,
        u_tilt_deg=given.tilt_u,
    )


def from_readings(
    given: Given, path: Path, now: datetime
) -> tuple[CalibrationRecord, Calibrated, dict[str, float]]:
    """Analyse a file of readings and keep its record; gives also what was found and what the loads contribute."""
    lever = lever_of(given)
    read = read_readings(path, lever)
    found = calibrated(read.readings)
    parts = lever.parts_rel() if lever is not None and read.masses else {}
    record = _keep(given, now, lambda signed: record_of_readings(found, parts, read.unit, signed))
    return record, found, parts


def from_certificate(given: Given, now: datetime) -> CalibrationRecord:
    """Keep the record of a certificate from elsewhere.

    Raises:
        ConfigError: nothing to keep.
    """
    values = {
        "factor_nm_per_v": given.factor,
        "sensitivity_mv_per_v": given.sensitivity,
        "rated_torque_nm": given.rated,
    }
    scale = {key: value for key, value in values.items() if value is not None}
    if not scale:
        raise ConfigError(
            "nothing to keep: give --readings FILE, --guided FILE, or --factor or --sensitivity of a certificate"
        )
    states: dict[str, str] = {}
    for each in given.states:
        key, equals, value = each.partition("=")
        if not equals:
            raise ConfigError(f"--states {each}: give KEY=VALUE, such as factor_rel=0.0005/2")
        states[key.strip()] = value.strip()
    return _keep(given, now, lambda signed: record_of_certificate(scale, states, signed))


def _keep(given: Given, now: datetime, make: Callable[[Signed], CalibrationRecord]) -> CalibrationRecord:
    if not given.by.strip():
        raise CalibrationError("--by is empty: a record is signed by a name")

    def record(records: tuple[CalibrationRecord, ...]) -> CalibrationRecord:
        last = records[-1] if records else None
        return make(
            Signed(
                id=next_id(records, given.transducer),
                transducer=given.transducer,
                certificate=given.certificate,
                signed_by=given.by.strip(),
                valid_from=now,
                valid_days=given.valid_days,
                supersedes=None if last is None else last.id,
                zero_v=0.0 if last is None else last.zero_v,
                zero_mv_per_v=0.0 if last is None else last.zero_mv_per_v,
                excitation_v=None if last is None else last.excitation_v,
            )
        )

    return keep(given.data, given.transducer, record)
