"""Times as people give and read them: files hold UTC, a person's clock is that of the run's bench."""

from datetime import UTC, datetime, tzinfo
from typing import TypeAlias
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import pandas as pd

from nightturn.errors import StorageError
from nightturn.model.clocks import NS_PER_S, ClockOffset, clock_text

Moment: TypeAlias = str | int | np.integer | datetime | pd.Timestamp | None

DAYS = 400
NS_PER_DAY = 86_400 * NS_PER_S
_EXAMPLE = "2026-11-25T21:30:00Z"


def moment_ns(moment: Moment, default: int, zone: str = "UTC") -> int:
    """A moment as ns since 1970-01-01T00:00:00Z.

    Args:
        moment: text, datetime or Timestamp; or ns since 1970. One without an offset is by the clocks of `zone`.
        default: for None.
        zone: IANA name of a time zone.

    Raises:
        StorageError: it is no time; or has no offset where that leaves it open, because the clocks were changed.
    """
    if moment is None:
        return default
    if isinstance(moment, int | np.integer):
        return int(moment)
    try:
        stamp = pd.Timestamp(moment)
    except (ValueError, TypeError) as problem:
        raise StorageError(f"{moment!r} is not a time; give one like {_EXAMPLE}") from problem
    if pd.isna(stamp):
        raise StorageError(f"{moment!r} is not a time; give one like {_EXAMPLE}")
    aware = _by_the_clocks(stamp, zone) if stamp.tzinfo is None else stamp.tz_convert("UTC")
    return int(aware.as_unit("ns").value)


def local_text(ns: int, zone: str) -> str:
    """A moment by the clocks of a zone, to the second, with its offset: `2026-11-25 22:30:00 +01:00`.

    In UTC when this machine does not know the zone; the offset says so.
    """
    return clock_text(ns, _ahead_s(ns, zone_of(zone) or UTC))


def offsets_of(zone: str, ts: int) -> tuple[ClockOffset, ...]:
    """How far the clocks of a zone are ahead of UTC around a moment, from a year before to a year after, to the second."""
    where = zone_of(zone) or UTC
    at = ts - DAYS * NS_PER_DAY
    found = [ClockOffset(at, _ahead_s(at, where))]
    for _ in range(2 * DAYS):
        following = at + NS_PER_DAY
        if _ahead_s(following, where) != found[-1].ahead_s:
            before, after = at, following
            while after - before > NS_PER_S:
                middle = (before + after) // 2
                changed = _ahead_s(middle, where) != found[-1].ahead_s
                before, after = (before, middle) if changed else (middle, after)
            found.append(ClockOffset(after // NS_PER_S * NS_PER_S, _ahead_s(following, where)))
        at = following
    return tuple(found)


def _ahead_s(ts: int, where: tzinfo) -> int:
    offset = datetime.fromtimestamp(ts // NS_PER_S, where).utcoffset()
    return round(offset.total_seconds()) if offset is not None else 0


def zone_of(name: str) -> tzinfo | None:
    """The time zone of that IANA name; None when this machine knows none."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return None


def _by_the_clocks(stamp: pd.Timestamp, zone: str) -> pd.Timestamp:
    where = zone_of(zone)
    if where is None:
        raise StorageError(
            f"{stamp} has no offset, and this machine does not know the run's time zone {zone!r}; give the time like "
            f"{_EXAMPLE}"
        )
    clear = stamp.tz_localize(where, ambiguous="NaT", nonexistent="NaT")
    if isinstance(clear, pd.Timestamp):
        return clear
    if stamp.tz_localize(where, ambiguous=True, nonexistent="NaT") is pd.NaT:
        raise StorageError(
            f"{stamp} does not occur in {zone}: the clocks were put forward over it; give the time with Z"
        )
    first, second = (stamp.tz_localize(where, ambiguous=summer).isoformat() for summer in (True, False))
    raise StorageError(f"{stamp} occurs twice in {zone}: the clocks were put back; give {first} or {second}")
