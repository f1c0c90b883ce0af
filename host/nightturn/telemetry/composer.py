"""Rows of a fixture become messages: which topic, which number, which alarms are active."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import msgspec

from nightturn.model.alarms import HOST, AlarmRow, AlarmState
from nightturn.model.figures import CycleRecord
from nightturn.model.rows import (
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
from nightturn.telemetry import alarm_payload, commands, payloads
from nightturn.telemetry.commands import Asked
from nightturn.telemetry.message import LIVE_EXPIRY_S, M_EXPIRY_S, Message, latest, retained, wanted
from nightturn.telemetry.night_so_far import NightSoFar
from nightturn.telemetry.payloads import Stamp
from nightturn.telemetry.progress import Progress
from nightturn.telemetry.reading import OFFLINE
from nightturn.telemetry.topics import Topics

GAP_EVENT = "gap"
COMMAND_EVENT = "command"
ENDED_EVENT = "run_ended"  # the row of the end says the same, once
LEFT = "the daemon was stopped; a run that was open goes on when it is started again"
LIMITS = ("accept_max_", "accept_min_", "protect_max_", "rated_torque_nm")
CYCLE_PLANNED = "cycle_planned_s"
MORE_THAN_CYCLES = "more_than_cycles"


@dataclass(slots=True)
class _Fixture:
    seq: int = 0
    run: str = ""
    alarms: set[str] = field(default_factory=set)
    counters: CountersRow | None = None
    row: StateRow | StandingRow | None = None
    last: StateRow | None = None
    limits: dict[str, object] = field(default_factory=dict)
    progress: Progress = field(default_factory=Progress)
    night: NightSoFar = field(default_factory=NightSoFar)


class Composer:
    """Keeps per fixture the sequence number, the run, what it does and its active alarms.

    What is an alarm, and until when, the rows of the alarms say. All methods raise ConfigError for names that cannot be part of a topic.
    """

    def __init__(self, topics: Topics, daemon_boot: str) -> None:
        self._topics = topics
        self._daemon_boot = daemon_boot
        self._fixtures: dict[str, _Fixture] = {}
        self._host = _Fixture()

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
        self._enter(known, run if isinstance(run, str) else "")
        known.limits = {name: value for name, value in facts.items() if name.startswith(LIMITS)}
        planned_s = facts.get(CYCLE_PLANNED)
        known.progress.planned_s = float(planned_s) if isinstance(planned_s, int | float) else None
        known.progress.more_than_cycles = bool(facts.get(MORE_THAN_CYCLES, False))
        return [retained(topic, payloads.info(facts, self._stamp(known), ts_ns))]

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
            case AlarmRow():
                return self._alarm(fixture, row)
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
        """An alarm that the broker has: one of an earlier daemon of this host that is open no more is cleared.

        What is open is known by then: whoever has the alarms says it before a broker can answer.
        """
        fixture, alarm_id = self._topics.alarm_of(topic) or ("", "")
        alarm = _decoded(payload) if fixture and payload else None
        ours = alarm is not None and alarm.get("host") == self._topics.host
        if alarm is None or not ours or alarm.get("daemon_boot") == self._daemon_boot:
            return []
        known = self._fixtures.get(fixture)
        return [] if known is not None and alarm_id in known.alarms else [retained(topic, b"")]

    def answered(self, given: Asked, ts_ns: int, *, ok: bool, said: str) -> list[Message]:
        """What became of a command."""
        stamp = self._next(given.fixture) if given.fixture != HOST else self._stamp(self._host)
        topic = self._topics.event(given.fixture, COMMAND_EVENT)
        return [wanted(topic, commands.answer(given, stamp, ts_ns, ok=ok, said=said))]

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
        self._enter(known, row.run)
        known.row, stamp = row, self._stamp(known)
        if isinstance(row, StateRow):
            known.last = row
            end_ns = known.progress.expected_end_ns(row)
            payload = payloads.state(row, stamp, known.limits, end_ns, said=known.night.said(row))
        else:
            last = known.last if known.last is not None and known.last.run == row.run else None
            limits = known.limits if last is not None else {}
            said = known.night.standing(row, last)
            payload = payloads.standing(row, stamp, last, limits, said=said)
        return [retained(topic, payload)]

    def _alarm(self, fixture: str, row: AlarmRow) -> list[Message]:
        """An alarm has changed; one that is over is cleared, once."""
        topic = self._topics.alarm(fixture, row.id)
        known = self._host if fixture == HOST else self._known(fixture)
        if row.state is AlarmState.NORMAL:
            was = row.id in known.alarms
            known.alarms.discard(row.id)
            return [retained(topic, b"")] if was else []
        known.alarms.add(row.id)
        return [retained(topic, alarm_payload.alarm(row, self._stamp(known)))]

    def _cycle(self, fixture: str, record: CycleRecord) -> list[Message]:
        topic = self._topics.measurement(fixture, "cycle")
        known = self._known(fixture)
        self._enter(known, record.run)
        known.progress.add(record)
        known.night.add(record)
        return [wanted(topic, payloads.cycle(record, self._next(fixture), known.limits), M_EXPIRY_S)]

    def _trend(self, fixture: str, row: TrendRow) -> list[Message]:
        """The course of a figure that has a value in this cycle."""
        if row.value is None:
            return []
        topic = self._topics.measurement(fixture, "trend")
        series = f"{row.figure} {row.direction}"
        return [wanted(topic, payloads.trend(row, self._next(fixture)), M_EXPIRY_S, series)]

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
        return [wanted(topic, payloads.event(row, self._next(fixture)))]

    @staticmethod
    def _enter(known: _Fixture, run: str) -> None:
        """Note the run."""
        if run and known.run and run != known.run:
            known.progress.begin()
            known.night = NightSoFar()
        if run:
            known.run = run

    def _known(self, fixture: str) -> _Fixture:
        return self._fixtures.setdefault(fixture, _Fixture())

    def _next(self, fixture: str) -> Stamp:
        known = self._known(fixture)
        known.seq += 1
        return self._stamp(known)

    def _stamp(self, known: _Fixture) -> Stamp:
        return Stamp(known.seq, self._daemon_boot, known.run, self._topics.host)


def _decoded(payload: bytes) -> dict[str, Any] | None:
    """An alarm's payload; None when it is none of this version."""
    try:
        found = msgspec.json.decode(payload)
    except msgspec.MsgspecError:
        return None
    return found if isinstance(found, dict) else None
