"""The payload of an alarm, as the other payloads are made."""

import msgspec

from nightturn.model.alarms import AlarmRow, Put
from nightturn.telemetry.payloads import Stamp, common, ts_or_none, utc_text

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


def _put(put: Put | None) -> dict[str, object] | None:
    if put is None:
        return None
    return {
        "by": put.by,
        "reason": put.reason,
        "since_ts": utc_text(put.since_ts),
        "until_ts": ts_or_none(put.until_ts),
    }
