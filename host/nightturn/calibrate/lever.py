"""The lever check of a fixture from a capture: its whole turns, what they say, and the line that keeps it."""

import math
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

import numpy as np

from nightturn.calibrate.keeping import appended_to, next_id
from nightturn.calibration.lever_check import Finding, Hung, lever_check, passed, whole_turns
from nightturn.calibration.records import CalibrationRecord
from nightturn.calibration.reference_checks import (
    ReferenceCheck,
    check_appended,
    check_line,
    checks_of,
    parse_checks,
)
from nightturn.capture.asked import Asked
from nightturn.capture.legs import legs_of
from nightturn.capture.reading import traced
from nightturn.errors import CalibrationError, ConfigError
from nightturn.model.quantities import number
from nightturn.settings.rig import FixtureSettings
from nightturn.tables.units import RATIO, VOLTAGE

RPM_MAX = 2.0
RPM_SLACK = 1.05
"""By which a speed may be misread."""
GRID_RAD = math.tau / (1 << 20)
CAUTION = (
    "Caution: a mass on a turning lever strikes whoever is near and falls when it comes loose. Guard closed, nobody within its reach, the mass secured "
    "against sliding off, and one turn by hand first with the drive's energy locked off by local rules. At most 2 rpm, never with exercise."
)


def lever_findings(
    path: Path, asked: Asked, record: CalibrationRecord, fixture: FixtureSettings, hung: Hung
) -> tuple[Finding, ...]:
    """What a capture of a lever that was turned says of the fixture.

    Args:
        path: of the capture.
        asked: what a person says of its columns.
        record: by which its volts are torque; a column in N·m is taken as it is.
        fixture: whose sense and calibration it is.
        hung: what hangs, and what was read off.

    Raises:
        TableError: the file cannot be read so.
        CalibrationError: it holds no whole turn, or was turned too fast.
        ConfigError: the record has no factor for the column's unit.
    """
    factors, zeros = _scale(record)
    trace = traced(path, asked, factors)
    torque = trace.torque_nm - zeros.get(trace.unit_of, 0.0)
    angle = trace.angle_rad * fixture.encoder.sense
    legs = legs_of(trace.time_s, trace.angle_rad, GRID_RAD)
    fastest = max((leg.speed_rad_s for leg in legs), default=0.0) * 30 / math.pi
    if fastest > RPM_MAX * RPM_SLACK:
        raise CalibrationError(
            f"{path}: the lever was turned at {number(fastest, 3)} rpm; at most {number(RPM_MAX)} rpm: record it again, slower"
        )
    turns = []
    for leg in legs:
        here = slice(leg.first, leg.stop)
        way = int(np.sign(angle[leg.stop - 1] - angle[leg.first]))
        turns += list(whole_turns(trace.time_s[here], angle[here], torque[here], way))
    return lever_check(turns, hung)


def _scale(record: CalibrationRecord) -> tuple[dict[str, float], dict[str, float]]:
    """N·m per unit, and N·m at zero torque, by the kind of unit."""
    if record.factor_nm_per_v is not None:
        factor = record.factor_nm_per_v * record.polarity
        return {VOLTAGE: factor}, {VOLTAGE: factor * record.zero_v}
    if record.sensitivity_mv_per_v is None or record.rated_torque_nm is None:
        raise ConfigError(f"calibration {record.id} has no factor and no sensitivity")
    factor = record.rated_torque_nm / record.sensitivity_mv_per_v * record.polarity
    return {RATIO: factor}, {RATIO: factor * record.zero_mv_per_v}


def keep_check(
    root: Path,
    fixture: FixtureSettings,
    record: CalibrationRecord,
    findings: Sequence[Finding],
    *,
    by: str,
    now: datetime,
) -> ReferenceCheck:
    """Append what was found, good or bad, to the fixture's reference checks.

    Raises:
        CalibrationError: nobody signs it, or it does not fit behind the others.
        StorageError: the file cannot be written.
    """
    if not by.strip():
        raise CalibrationError("--by is empty: a reference check is signed by a name")
    path = root / checks_of(fixture.id)

    def next_check(text: str) -> tuple[ReferenceCheck, str]:
        checks = parse_checks(text, where=str(path))
        good = passed(findings)
        amiss = tuple(f"{each.what} {each.state}: {each.said}" for each in findings if each.state != "good")
        check = ReferenceCheck(
            id=next_id(checks, fixture.id),
            fixture=fixture.id,
            transducer=fixture.transducer.serial,
            calibration=record.id,
            by=by.strip(),
            valid_from=now,
            passed=good,
            said=amiss,
            supersedes=checks[-1].id if checks else None,
        )
        check_appended(checks, check, where=str(path))
        return check, check_line(check)

    return appended_to(path, next_check)
