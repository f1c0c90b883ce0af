"""The payload of an alarm, as the other payloads are made."""

from collections.abc import Mapping

import msgspec

from nightturn.model.alarms import AlarmRow, Put
from nightturn.telemetry.moments import ns_or_none, ts_or_none, utc_text
from nightturn.telemetry.payloads import Stamp, common

OF_ALARMS = frozenset({"id", "fixture", "state", "severity", "said", "since_ts", "run"})
"""What of an alarm has another name in its payload, or is in its topic."""


def alarm(row: AlarmRow, stamp: Stamp) -> bytes:
    """An alarm that is open: its cause is there since `ts`, or it waits for somebody who says that he knows."""
    said = {name: value for name, value in msgspec.structs.asdict(row).items() if name not in OF_ALARMS}
    times = {name: ts_or_none(getattr(row, name)) for name in ("newest_ts", "acknowledged_ts", "returned_ts")}
    return msgspec.json.encode(
        {
            **common("alarm", stamp, row.since_ts),
            "run": row.run,
            "kind": row.id,
            "state": row.state.value,
            "severity": row.severity,
            "detail": row.said,
            "calls": row.calls,
            **said,
            **times,
            "set_aside": _put(row.set_aside),
            "out_of_service": _put(row.out_of_service),
        }
    )


def read(payload: bytes, fixture: str) -> AlarmRow | None:
    """The alarm of such a payload, whose topic names the fixture; None where it is none of this version."""
    try:
        said = msgspec.json.decode(payload)
        known = {name: said[name] for name in AlarmRow.__struct_fields__ if name in said}
        times = {name: ns_or_none(said.get(name)) for name in ("newest_ts", "acknowledged_ts", "returned_ts")}
        puts = {name: _put_read(said.get(name)) for name in ("set_aside", "out_of_service")}
        own = {
            "id": said["kind"],
            "fixture": fixture,
            "said": said["detail"],
            "since_ts": ns_or_none(said["ts"]),
        }
        return msgspec.convert({**known, **times, **puts, **own}, AlarmRow)
    except (msgspec.MsgspecError, KeyError, TypeError, ValueError, AttributeError, RecursionError):
        return None


def _put_read(put: Mapping[str, object] | None) -> dict[str, object] | None:
    if put is None:
        return None
    return {**put, "since_ts": ns_or_none(put["since_ts"]), "until_ts": ns_or_none(put.get("until_ts"))}


def _put(put: Put | None) -> dict[str, object] | None:
    if put is None:
        return None
    return {
        "by": put.by,
        "reason": put.reason,
        "since_ts": utc_text(put.since_ts),
        "until_ts": ts_or_none(put.until_ts),
    }
