"""Rows become JSON: pure functions, one per kind of message.

Every payload carries `v`, `ts` (UTC, ISO 8601 with microseconds and Z), `seq`, `daemon_boot` and `run`. A
physical value has its unit as the end of its key; a figure `x_nm` brings `x_nm_u` (standard uncertainty, same
unit), `x_nm_nu` (degrees of freedom), `x_nm_n_rev` and `x_nm_status`. A value that does not exist, or is not
finite, is null.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

import msgspec

from nightturn.model.device import DeviceCounters
from nightturn.model.figures import INCOMPLETE, OK, REFUSED, CycleRecord
from nightturn.model.rows import EventRow, GapRow, RunEnded, StateRow
from nightturn.model.verdicts import NOT_JUDGED

VERSION = 1
MAX_ORDERS = 32
NS_PER_S = 1_000_000_000

Quality = Literal["good", "uncertain", "bad"]


@dataclass(frozen=True, slots=True)
class Stamp:
    """What lets a reader find gaps and repeats.

    Attributes:
        seq: number of the fixture's last queued message (`m/cycle`, `ev/...`); those count up by one, all
            others repeat the last, so that a late joiner learns how many went before.
        daemon_boot: a new word at each start of the daemon; `seq` starts again with it.
        run: the run in progress, empty between runs.
    """

    seq: int
    daemon_boot: str
    run: str = ""


class HostState(msgspec.Struct, frozen=True):
    """Payload of `host/<host>/state`."""

    v: int
    ts: str
    daemon_boot: str
    state: Literal["online", "offline"]
    reason: str
    version: str


class Health(msgspec.Struct, frozen=True):
    """Payload of `m/health`: how the telemetry itself is doing, and what the device counts.

    Numbers without a prefix count messages or connections. Those with `device_` are lifetime totals of the device's
    boot, as the newest STATUS says; null: not reported, by the board or because no device streams.
    """

    v: int
    ts: str
    seq: int
    daemon_boot: str
    run: str
    queued_messages: int
    published_messages: int
    dropped_messages: int
    refused_messages: int
    unpublishable_rows: int
    reconnects: int
    expiry: bool
    device_refused_leases: int | None = None
    device_overrange_samples: int | None = None
    device_encoder_errors: int | None = None
    device_line_stalls: int | None = None
    device_cpu_pct: int | None = None


def utc_text(ns: int) -> str:
    """Nanoseconds since 1970 as `2026-01-31T23:59:59.000001Z`; digits below the microsecond are cut."""
    whole = datetime.fromtimestamp(ns // NS_PER_S, UTC)
    return f"{whole:%Y-%m-%dT%H:%M:%S}.{ns % NS_PER_S // 1000:06d}Z"


def info(facts: Mapping[str, object], stamp: Stamp, ts_ns: int) -> bytes:
    """What stands on the fixture; `facts` may not replace the common keys."""
    return _encode({**facts, **_common(stamp, ts_ns)})


def state(row: StateRow, stamp: Stamp) -> bytes:
    """What the fixture is doing; state, reason and name are bookkeeping, and no state means that anybody may reach in."""
    return _encode(
        {
            **_common(stamp, row.ts),
            "state": row.state,
            "reason": row.reason,
            "waits_for": row.waits_for,
            "permitted_by": row.permitted_by,
            "unit": row.unit,
            "variant": row.variant,
            "cycle_no": row.cycle_no,
            "cycles_planned": row.cycles_planned,
            "phase": row.phase,
            "link": row.link,
            "epoch": row.epoch,
            "samples": row.samples,
            "gaps": row.gaps,
            "missing_samples": row.missing,
        }
    )


def live(row: StateRow, stamp: Stamp) -> bytes:
    """What the sensors show now; never a figure and never judged."""
    return _encode(
        {
            **_common(stamp, row.ts),
            "phase": row.phase,
            "cycle_no": row.cycle_no,
            "position_deg": row.position_deg,
            "torque_nm": row.torque_nm,
            "rtt_us": row.rtt_us,
            "u_time_us": row.u_time_us,
            **_temperatures(row.temperatures_degc),
        }
    )


def cycle(record: CycleRecord, stamp: Stamp) -> bytes:
    """One cycle with its figures."""
    return _encode(
        {
            **_common(stamp, record.ts_end),
            "ts_start": utc_text(record.ts_start),
            "ts_end": utc_text(record.ts_end),
            "epoch": record.epoch,
            "cycle_no": record.cycle_no,
            "status": record.status,
            "quality": quality(record),
            "reasons": record.reasons,
            "direction": record.direction,
            "speed_rpm": record.speed_rpm,
            "setpoint_nm": record.setpoint_nm,
            "coverage": record.coverage,
            "verdict": record.verdict,
            "verdict_reasons": record.verdict_reasons,
            "record_first": record.record_first,
            "record_last": record.record_last,
            "calibration_id": record.calibration_id,
            "config_digest": record.config_digest,
            **_figures(record),
            **_orders("order", record.orders),
            **_orders("cogging_order", record.cogging_orders),
            **_temperatures(record.temperatures_degc),
        }
    )


def quality(record: CycleRecord) -> Quality:
    """`good`: whole cycle, every figure ok; `bad`: refused, or no figure ok; `uncertain`: between.

    Figures that were not judged count neither way.
    """
    states = [figure.status for figure in record.figures if figure.status != NOT_JUDGED]
    if record.status == REFUSED or OK not in states:
        return "bad"
    if record.status == INCOMPLETE or any(status != OK for status in states):
        return "uncertain"
    return "good"


def event(row: EventRow, stamp: Stamp) -> bytes:
    """Something that happened; the sentence names its values with their units."""
    return _encode({**_common(stamp, row.ts), "epoch": row.epoch, **_told(row)})


def alarm(row: EventRow, stamp: Stamp) -> bytes:
    """An alarm that is active since `ts`."""
    return _encode({**_common(stamp, row.ts), "state": "active", "epoch": row.epoch, **_told(row)})


def gap(row: GapRow, stamp: Stamp) -> bytes:
    """Samples that are missing."""
    return _encode(
        {
            **_common(stamp, row.ts_to),
            "kind": "gap",
            "cause": row.cause,
            "epoch": row.epoch,
            "index_from": row.index_from,
            "index_to": row.index_to,
            "ts_from": utc_text(row.ts_from),
            "ts_to": utc_text(row.ts_to),
            "missing_samples": row.n_missing,
            "exact": row.exact,
        }
    )


def run_ended(row: RunEnded, stamp: Stamp) -> bytes:
    """The run is over."""
    return _encode(
        {**_common(stamp, row.ts), "run": row.run, "kind": "run_ended", "reason": row.reason, "by": row.by}
    )


def host_state(
    state_word: Literal["online", "offline"], *, reason: str, version: str, daemon_boot: str, ts_ns: int
) -> bytes:
    """The daemon itself; as a last will `ts` is when it was lodged with the broker."""
    return msgspec.json.encode(HostState(VERSION, utc_text(ts_ns), daemon_boot, state_word, reason, version))


def health(values: Health, device: DeviceCounters | None = None) -> bytes:
    """The telemetry's own counters, with those of the device if they are known."""
    if device is not None:
        values = msgspec.structs.replace(
            values,
            device_refused_leases=device.leases_refused,
            device_overrange_samples=device.adc_overrange,
            device_encoder_errors=device.encoder_errors,
            device_line_stalls=device.tx_stalls,
            device_cpu_pct=device.cpu_pct,
        )
    return msgspec.json.encode(values)


