"""Until when a calibration holds: said in good time, so that nobody meets it on the evening of a release."""

from datetime import datetime, timedelta

from msgspec import UnsetType

from nightturn.calibration.records import CalibrationRecord

DUE_DAYS = 30
"""So long before its end a calibration is due."""


def validity_text(record: CalibrationRecord, at_utc: datetime) -> str:
    """`valid until 2027-01-12, due in 12 days: calibrate it again`; empty where the record has no end."""
    if isinstance(record.valid_until, UnsetType):
        return ""
    until = f"{record.valid_until.date().isoformat()}"
    left = record.valid_until - at_utc
    if left < timedelta(0):
        return f"expired on {until}, {-left.days} days ago: calibrate {record.transducer} again"
    if left <= timedelta(days=DUE_DAYS):
        return f"valid until {until}, due in {left.days} days: calibrate {record.transducer} again"
    return f"valid until {until}"
