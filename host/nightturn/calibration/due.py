"""Until when a calibration holds: said in good time, so that nobody meets it on the evening of a release."""

from datetime import datetime, timedelta

from msgspec import UnsetType

from nightturn.calibration.records import CalibrationRecord

DUE_DAYS = 30
"""So long before its end a calibration is due."""


def has_end(record: CalibrationRecord) -> bool:
    """Whether whoever calibrated it said until when it holds."""
    return not isinstance(record.valid_until, UnsetType)


def is_due(record: CalibrationRecord, at_utc: datetime) -> bool:
    """Whether a record has expired, or will within `DUE_DAYS`; never where it has no end."""
    if isinstance(record.valid_until, UnsetType):
        return False
    return record.valid_until - at_utc <= timedelta(days=DUE_DAYS)


def until_text(record: CalibrationRecord, at_utc: datetime) -> str:
    """`valid until 2027-01-12`, and how many days are left where it is due; `expired on 2027-01-12, 3 days ago`; empty where the record has no end."""
    if isinstance(record.valid_until, UnsetType):
        return ""
    until, left = record.valid_until.date().isoformat(), record.valid_until - at_utc
    if left < timedelta(0):
        return f"expired on {until}, {-left.days} days ago"
    return (
        f"valid until {until}, due in {left.days} days" if is_due(record, at_utc) else f"valid until {until}"
    )


def validity_text(record: CalibrationRecord, at_utc: datetime) -> str:
    """The same, with what to do where it is due: `valid until 2027-01-12, due in 12 days: calibrate TR-204 again`."""
    due = f": calibrate {record.transducer} again" if is_due(record, at_utc) else ""
    return until_text(record, at_utc) + due