def _common(stamp: Stamp, ts_ns: int) -> dict[str, object]:
    return {
        "v": VERSION,
        "ts": utc_text(ts_ns),
        "seq": stamp.seq,
        "daemon_boot": stamp.daemon_boot,
        "run": stamp.run,
    }


def _told(row: EventRow) -> dict[str, object]:
    return {"kind": row.kind, "severity": row.severity, "detail": row.detail}


def _figures(record: CycleRecord) -> dict[str, object]:
    values: dict[str, object] = {}
    for figure in record.figures:
        values[figure.name] = figure.value
        values[f"{figure.name}_u"] = figure.u
        values[f"{figure.name}_nu"] = figure.nu
        values[f"{figure.name}_n_rev"] = figure.n
        values[f"{figure.name}_status"] = figure.status
        if figure.reasons:
            values[f"{figure.name}_reasons"] = figure.reasons
    return values


def _orders(prefix: str, table: tuple[tuple[int, float, float, float], ...]) -> dict[str, object]:
    largest = sorted(table, key=lambda line: -line[1])[:MAX_ORDERS]
    values: dict[str, object] = {}
    for order, amplitude_nm, _phase_rad, u_nm in sorted(largest):
        values[f"{prefix}_{order}_nm"] = amplitude_nm
        values[f"{prefix}_{order}_nm_u"] = u_nm
    return values


def _temperatures(by_role: Mapping[str, float]) -> dict[str, object]:
    return {f"temp_{role}_degc": value for role, value in sorted(by_role.items())}


def _encode(values: dict[str, object]) -> bytes:
    return msgspec.json.encode(values)  # writes null for what is not finite
