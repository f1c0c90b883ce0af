"""What the clocks of a time zone show: files hold UTC. Without pandas, which the daemon has no other use for."""

from datetime import UTC, datetime, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from nightturn.model.clocks import NS_PER_S, ClockOffset, clock_text

DAYS = 400
NS_PER_DAY = 86_400 * NS_PER_S


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
