"""The clocks of a bench as the tape carries them, and the one form in which people read a moment.

A core must not ask this machine which time zone rules it knows: a replay elsewhere would say another time.
"""

from collections.abc import Sequence
from datetime import datetime, timedelta, timezone

import msgspec

NS_PER_S = 1_000_000_000


class ClockOffset(msgspec.Struct, frozen=True, array_like=True):
    """From this moment on, UTC ns, the bench's clocks are so many seconds ahead of UTC."""

    from_ts: int
    ahead_s: int


def clock_text(ts: int, ahead_s: int) -> str:
    """A moment by clocks that are so far ahead of UTC, to the second: `2026-11-25 22:30:00 +01:00`."""
    where = timezone(timedelta(seconds=ahead_s))
    text = datetime.fromtimestamp(ts // NS_PER_S, where).isoformat(" ", "seconds")
    return f"{text[:19]} {text[19:]}"


def bench_text(ts: int, offsets: Sequence[ClockOffset]) -> str:
    """A moment by the bench's clocks, with their offset; in UTC, which the offset says, when nobody knows them."""
    ahead_s = offsets[0].ahead_s if offsets else 0
    for offset in offsets:
        if offset.from_ts <= ts:
            ahead_s = offset.ahead_s
    return clock_text(ts, ahead_s)
