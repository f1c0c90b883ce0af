"""Rows become JSON: pure functions, one per kind of message.

Every payload carries `schema` (which of these functions made it), `v` (the major version of its keys), `ts` (UTC, ISO
8601 with microseconds and Z), `seq`, `host`, `daemon_boot` and `run`. A physical value has its unit as the end of its
key; a figure `x_nm` brings `x_nm_u95` (± of its 95 % interval), `x_nm_u` (standard uncertainty), both in its unit,
`x_nm_nu` (degrees of freedom), `x_nm_n_rev`, `x_nm_status`, `x_nm_kind` (what the ± holds: `budget`, or `repeatability`)
and `x_nm_u_common` (the part of `x_nm_u` that all cycles of a run share); where they are known `x_nm_measurand`, `x_nm_band`
(lowest and highest order that it contains) and `x_nm_unseen` (declared orders that it could not see). `accept_max_x_nm`,
`accept_min_x_nm` and `protect_max_x_nm` are its limits.
A value that does not exist, or is not finite, is null.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import msgspec

from nightturn.estimation.figures import unit_of
from nightturn.model.figures import CycleRecord
from nightturn.model.rows import (
    CountersRow,
    EventRow,
    GapRow,
    LiveRow,
    RunEnded,
    StandingRow,
    StateRow,
    TrendRow,
)
from nightturn.model.trends import Notice
from nightturn.telemetry.cycle_values import measured, quality, temperatures
from nightturn.telemetry.moments import ts_or_none, utc_text
from nightturn.telemetry.numbers import rounded

VERSION = 1
NO_LIMITS: Mapping[str, object] = {}
NOTHING_SAID: Mapping[str, object] = dict.fromkeys(("need", "sentence", "more", "inside_limits", "strip"))


@dataclass(frozen=True, slots=True)
class Stamp:
    """What lets a reader find gaps and repeats.

    Attributes:
        seq: number of the fixture's last queued message (`m/cycle`, `ev/...`); those count up by one, all
            others repeat the last, so that a late joiner learns how many went before.
        daemon_boot: a new word at each start of the daemon; `seq` starts again with it.
        run: the run in progress, empty before the first.
        host: whose `host/<host>/state` says whether that daemon is there.
    """

    seq: int
    daemon_boot: str
    run: str = ""
    host: str = ""


@dataclass(frozen=True, slots=True)
class Host:
    """Who the daemon is: its segment of the topic, this start of it, its version, and how soon its silence is noticed."""

    name: str
    daemon_boot: str
    version: str
    keepalive_s: int


class HostState(msgspec.Struct, frozen=True, kw_only=True):
    """Payload of `host/<host>/state`.

    Attributes:
        ts: since when it holds. Null in a last will, because nobody can say beforehand when it will be published: then the
            broker's time of receipt is the nearest there is, up to 1.5 `keepalive_s` behind the loss.
        lodged_ts: of a last will only: when it was left with the broker, which is the begin of that connection.
    """

    schema: str = "host"
    v: int = VERSION
    ts: str | None
    lodged_ts: str | None = None
    host: str
    daemon_boot: str
    state: Literal["online", "offline"]
    reason: str
    version: str
    keepalive_s: int


class Health(msgspec.Struct, frozen=True):
    """Payload of `m/health`: how the telemetry itself is doing, what the device counts, and what is on the disk.

    Numbers without a prefix count messages or connections. Those with `device_` are lifetime totals of the device's
    boot, as the newest STATUS says; null: not reported, by the board or because no device streams.
    `durable_through` is the last record that is known to be on the disk, `durable_ts` when it was written; null: none is known to be.
    """

    v: int
    ts: str
    seq: int
    daemon_boot: str
    run: str
    host: str
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
    durable_through: int | None = None
    durable_ts: str | None = None
    schema: str = "health"


def info(facts: Mapping[str, object], stamp: Stamp, ts_ns: int) -> bytes:
    """What stands on the fixture; `facts` may not replace the common keys."""
    return _encode({**facts, **common("info", stamp, ts_ns)})


def state(
    row: StateRow,
    stamp: Stamp,
    limits: Mapping[str, object] = NO_LIMITS,
    expected_end_ns: int | None = None,
    *,
    said: Mapping[str, object] = NOTHING_SAID,
) -> bytes:
    """What the fixture is doing; state, reason and name are bookkeeping, and no state means that anybody may reach in.

    `said` is `night_so_far`'s: how soon a person has to act, the first sentence, what to say beside, and the night's strip.
    """
    return _encode(
        {
            **common("state", stamp, row.ts),
            "state": row.state,
            "reason": row.reason,
            "waits_for": row.waits_for,
            "permitted_by": row.permitted_by,
            "locks": [
                {"cause": lock.cause, "text": lock.text, "ts": utc_text(lock.ts)} for lock in row.locks
            ],
            **_mounted(row),
            "phase": row.phase,
            "link": row.link,
            "epoch": row.epoch,
            "samples": row.samples,
            "gaps": row.gaps,
            "missing_samples": row.missing,
            "night_verdict": row.night_verdict,
            "trends": [_notice(each) for each in row.trends],
            "durable_through": row.durable_through,
            "durable_ts": ts_or_none(row.durable_utc_ns),
            "expected_end_ts": ts_or_none(expected_end_ns),
            "inputs": row.inputs,
            **said,
            **limits,
        }
    )


def standing(
    row: StandingRow,
    stamp: Stamp,
    last: StateRow | None,
    limits: Mapping[str, object] = NO_LIMITS,
    *,
    said: Mapping[str, object] = NOTHING_SAID,
) -> bytes:
    """The same keys where no core says what the fixture does: what is not known any more is null.

    Args:
        row: what is said instead.
        stamp: as everywhere.
        last: what the core of this run said last; None without a run.
        limits: of that run.
        said: as in `state`.
    """
    of_a_core = ("permitted_by", "phase", "link", "epoch", "samples", "gaps", "missing_samples")
    nothing = dict.fromkeys((*of_a_core, "night_verdict", "trends", "durable_through", "durable_ts"))
    return _encode(
        {
            **common("state", stamp, row.ts),
            "state": row.state,
            "reason": row.reason,
            "waits_for": row.waits_for,
            "locks": None,
            **_mounted(last),
            **nothing,
            "expected_end_ts": None,
            "inputs": None,
            **said,
            **limits,
        }
    )


def live(row: LiveRow, stamp: Stamp, expected_end_ns: int | None = None) -> bytes:
    """What the sensors show now; never a figure and never judged. Extremes and mean are of all samples since the message before."""
    return _encode(
        {
            **common("live", stamp, row.ts),
            "phase": row.phase,
            "cycle_no": row.cycle_no,
            "position_from_travel_zero_deg": row.position_deg,
            "position_from_travel_zero_min_deg": row.position_min_deg,
            "position_from_travel_zero_max_deg": row.position_max_deg,
            "torque_nm": row.torque_nm,
            "torque_min_nm": row.torque_min_nm,
            "torque_max_nm": row.torque_max_nm,
            "torque_mean_nm": row.torque_mean_nm,
            "cycles_done": row.cycles_done,
            "cycles_planned": row.cycles_planned,
            "expected_end_ts": ts_or_none(expected_end_ns),
            "inputs": row.inputs,
            "rtt_us": rounded(row.rtt_us),
            "u_time_us": rounded(row.u_time_us),
            **temperatures(row.temperatures_degc),
        }
    )


def _notice(found: Notice) -> dict[str, object]:
    return {**msgspec.structs.asdict(found), "since_ts": utc_text(found.since_ts)}


def _mounted(row: StateRow | None) -> dict[str, object]:
    names = ("unit", "variant", "cycle_no", "cycles_done", "cycles_planned")
    return {name: getattr(row, name) if row is not None else None for name in names}


def cycle(record: CycleRecord, stamp: Stamp, limits: Mapping[str, object] = NO_LIMITS) -> bytes:
    """One cycle with its figures and the limits that they are held against."""
    return _encode(
        {
            **common("cycle", stamp, record.ts_end),
            "ts_start": utc_text(record.ts_start),
            "ts_end": utc_text(record.ts_end),
            "epoch": record.epoch,
            "cycle_no": record.cycle_no,
            "status": record.status,
            "quality": quality(record),
            "reasons": record.reasons,
            "direction": record.direction,
            "speed_rpm": rounded(record.speed_rpm),
            "setpoint_nm": rounded(record.setpoint_nm),
            "coverage": rounded(record.coverage),
            "verdict": record.verdict,
            "verdict_reasons": record.verdict_reasons,
            "purpose": record.purpose,
            "record_first": record.record_first,
            "record_last": record.record_last,
            "calibration_id": record.calibration_id,
            "config_digest": record.config_digest,
            **measured(record),
            **limits,
        }
    )


def trend(row: TrendRow, stamp: Stamp) -> bytes:
    """One figure of a cycle among those before it; numbers are in `unit`, slopes per stroke and per hour, what is left in both."""
    told = {
        name: rounded(value) if isinstance(value, float) else value
        for name, value in msgspec.structs.asdict(row).items()
        if name not in {"ts", "epoch"} and not name.startswith("ts_")
    }
    changed = {
        name: ts_or_none(getattr(row, name)) for name in ("ts_changed", "ts_changed_from", "ts_changed_to")
    }
    return _encode(
        {
            **common("trend", stamp, row.ts),
            "epoch": row.epoch,
            "unit": unit_of(row.figure),
            **told,
            **changed,
        }
    )


def event(row: EventRow, stamp: Stamp) -> bytes:
    """Something that happened, in a sentence with units; of many `signs` of one cause, from `ts_from` to `ts_to`."""
    spread = {"ts_from": ts_or_none(row.ts_from), "ts_to": ts_or_none(row.ts_to), "signs": row.signs}
    return _encode({**common("event", stamp, row.ts), "epoch": row.epoch, **_told(row), **spread})


def gap(row: GapRow, stamp: Stamp) -> bytes:
    """Samples that are missing."""
    return _encode(
        {
            **common("gap", stamp, row.ts_to),
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
    """The run is over, and what all its cycles say together."""
    return _encode(
        {
            **common("run_ended", stamp, row.ts),
            "run": row.run,
            "kind": "run_ended",
            "reason": row.reason,
            "by": row.by,
            "night_verdict": row.night_verdict,
        }
    )


def host_online(about: Host, ts_ns: int, reason: str) -> bytes:
    """The daemon is there."""
    return _host(about, "online", reason, ts=utc_text(ts_ns))


def host_left(about: Host, ts_ns: int, reason: str) -> bytes:
    """The daemon says goodbye."""
    return _host(about, "offline", reason, ts=utc_text(ts_ns))


def last_will(about: Host, lodged_ns: int, reason: str) -> bytes:
    """What the broker is to say of a daemon that has fallen silent; it does not know when that will be."""
    return _host(about, "offline", reason, lodged_ts=utc_text(lodged_ns))


def _host(
    about: Host,
    state_word: Literal["online", "offline"],
    reason: str,
    *,
    ts: str | None = None,
    lodged_ts: str | None = None,
) -> bytes:
    said = HostState(
        ts=ts,
        lodged_ts=lodged_ts,
        host=about.name,
        daemon_boot=about.daemon_boot,
        state=state_word,
        reason=reason,
        version=about.version,
        keepalive_s=about.keepalive_s,
    )
    return msgspec.json.encode(said)


def health(values: Health, counted: CountersRow | None = None) -> bytes:
    """The telemetry's own counters, with those of the device if they are known, and what is on the disk."""
    if counted is not None:
        values = msgspec.structs.replace(
            values, durable_through=counted.durable_through, durable_ts=ts_or_none(counted.durable_utc_ns)
        )
    device = counted.counters if counted is not None else None
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


def common(schema: str, stamp: Stamp, ts_ns: int) -> dict[str, object]:
    """What every payload carries."""
    return {
        "schema": schema,
        "v": VERSION,
        "ts": utc_text(ts_ns),
        "seq": stamp.seq,
        "host": stamp.host,
        "daemon_boot": stamp.daemon_boot,
        "run": stamp.run,
    }


def _told(row: EventRow) -> dict[str, object]:
    return {"kind": row.kind, "severity": row.severity, "detail": row.detail}


def _encode(values: dict[str, object]) -> bytes:
    return msgspec.json.encode(values)  # writes null for what is not finite
