"""What state an alarm is in, for terminal and page alike: since when, who knows of it, and why it calls nobody."""

from collections.abc import Callable, Iterator

from nightturn.model.alarms import AlarmRow, AlarmState

_SINCE = {
    AlarmState.ACTIVE: "active since {at}",
    AlarmState.ACKNOWLEDGED: "acknowledged, active since {at}",
    AlarmState.RETURNED: "returned, active from {at} on",
    AlarmState.LATCHED: "latched, active from {at} on",
}
_WAITS = {
    AlarmState.ACTIVE: "nobody has acknowledged it",
    AlarmState.RETURNED: "nobody has acknowledged it",
    AlarmState.LATCHED: "a person has to confirm that its cause is gone",
}


def since_text(row: AlarmRow, moment: Callable[[int], str]) -> str:
    """`active since 21 Sep 14:13 +00:00`; of a moment of which nobody reports an end, when it was; `moment` writes a time, UTC ns."""
    if row.passing and not row.known:
        return f"at {moment(row.newest_ts)}"
    return _SINCE[row.state].format(at=moment(row.since_ts)) if row.state in _SINCE else "over"


def standing_lines(row: AlarmRow, moment: Callable[[int], str]) -> Iterator[str]:
    """Who knows of it, whether its cause went, and why it calls nobody or whom it waits for."""
    if row.acknowledged_ts is not None:
        yield f"acknowledged by {row.acknowledged_by}, {moment(row.acknowledged_ts)}"
    if row.returned_ts is not None and not row.passing:
        yield f"its cause went at {moment(row.returned_ts)}"
    if row.explained_by:
        yield f"explained by {row.explained_by}"
    if row.set_aside is not None:
        until = moment(row.set_aside.until_ts or 0)
        yield f"set aside by {row.set_aside.by} until {until}: {row.set_aside.reason}"
    if row.out_of_service is not None:
        out = row.out_of_service
        yield f"out of service by {out.by} since {moment(out.since_ts)}: {out.reason}"
    if row.calls and row.state in _WAITS:
        yield _WAITS[row.state]
