"""What `check` says of a fixture's calibration record: whether it can be used, and what the ± of its figures will be."""

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from nightturn.calibration.due import validity_text
from nightturn.calibration.records import (
    CalibrationRecord,
    certificate_of,
    contradiction,
    from_settings,
    in_force,
    parse,
    source_of,
)
from nightturn.calibration.rig_records import (
    file_of,
    parse_rig_records,
    rig_record_in_force,
    rig_record_text,
    unfit_for,
)
from nightturn.errors import CalibrationError, ConfigError
from nightturn.estimation.budget import kind_of
from nightturn.model.certificates import Certificate
from nightturn.model.figures import BUDGET, INTERVAL_IS
from nightturn.model.quantities import quantity
from nightturn.model.verdicts import MAX
from nightturn.outlook.decidable import Decidable
from nightturn.settings.load import data_root
from nightturn.settings.rig import FixtureSettings, Rig

NS_PER_S = 1_000_000_000
GROSS, NET, OF_RIG = "gross", "net", "of the rig"
NO_DATA = "no uncertainty of the factor is in"


class Calibrated(msgspec.Struct, frozen=True):
    """What the intervals will be, the certificate's uncertainties, a row that says it, what is wrong with the record, and the calibration record."""

    kind: str | None = None
    certificate: Certificate | None = None
    rows: tuple[tuple[str, str], ...] = ()
    mistake: ConfigError | None = None
    record: CalibrationRecord | None = None


def calibration_row(bench: Path, rig: Rig, fixture: FixtureSettings, now_ns: int) -> Calibrated:
    """The record that a run begun now would use; nothing is said where there is none."""
    try:
        record = _record(data_root(bench, rig), fixture, now_ns)
    except (CalibrationError, UnicodeDecodeError, OSError) as error:
        return Calibrated(mistake=ConfigError(str(error)))
    if record is None:
        return Calibrated()
    problem = contradiction(record)
    if problem is not None:
        return Calibrated(mistake=ConfigError(f"calibration record {record.id!r} {problem}"))
    certificate = certificate_of(record)
    kind = kind_of(certificate)
    why = source_of(record) if kind == BUDGET else f"{NO_DATA} {source_of(record)}"
    valid = validity_text(record, datetime.fromtimestamp(now_ns // NS_PER_S, UTC))
    rows = (("intervals", f"{INTERVAL_IS[kind]}: {why}"), *((("calibration", valid),) if valid else ()))
    return Calibrated(kind, certificate, rows, record=record)


def _record(root: Path, fixture: FixtureSettings, now_ns: int) -> CalibrationRecord | None:
    """As a run finds it, but a damaged file is a mistake and is left where it is."""
    transducer = fixture.transducer
    path = root / "calibrations" / f"{transducer.serial}.jsonl"
    if path.is_file():
        records = parse(path.read_text(encoding="utf-8"), where=str(path))
        return in_force(records, datetime.fromtimestamp(now_ns // NS_PER_S, UTC))
    if transducer.factor_nm_per_v is None and transducer.sensitivity_mv_per_v is None:
        return None
    return from_settings(transducer)


def rig_row(bench: Path, rig: Rig, fixture: FixtureSettings, now_ns: int) -> Calibrated:
    """Whether figures will be net of the rig, by the record that a run begun now would use, and what is wrong with it."""
    path = data_root(bench, rig) / file_of(fixture.id)
    if not path.is_file():
        return Calibrated(GROSS, rows=((OF_RIG, f"{GROSS}: no rig record in {file_of(fixture.id)}"),))
    try:
        records = parse_rig_records(path.read_text(encoding="utf-8"), where=str(path))
    except (CalibrationError, UnicodeDecodeError, OSError) as error:
        return Calibrated(mistake=ConfigError(str(error)))
    record = rig_record_in_force(records, datetime.fromtimestamp(now_ns // NS_PER_S, UTC))
    if record is None:
        return Calibrated(GROSS, rows=((OF_RIG, f"{GROSS}: no rig record is valid yet"),))
    problem = unfit_for(record, fixture)
    if problem:
        return Calibrated(GROSS, rows=((OF_RIG, f"{GROSS}: {problem}"),))
    return Calibrated(NET, rows=((OF_RIG, f"{NET} by {rig_record_text(record)}"),))


def decidable_rows(found: Sequence[Decidable]) -> list[tuple[str, str]]:
    """How near to its limits a figure can be decided, by the certificate alone."""
    return [(f"decidable {each.figure}", _decidable(each)) for each in found]


def _decidable(each: Decidable) -> str:
    beside = abs(each.limit)
    text = (
        f"open within {quantity(abs(each.open_within), each.unit, digits=2, beside=beside)} of "
        f"{quantity(each.limit, each.unit)}, "
        "however many cycles"
    )
    if each.bound == MAX and each.narrowest > 0:
        text += f"; narrowest limit {quantity(each.narrowest, each.unit, digits=2, beside=beside)}"
    return f"{text}; noise comes on top"
