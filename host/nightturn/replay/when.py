"""Which moment of a run a person means by a time of day, a date with a time, or an event."""

import re
from datetime import datetime, time, timedelta, tzinfo

from nightturn.errors import ConfigError
from nightturn.model.clocks import NS_PER_S
from nightturn.storage.zones import local_text, zone_of

TIME_OF_DAY = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}))?")
ALLOWED = "a time of day by the clocks of the bench, 03:12, or a date with it, 2026-11-26T03:12"


def moment_of(text: str, span: tuple[int, int], zone: str, where: str) -> int:
    """A moment within a run, ns since 1970 UTC.

    Args:
        text: what a person typed.
        span: first and last moment of the run.
        zone: IANA name, whose clocks the person reads.
        where: the option, for the error.

    Raises:
        ConfigError: no time, outside the run, or a time of day that the run saw more than once.
        StorageError: a date and time that the clocks showed twice or never.
    """
    found = TIME_OF_DAY.fullmatch(text.strip())
    if found is None:
        at = _dated(text, zone, where)
        if not span[0] <= at <= span[1]:
            raise ConfigError(
                f"{text} lies outside the run, {_span(span, zone)}", where=where, allowed=ALLOWED
            )
        return at
    hour, minute, second = (int(part or 0) for part in found.groups())
    if hour > 23 or minute > 59 or second > 59:
        raise ConfigError(f"{text!r} is no time of day", where=where, allowed=ALLOWED)
    moments = _of_days(time(hour, minute, second), span, zone_of(zone))
    if not moments:
        raise ConfigError(f"{text} lies outside the run, {_span(span, zone)}", where=where, allowed=ALLOWED)
    if len(moments) > 1:
        which = ", ".join(local_text(each, zone) for each in moments)
        raise ConfigError(f"the run saw {text} {len(moments)} times", where=where, allowed=f"one of {which}")
    return moments[0]


def _dated(text: str, zone: str, where: str) -> int:
    # A time of day, which is the usual question, must not wait for these.
    import pandas as pd

    from nightturn.storage.moments import moment_ns

    try:
        known = not pd.isna(pd.Timestamp(text))
    except ValueError:
        known = False
    if not known:
        raise ConfigError(f"{text!r} is no time", where=where, allowed=ALLOWED)
    return moment_ns(text, 0, zone)


def _of_days(of_day: time, span: tuple[int, int], zone: tzinfo | None) -> list[int]:
    """Every moment of the span at which the clocks showed that time; both where an hour came twice."""
    first, last = (datetime.fromtimestamp(each // NS_PER_S, zone).date() for each in span)
    found = []
    day = first
    while day <= last:
        for fold in (0, 1):
            shown = datetime.combine(day, of_day, zone).replace(fold=fold)
            ns = round(shown.timestamp()) * NS_PER_S
            # an hour that the clocks leave out is shown by none
            there = datetime.fromtimestamp(ns // NS_PER_S, zone).replace(fold=0) == shown.replace(fold=0)
            if there and span[0] <= ns <= span[1] and ns not in found:
                found.append(ns)
        day += timedelta(days=1)
    return found


def _span(span: tuple[int, int], zone: str) -> str:
    return f"which lasted from {local_text(span[0], zone)} to {local_text(span[1], zone)}"
