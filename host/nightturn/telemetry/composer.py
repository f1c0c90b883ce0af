"""Rows of a fixture become messages: which topic, which number, which alarms are active."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import msgspec

from nightturn.fixture.repeats import REPEATED
from nightturn.model.figures import CycleRecord
from nightturn.model.rows import (
    STARTING,
    AlarmOver,
    CountersRow,
    EventRow,
    GapRow,
    LiveRow,
    RecoveredRow,
    RunEnded,
    StandingRow,
    StateRow,
    TrendRow,
)
from nightturn.motion.permission import MotionState
from nightturn.telemetry import older_alarms, payloads
from nightturn.telemetry.message import LIVE_EXPIRY_S, M_EXPIRY_S, Message, latest, retained, wanted
from nightturn.telemetry.payloads import Stamp
from nightturn.telemetry.progress import Progress
from nightturn.telemetry.reading import OFFLINE
from nightturn.telemetry.topics import Topics

ALARM = "alarm"
GAP_EVENT = "gap"
ENDED_EVENT = "run_ended"  # the row of the end says the same, once
LEFT = "the daemon was stopped; a run that was open goes on when it is started again"
LIMITS = ("accept_max_", "accept_min_", "protect_max_", "rated_torque_nm")
CYCLE_PLANNED = "cycle_planned_s"
MORE_THAN_CYCLES = "more_than_cycles"


@dataclass(slots=True)
class _Fixture:
    seq: int = 0
    run: str = ""
    alarms: dict[str, bytes] = field(default_factory=dict)
    found: dict[str, dict[str, Any]] = field(default_factory=dict)
    taken_over: dict[str, dict[str, Any]] = field(default_factory=dict)
    counters: CountersRow | None = None
    row: StateRow | StandingRow | None = None
    last: StateRow | None = None
    limits: dict[str, object] = field(default_factory=dict)
    progress: Progress = field(default_factory=Progress)


class Composer:
    """Keeps per fixture the sequence number, the run, what it does and its active alarms.

    An event of severity `alarm` raises the alarm of its kind; a row `AlarmOver` or the begin of another run ends it. All
    methods raise ConfigError for names that cannot stand in a topic.
    """

    def __init__(self, topics: Topics, daemon_boot: str) -> None:
        self._topics = topics
        self._daemon_boot = daemon_boot
        self._fixtures: dict[str, _Fixture] = {}

    def stamps(self) -> dict[str, Stamp]:
        """The present stamp of every fixture heard of."""
        return {fixture: self._stamp(known) for fixture, known in self._fixtures.items()}

    def counters(self, fixture: str) -> CountersRow | None:
        """What the fixture's device counted last; None when it is not known."""
        known = self._fixtures.get(fixture)
        return known.counters if known is not None else None

    def info(self, fixture: str, facts: Mapping[str, object], ts_ns: int) -> list[Message]:
        """What stands on the fixture; `run` in it is the run that the next messages belong to."""
        topic = self._topics.info(fixture)
        known = self._known(fixture)
        run = facts.get("run")
        lowered = self._enter(fixture, known, run) if isinstance(run, str) else []
        known.limits = {name: value for name, value in facts.items() if name.startswith(LIMITS)}
        planned_s = facts.get(CYCLE_PLANNED)
        known.progress.planned_s = float(planned_s) if isinstance(planned_s, int | float) else None
        known.progress.more_than_cycles = bool(facts.get(MORE_THAN_CYCLES, False))
        return [*lowered, retained(topic, payloads.info(facts, self._stamp(known), ts_ns))]

    def row(self, fixture: str, row: msgspec.Struct) -> list[Message]:
        """The messages that a row makes; none if MQTT has no interest in it."""
        match row:
            case StateRow() | StandingRow():
                return self._state(fixture, row)
            case LiveRow():
                topic, known = self._topics.measurement(fixture, "live"), self._known(fixture)
                goes_on = known.last is not None and known.row is known.last and known.last.run == row.run
                end_ns = known.progress.expected_end_ns(known.last) if known.last and goes_on else None
                return [latest(topic, payloads.live(row, self._stamp(known), end_ns), LIVE_EXPIRY_S)]
            case AlarmOver():
                return self._lower(fixture, row.kind)
            case CycleRecord() | TrendRow():
                return (
                    self._cycle(fixture, row) if isinstance(row, CycleRecord) else self._trend(fixture, row)
                )
            case EventRow() | RecoveredRow():
                return (
                    self._event(fixture, row) if isinstance(row, EventRow) else self._recovered(fixture, row)
                )
            case CountersRow():
                self._known(fixture).counters = row  # `m/health` carries it
                return []
            case GapRow() | RunEnded():
                return self._happened(fixture, row)
            case _:
                return []

    def found(self, topic: str, payload: bytes) -> list[Message]:
        """An alarm that the broker has: one of an earlier daemon of this host goes on in the name of this one, or is cleared.

        What its fixture does may not be known yet; then it waits for that.
        """
        fixture, alarm_id = self._topics.alarm_of(topic) or ("", "")
        alarm = older_alarms.decoded(payload) if fixture and payload else None
        ours = alarm is not None and alarm.get("host") == self._topics.host
        if alarm is None or not ours or alarm.get("daemon_boot") == self._daemon_boot:
            return []
        known = self._fixtures.get(fixture)
        if known is None:  # no fixture of this daemon any more
            return [retained(topic, b"")]
        known.found[alarm_id] = alarm
        return self._settle(fixture, known)

    def begin_again(self, fixture: str) -> None:
        """Whoever spoke for the fixture is gone and another one follows: its alarms are those of an earlier daemon from now on.

        The next row has to say that it starts.
        """
        known = self._known(fixture)
        for alarm_id, payload in known.alarms.items():
            alarm = older_alarms.decoded(payload)
            if alarm is not None:
                known.found[alarm_id] = alarm
        known.alarms.clear()
        known.taken_over.clear()

    def leave(self, ts_ns: int) -> list[Message]:
        """The daemon leaves: what has not ended is offline from now on."""
        messages = []
        for fixture, known in self._fixtures.items():
            row = known.row
            if row is not None and row.state != MotionState.ENDED:
                messages += self._state(
                    fixture, StandingRow(ts=ts_ns, state=OFFLINE, run=known.run, reason=LEFT)
                )
        return messages

    def _state(self, fixture: str, row: StateRow | StandingRow) -> list[Message]:
        topic = self._topics.state(fixture)
        known = self._known(fixture)
        lowered = self._enter(fixture, known, row.run)
        known.row, stamp = row, self._stamp(known)
        if isinstance(row, StateRow):
            known.last = row
            payload = payloads.state(row, stamp, known.limits, known.progress.expected_end_ns(row))
        else:
            last = known.last if known.last is not None and known.last.run == row.run else None
            payload = payloads.standing(row, stamp, last, known.limits if last is not None else {})
        return [*lowered, retained(topic, payload), *self._settle(fixture, known)]

    def _settle(self, fixture: str, known: _Fixture) -> list[Message]:
        """What becomes of alarms of an earlier daemon by what the fixture does now, once that is known."""
        row = known.row
        if row is None or row.state == STARTING or not (known.found or known.taken_over):
            return []
        messages = [
            message
            for alarm_id, alarm in list(known.taken_over.items())
            if not older_alarms.goes_on(alarm, row)
            for message in self._lower(fixture, alarm_id)
        ]
        found, known.found = known.found, {}
        for alarm_id, alarm in found.items():
            if alarm_id in known.alarms:
                continue  # raised again since
            topic = self._topics.alarm(fixture, alarm_id)
            if older_alarms.goes_on(alarm, row):
                known.taken_over[alarm_id] = alarm
                known.alarms[alarm_id] = payloads.taken_over(alarm, self._stamp(known))
                messages.append(retained(topic, known.alarms[alarm_id]))
            else:
                messages.append(retained(topic, b""))
        return messages

    def _lower(self, fixture: str, alarm_id: str) -> list[Message]:
        known = self._fixtures.get(fixture)
        if known is None or alarm_id not in known.alarms:
            return []
        del known.alarms[alarm_id]
        known.taken_over.pop(alarm_id, None)
        return [retained(self._topics.alarm(fixture, alarm_id), b"")]

    def _cycle(self, fixture: str, record: CycleRecord) -> list[Message]:
        topic = self._topics.measurement(fixture, "cycle")
        known = self._known(fixture)
        lowered = self._enter(fixture, known, record.run)
        known.progress.add(record)
        return [
            *lowered,
            wanted(topic, payloads.cycle(record, self._next(fixture), known.limits), M_EXPIRY_S),
        ]

    def _trend(self, fixture: str, row: TrendRow) -> list[Message]:
        """The course of a figure that has a value in this cycle."""
        if row.value is None:
            return []
        topic = self._topics.measurement(fixture, "trend")
        return [wanted(topic, payloads.trend(row, self._next(fixture)), M_EXPIRY_S)]

    def _happened(self, fixture: str, row: GapRow | RunEnded) -> list[Message]:
        """What has a row of its own beside the events."""
        topic = self._topics.event(fixture, GAP_EVENT if isinstance(row, GapRow) else ENDED_EVENT)
        stamp = self._next(fixture)
        payload = payloads.gap(row, stamp) if isinstance(row, GapRow) else payloads.run_ended(row, stamp)
        return [wanted(topic, payload)]

    def _recovered(self, fixture: str, recovered: RecoveredRow) -> list[Message]:
        """News of an earlier daemon's run under its own time; what still needs a person is raised by the run that goes on."""
        row = recovered.row
        if isinstance(row, EventRow) and row.kind == ENDED_EVENT:
            return []
        topic = self._topics.event(fixture, GAP_EVENT if isinstance(row, GapRow) else row.kind)
        stamp = replace(self._next(fixture), run=recovered.run)
        payload = payloads.gap(row, stamp) if isinstance(row, GapRow) else payloads.event(row, stamp)
        return [wanted(topic, payload)]

    def _event(self, fixture: str, row: EventRow) -> list[Message]:
        topic = self._topics.event(fixture, row.kind)
        if row.kind == ENDED_EVENT:
            return []
        stamp = self._next(fixture)
        messages = [wanted(topic, payloads.event(row, stamp))]
        if row.severity == ALARM and row.kind != REPEATED:  # it counts signs of what has its own alarm
            payload = payloads.alarm(row, stamp)
            self._fixtures[fixture].alarms[row.kind] = payload
            self._fixtures[fixture].taken_over.pop(row.kind, None)  # it is this daemon's own now
            messages.append(retained(self._topics.alarm(fixture, row.kind), payload))
        return messages

    def _enter(self, fixture: str, known: _Fixture, run: str) -> list[Message]:
        """Note the run; another run lowers the alarms of the one before."""
        messages: list[Message] = []
        if run and known.run and run != known.run:
            for alarm_id in tuple(known.alarms):
                messages.extend(self._lower(fixture, alarm_id))
            known.progress.begin()
        if run:
            known.run = run
        return messages

    def _known(self, fixture: str) -> _Fixture:
        return self._fixtures.setdefault(fixture, _Fixture())

    def _next(self, fixture: str) -> Stamp:
        known = self._known(fixture)
        known.seq += 1
        return self._stamp(known)

    def _stamp(self, known: _Fixture) -> Stamp:
        return Stamp(known.seq, self._daemon_boot, known.run, self._topics.host)
