"""Moments as payloads carry them: UTC, ISO 8601 with microseconds and Z."""

from datetime import UTC, datetime

from nightturn.model.clocks import NS_PER_S

LAST_YEAR = 2262
"""Before it the nanoseconds since 1970 fit in 64 bits."""
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def utc_text(ns: int) -> str:
    """Nanoseconds since 1970 as `2026-01-31T23:59:59.000001Z`; digits below the microsecond are cut."""
    whole = datetime.fromtimestamp(ns // NS_PER_S, UTC)
    return f"{whole:%Y-%m-%dT%H:%M:%S}.{ns % NS_PER_S // 1000:06d}Z"


def ts_or_none(ns: int | None) -> str | None:
    """As `utc_text`, of a time that may not be known."""
    return utc_text(ns) if ns is not None else None


def ns_or_none(text: object) -> int | None:
    """The moment of a text as `utc_text` makes it; None where there is none.

    Raises:
        ValueError, TypeError: it is no such text.
    """
    if text is None:
        return None
    moment = datetime.fromisoformat(str(text))
    if moment.tzinfo is None:
        raise ValueError(f"{text!r} has no offset")
    if not EPOCH.year <= moment.year < LAST_YEAR:
        raise ValueError(f"{text!r} is no moment that 64 bits of nanoseconds hold")
    whole = moment - EPOCH
    return (whole.days * 86_400 + whole.seconds) * NS_PER_S + whole.microseconds * 1000
