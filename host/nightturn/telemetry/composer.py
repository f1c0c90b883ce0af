"""Rows of a fixture become messages: which topic, which number, which alarms stand."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import msgspec

from nightturn.model.device import DeviceCounters
from nightturn.model.figures import CycleRecord
from nightturn.model.rows import CountersRow, EventRow, GapRow, RunEnded, StateRow
from nightturn.telemetry import payloads
from nightturn.telemetry.message import M_EXPIRY_S, Message, latest, retained, wanted
from nightturn.telemetry.payloads import Stamp
from nightturn.telemetry.topics import Topics

CLEARED = "_cleared"
ALARM = "alarm"


@dataclass(slots=True)
class _Fixture:
    seq: int = 0
    run: str = ""
    alarms: dict[str, None] = field(default_factory=dict)
    counters: DeviceCounters | None = None


class Composer:
    """Keeps per fixture the sequence number, the run and the standing alarms.

    An event of severity `alarm` raises the alarm of its kind; an event `<kind>_cleared`, `lower_alarm` or the
    begin of another run lowers it. All methods raise ConfigError for names that cannot stand in a topic.
    """

    def __init__(self, topics: Topics, daemon_boot: str) -> None:
        self._topics = topics
        self._daemon_boot = daemon_boot
        self._fixtures: dict[str, _Fixture] = {}

    def stamps(self) -> dict[str, Stamp]:
        """The present stamp of every fixture heard of."""
        return {fixture: self._stamp(known) for fixture, known in self._fixtures.items()}

    def counters(self, fixture: str) -> DeviceCounters | None:
        """What the fixture's device counted last; None when it is not known."""
        known = self._fixtures.get(fixture)
        return known.counters if known is not None else None

    def info(self, fixture: str, facts: Mapping[str, object], ts_ns: int) -> list[Message]:
        """What stands on the fixture; `run` in it is the run that the next messages belong to."""
        topic = self._topics.info(fixture)
        known = self._known(fixture)
        run = facts.get("run")
        lowered = self._enter(fixture, known, run) if isinstance(run, str) else []
        return [*lowered, retained(topic, payloads.info(facts, self._stamp(known), ts_ns))]

    def row(self, fixture: str, row: msgspec.Struct) -> list[Message]:
        """The messages that a row makes; none if MQTT has no interest in it."""
        match row:
            case StateRow():
                return self._state(fixture, row)
            case CycleRecord():
                return self._cycle(fixture, row)
            case EventRow():
                return self._event(fixture, row)
            case CountersRow():
                self._known(fixture).counters = row.counters  # `m/health` carries it
                return []
            case GapRow():
                topic = self._topics.event(fixture, "gap")
                return [wanted(topic, payloads.gap(row, self._next(fixture)))]
            case RunEnded():
                topic = self._topics.event(fixture, "run_ended")
                return [wanted(topic, payloads.run_ended(row, self._next(fixture)))]
            case _:
                return []

    def lower_alarm(self, fixture: str, alarm_id: str) -> list[Message]:
        """The alarm is over and seen; nothing if it does not stand."""
        known = self._fixtures.get(fixture)
        if known is None or alarm_id not in known.alarms:
            return []
        del known.alarms[alarm_id]
        return [retained(self._topics.alarm(fixture, alarm_id), b"")]

    def _state(self, fixture: str, row: StateRow) -> list[Message]:
        topic, live_topic = self._topics.state(fixture), self._topics.measurement(fixture, "live")
        known = self._known(fixture)
        lowered = self._enter(fixture, known, row.run)
        stamp = self._stamp(known)
        return [
            *lowered,
            retained(topic, payloads.state(row, stamp)),
            latest(live_topic, payloads.live(row, stamp), M_EXPIRY_S),
        ]

    def _cycle(self, fixture: str, record: CycleRecord) -> list[Message]:
        topic = self._topics.measurement(fixture, "cycle")
        lowered = self._enter(fixture, self._known(fixture), record.run)
        return [*lowered, wanted(topic, payloads.cycle(record, self._next(fixture)), M_EXPIRY_S)]

    def _event(self, fixture: str, row: EventRow) -> list[Message]:
        topic = self._topics.event(fixture, row.kind)
        stamp = self._next(fixture)
        messages = [wanted(topic, payloads.event(row, stamp))]
        if row.severity == ALARM:
            self._fixtures[fixture].alarms[row.kind] = None
            messages.append(retained(self._topics.alarm(fixture, row.kind), payloads.alarm(row, stamp)))
        elif row.kind.endswith(CLEARED):
            messages.extend(self.lower_alarm(fixture, row.kind.removesuffix(CLEARED)))
        return messages

    def _enter(self, fixture: str, known: _Fixture, run: str) -> list[Message]:
        """Note the run; another run lowers the alarms of the one before."""
        messages: list[Message] = []
        if run and known.run and run != known.run:
            for alarm_id in tuple(known.alarms):
                messages.extend(self.lower_alarm(fixture, alarm_id))
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
        return Stamp(known.seq, self._daemon_boot, known.run)
