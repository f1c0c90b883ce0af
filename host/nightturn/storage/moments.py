"""Times as people give and read them: files hold UTC, a person's clock is that of the run's bench."""

from datetime import datetime
from typing import TypeAlias

import numpy as np
import pandas as pd

from nightturn.errors import StorageError
from nightturn.storage.zones import zone_of

Moment: TypeAlias = str | int | np.integer | datetime | pd.Timestamp | None

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
