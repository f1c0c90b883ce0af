"""The state of a host as OpenMetrics text: gauges and counters of now, for a time-series store. Pure; never the record.

OpenMetrics 1.0.0 (prometheus/OpenMetrics, specification/OpenMetrics.md): units end the names, counters end with `_total`, states are
StateSets, and the text ends with `# EOF`. A value that is not known has no sample; it is not 0.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from nightturn.model.alarms import AlarmRow
from nightturn.model.rows import LiveRow, StandingRow, StateRow
from nightturn.model.trends import URGENCIES
from nightturn.motion.permission import MotionState
from nightturn.telemetry.publisher import Counters

CONTENT_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"
STATES = (*(state.value for state in MotionState), "starting", "no_run", "unrecorded", "failed")

Labels = Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Seen:
    """What is known of a fixture now; None where nothing is."""

    state: StateRow | StandingRow | None = None
    live: LiveRow | None = None


def exposition(
    lab: str,
    version: str,
    fixtures: Mapping[str, Seen],
    alarms: Sequence[AlarmRow],
    broker: Counters | None = None,
    connected: bool | None = None,  # noqa: FBT001 - None is a third answer
) -> bytes:
    """The whole text of one scrape.

    Args:
        lab: of the daemon.
        version: of this program.
        fixtures: by id.
        alarms: the open ones.
        broker: of the publisher; None where the rig file names no broker.
        connected: whether a broker is there.
    """
    families = [
        _info("nightturn_build", "The program that answers", {"version": version, "lab": lab}),
        _family(
            "nightturn_fixture_state",
            "stateset",
            "What the shaft of a fixture may do",
            _states(lab, fixtures),
        ),
        *_of_states(lab, fixtures),
        *_of_live(lab, fixtures),
        _family(
            "nightturn_alarms_open",
            "gauge",
            "Open alarms by urgency and whether they call",
            _alarms(lab, alarms),
        ),
        *_of_broker(lab, broker, connected),
    ]
    return ("\n".join(line for family in families for line in family) + "\n# EOF\n").encode()


def _of_states(lab: str, fixtures: Mapping[str, Seen]) -> Iterable[list[str]]:
    rows = {name: seen.state for name, seen in fixtures.items() if isinstance(seen.state, StateRow)}
    yield _family(
        "nightturn_cycles_done",
        "gauge",
        "Cycles of the open run",
        _of(lab, {n: r.cycles_done for n, r in rows.items()}),
    )
    yield _family(
        "nightturn_cycles_planned",
        "gauge",
        "Cycles of its plan",
        _of(lab, {n: r.cycles_planned for n, r in rows.items()}),
    )
    yield _counter(
        "nightturn_samples",
        "Samples of the open run",
        _of(lab, {n: r.samples for n, r in rows.items()}, "_total"),
    )
    yield _counter(
        "nightturn_missing_samples",
        "Samples that are missing of it",
        _of(lab, {n: r.missing for n, r in rows.items()}, "_total"),
    )
    durable = {n: r.durable_utc_ns / 1e9 for n, r in rows.items() if r.durable_utc_ns is not None}
    yield _family(
        "nightturn_durable_timestamp_seconds",
        "gauge",
        "When the newest record on the disk was written",
        _of(lab, durable),
        "seconds",
    )


def _of_live(lab: str, fixtures: Mapping[str, Seen]) -> Iterable[list[str]]:
    live = {name: seen.live for name, seen in fixtures.items() if seen.live is not None}
    torque = {name: row.torque_nm for name, row in live.items() if row.torque_nm is not None}
    yield _family(
        "nightturn_torque_newton_meters",
        "gauge",
        "The newest sample; never a figure",
        _of(lab, torque),
        "newton_meters",
    )
    warm = [
        _sample("", {"lab": lab, "fixture": name, "role": role}, degc)
        for name, row in live.items()
        for role, degc in sorted(row.temperatures_degc.items())
    ]
    yield _family("nightturn_temperature_celsius", "gauge", "Temperatures by role", warm, "celsius")


def _of_broker(lab: str, broker: Counters | None, connected: bool | None) -> Iterable[list[str]]:  # noqa: FBT001 - None is a third answer
    if broker is None:
        return
    own = {"lab": lab}
    if connected is not None:
        yield _family(
            "nightturn_mqtt_connected",
            "gauge",
            "1 while a broker has accepted us",
            [_sample("", own, int(connected))],
        )
    yield _family(
        "nightturn_mqtt_queued_messages",
        "gauge",
        "Messages that wait",
        [_sample("", own, broker.queued)],
        "messages",
    )
    for word, count, said in (
        ("published", broker.published, "Messages that the broker has taken"),
        ("dropped", broker.dropped, "Messages that were given up"),
        ("refused", broker.refused, "Messages that the broker did not take"),
    ):
        yield _counter(f"nightturn_mqtt_{word}_messages", said, [_sample("_total", own, count)])


def _states(lab: str, fixtures: Mapping[str, Seen]) -> list[str]:
    """Every state of each fixture, one of them 1; none of a fixture of which nothing is known."""
    name = "nightturn_fixture_state"
    return [
        _sample("", {"lab": lab, "fixture": fixture, name: state}, int(seen.state.state == state))
        for fixture, seen in fixtures.items()
        if seen.state is not None
        for state in STATES
    ]


def _alarms(lab: str, alarms: Sequence[AlarmRow]) -> list[str]:
    counted = {(urgency, calls): 0 for urgency in URGENCIES for calls in (True, False)}
    for row in alarms:
        counted[row.severity, row.calls] += 1
    return [
        _sample("", {"lab": lab, "severity": urgency, "calls": "yes" if calls else "no"}, count)
        for (urgency, calls), count in counted.items()
    ]


def _of(lab: str, values: Mapping[str, float], ending: str = "") -> list[str]:
    return [_sample(ending, {"lab": lab, "fixture": name}, value) for name, value in values.items()]


def _sample(ending: str, labels: Labels, value: float) -> str:
    """Without the family's name, which `_family` puts in front."""
    inside = ",".join(f'{name}="{_escaped(text)}"' for name, text in labels.items())
    return f"{ending}{{{inside}}} {value}"


def _family(name: str, kind: str, said: str, samples: Sequence[str], unit: str = "") -> list[str]:
    if not samples:
        return []
    head = [
        f"# TYPE {name} {kind}",
        *([f"# UNIT {name} {unit}"] if unit else []),
        f"# HELP {name} {_escaped(said)}",
    ]
    return [*head, *(f"{name}{sample}" for sample in samples)]


def _counter(name: str, said: str, samples: Sequence[str]) -> list[str]:
    return _family(name, "counter", said, samples)


def _info(name: str, said: str, labels: Labels) -> list[str]:
    return _family(name, "info", said, [_sample("_info", labels, 1)])


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
