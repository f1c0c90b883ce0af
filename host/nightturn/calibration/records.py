"""Calibration records: what turns the bridge's voltage into torque, append-only, one file per transducer."""

import hashlib
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Annotated, Literal

import msgspec
from msgspec import UNSET, Meta, UnsetType

from nightturn.calibration.append_only import one_more, read_records
from nightturn.calibration.certificate import KEY, certificate_problem
from nightturn.errors import CalibrationError
from nightturn.model.certificates import Certificate
from nightturn.model.lines import with_checksum
from nightturn.settings.rig import Transducer

Positive = Annotated[float, Meta(gt=0)]
INLINE = "inline-"
ALWAYS = datetime(1970, 1, 1, tzinfo=UTC)


class CalibrationRecord(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One line of `calibrations/<transducer>.jsonl`.

    Either `factor_nm_per_v`, or `sensitivity_mv_per_v` at `rated_torque_nm`. The zero is the reading without torque, in
    the unit of the device's sheet: `zero_v` or `zero_mv_per_v`, not both.

    Attributes:
        id: names the record for ever; stored with every cycle.
        transducer: its serial.
        certificate: number and laboratory, as printed.
        factor_nm_per_v: torque per volt of the channel, N·m/V, positive.
        sensitivity_mv_per_v: bridge output at rated torque, mV/V, positive.
        rated_torque_nm: torque at which the sensitivity holds.
        excitation_v: needed where the sheet's unit and the record's differ (V against mV/V).
        polarity: -1 when a positive voltage is a negative torque.
        valid_from: from when it holds; UTC.
        supersedes: id of the record it replaces.
        u_factor_rel: relative standard uncertainty of factor or sensitivity; the same as `uncertainty.factor_rel`.
        uncertainty: what the certificate says of the rest; a record without the key is written as it always was.
        valid_until: until when whoever calibrated it lets it hold, UTC; figures go on behind it, and people are called. signed_by: who that was. Both
            are left out where they are not known.
    """

    id: Annotated[str, Meta(min_length=1, max_length=64)]
    transducer: Annotated[str, Meta(min_length=1)]
    certificate: str = ""
    factor_nm_per_v: Positive | None = None
    sensitivity_mv_per_v: Positive | None = None
    rated_torque_nm: Positive | None = None
    excitation_v: Positive | None = None
    zero_v: float = 0.0
    zero_mv_per_v: float = 0.0
    polarity: Literal[1, -1] = 1
    valid_from: Annotated[datetime, Meta(tz=True)]
    supersedes: str | None = None
    u_factor_rel: Annotated[float, Meta(ge=0, lt=1)] | None = None
    uncertainty: Certificate | UnsetType = UNSET
    valid_until: Annotated[datetime, Meta(tz=True)] | UnsetType = UNSET
    signed_by: Annotated[str, Meta(min_length=1)] | UnsetType = UNSET


def contradiction(record: CalibrationRecord) -> str | None:
    """What is wrong with a record on its own and how to mend it, or None."""
    by_factor = record.factor_nm_per_v is not None
    by_sensitivity = record.sensitivity_mv_per_v is not None
    if by_factor and by_sensitivity:
        return "gives both factor_nm_per_v and sensitivity_mv_per_v; keep the one on the certificate"
    if not by_factor and not by_sensitivity:
        return "gives neither factor_nm_per_v nor sensitivity_mv_per_v; add the one on the certificate"
    if by_sensitivity and record.rated_torque_nm is None:
        return "gives sensitivity_mv_per_v without rated_torque_nm; add the torque at which it is valid"
    if record.zero_v and record.zero_mv_per_v:
        return "gives zero_v and zero_mv_per_v; keep the one in the unit of measure of the device's sheet"
    numbers = (
        record.factor_nm_per_v,
        record.sensitivity_mv_per_v,
        record.rated_torque_nm,
        record.excitation_v,
        record.zero_v,
        record.zero_mv_per_v,
    )
    if any(number is not None and not abs(number) < float("inf") for number in numbers):
        return "contains a number that is not finite; write it as a plain decimal"
    if not isinstance(record.valid_until, UnsetType) and record.valid_until <= record.valid_from:
        return "is valid until a time before it begins; give valid_until behind valid_from"
    return _uncertainty_problem(record)


def _uncertainty_problem(record: CalibrationRecord) -> str | None:
    if isinstance(record.uncertainty, UnsetType):
        return None
    if record.u_factor_rel is not None and record.uncertainty.factor_rel is not None:
        return f"gives both u_factor_rel and {KEY}.factor_rel; keep one of them"
    return certificate_problem(record.uncertainty, record.rated_torque_nm)


def certificate_of(record: CalibrationRecord) -> Certificate | None:
    """All that a record says of its uncertainty, in one struct; None where it says nothing."""
    given = None if isinstance(record.uncertainty, UnsetType) else record.uncertainty
    if given is None and record.u_factor_rel is None:
        return None
    given = given or Certificate()
    return msgspec.structs.replace(
        given,
        factor_rel=record.u_factor_rel if given.factor_rel is None else given.factor_rel,
        full_scale_nm=record.rated_torque_nm if given.full_scale_nm is None else given.full_scale_nm,
    )


def source_of(record: CalibrationRecord) -> str:
    """By what a person finds where the numbers come from."""
    return f"certificate {record.certificate}" if record.certificate else f"calibration record {record.id}"


def parse(text: str, *, where: str) -> tuple[CalibrationRecord, ...]:
    """The records of one file, in order, with the append rules checked.

    Args:
        text: JSON, one record a line; blank lines are skipped.
        where: the file, for messages.

    Raises:
        CalibrationError: names file, line, what is wrong and how to mend it.
    """
    return read_records(
        text, CalibrationRecord, lambda records, new, place: appended(records, new, where=place), where=where
    )


def appended(
    records: Sequence[CalibrationRecord], new: CalibrationRecord, *, where: str
) -> tuple[CalibrationRecord, ...]:
    """The records with one more, or the rule that it breaks.

    Raises:
        CalibrationError: contradictory, of another transducer, id taken, `supersedes` unknown, or `valid_from`
            before that of the last record.
    """
    return one_more(
        tuple(records), new, "transducer", named=f"{where}: record", contradiction=contradiction(new)
    )


def in_force(records: Sequence[CalibrationRecord], at_utc: datetime) -> CalibrationRecord:
    """The record that holds at a time: the last with `valid_from` at or before it.

    A correction carries the `valid_from` of the record it supersedes, stands after it and so wins.

    Raises:
        CalibrationError: none holds yet, or the time has no zone.
    """
    if at_utc.tzinfo is None:
        raise CalibrationError(f"time {at_utc.isoformat()} has no time zone; give it in UTC")
    for record in reversed(records):
        if record.valid_from <= at_utc:
            return record
    if not records:
        raise CalibrationError(
            "no calibration record; add a line to calibrations/<serial>.jsonl, or give factor_nm_per_v in the rig file"
        )
    first = records[0]
    raise CalibrationError(
        f"no calibration of transducer {first.transducer!r} is valid at {at_utc.isoformat()}: the first, {first.id!r}, "
        f"is valid from {first.valid_from.isoformat()}; append an earlier certificate to a new file or correct the date"
    )


def encode_line(record: CalibrationRecord) -> str:
    """The record as its line in the file, with the checksum of its text, newline included."""
    return with_checksum(msgspec.json.encode(record)).decode() + "\n"


def from_settings(transducer: Transducer) -> CalibrationRecord:
    """The record that an inline factor or sensitivity in the rig amounts to; its id is a digest of these settings.

    Raises:
        CalibrationError: the rig gives neither, or contradicts itself.
    """
    where = f"[fixture.transducer] {transducer.serial}"
    if transducer.factor_nm_per_v is None and transducer.sensitivity_mv_per_v is None:
        raise CalibrationError(
            f"{where}: no inline factor; give factor_nm_per_v, or sensitivity_mv_per_v with rated_torque_nm, "
            f"or a record in calibrations/{transducer.serial}.jsonl"
        )
    # Settings have no certificate to be named by: the digest makes one number of them change the id, which every cycle
    # keeps, and the same settings give the same id on every machine.
    digest = hashlib.sha256(msgspec.json.encode(transducer, order="sorted")).hexdigest()[:12]
    record = CalibrationRecord(
        id=INLINE + digest,
        transducer=transducer.serial,
        certificate="",
        factor_nm_per_v=transducer.factor_nm_per_v,
        sensitivity_mv_per_v=transducer.sensitivity_mv_per_v,
        rated_torque_nm=transducer.rated_torque_nm,
        excitation_v=transducer.excitation_v,
        zero_v=transducer.zero_v,
        polarity=transducer.polarity,
        valid_from=ALWAYS,
    )
    problem = contradiction(record)
    if problem:
        raise CalibrationError(f"{where}: {problem}")
    return record
