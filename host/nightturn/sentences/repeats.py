"""Many signs of one cause as one sentence."""

from collections.abc import Mapping
from datetime import UTC, datetime

NS_PER_S = 1_000_000_000


def repeated(times: Mapping[str, int], first_ts: int, last_ts: int) -> str:
    """`torque signal at the end of its range: 361 times from 2026-11-25 23:41:07 to 2026-11-26 03:12:44 UTC`.

    Args:
        times: how often each sign of the cause came, by its words.
        first_ts: when the first came, ns since 1970 UTC.
        last_ts: when the last came.
    """
    counted = ", ".join(
        f"{words}: {count} {'time' if count == 1 else 'times'}" for words, count in times.items()
    )
    first, last = _utc(first_ts), _utc(last_ts)
    same_day = first[:10] == last[:10]
    return f"{counted}, from {first} to {last[11:] if same_day else last} UTC"


def _utc(ts: int) -> str:
    return datetime.fromtimestamp(ts // NS_PER_S, UTC).strftime("%Y-%m-%d %H:%M:%S")
