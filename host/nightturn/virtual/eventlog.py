"""Events a device keeps until the host has acknowledged them, and what stays latched until it is cleared."""

from dataclasses import dataclass, field

from nightturn_protocol import messages as wire

REPEAT_TICKS = wire.EVENT_REPEAT_MS * 1000
INHIBIT_TICKS = 100_000  # the same code at most once in so long
LONG_INHIBIT_TICKS = {  # codes that a loose cable would raise all night
    wire.EventCode.BRIDGE_OPEN: 10_000_000,
    wire.EventCode.ADC_SATURATED: 10_000_000,
}


@dataclass(slots=True)
class Kept:
    """An event that has not been acknowledged."""

    event: wire.Event
    sent_tick: int | None = None


@dataclass(slots=True)
class EventLog:
    """The last events, numbered from 1 in a boot, and what is latched.

    When the host never acknowledges, the oldest of those that matter least gives way: by severity, and what is latched
    last of all.
    """

    next_no: int = 1
    kept: list[Kept] = field(default_factory=list)
    latched: dict[wire.EventCode, wire.Event] = field(default_factory=dict)
    suppressed: int = 0
    last_tick: dict[wire.EventCode, int] = field(default_factory=dict)

    def add(
        self,
        tick: int,
        code: wire.EventCode,
        severity: wire.Severity,
        values: tuple[int, int] = (0, 0),
        *,
        latched: bool = False,
    ) -> None:
        """Record an event unless its code is still inhibited; one that latches what is not latched is never."""
        last = self.last_tick.get(code)
        inhibited = last is not None and tick - last < LONG_INHIBIT_TICKS.get(code, INHIBIT_TICKS)
        if inhibited and not (latched and code not in self.latched):
            self.suppressed += 1
            return
        self.last_tick[code] = tick
        event = wire.Event(tick, self.next_no, *values, code, severity, int(latched))
        self.next_no += 1
        if latched:
            self.latched[code] = event
        self._keep(event)

    def _weight(self, event: wire.Event) -> tuple[bool, int]:
        return event in self.latched.values(), event.severity

    def _keep(self, event: wire.Event) -> None:
        """Keep an event in the order of the numbers; when there are too many, what matters least gives way."""
        self.kept.append(Kept(event))
        self.kept.sort(key=lambda kept: kept.event.event_no)
        if len(self.kept) > wire.EVENTS_KEPT:
            self.kept.remove(min(self.kept, key=lambda kept: self._weight(kept.event)))

    def tell_again(self) -> None:
        """A new session: all of them are due, and what is latched even if another host has acknowledged it."""
        for kept in self.kept:
            kept.sent_tick = None
        for event in self.latched.values():
            if all(kept.event is not event for kept in self.kept):
                self._keep(event)

    def acknowledge(self, event_no: int) -> None:
        """The host has it."""
        self.kept = [kept for kept in self.kept if kept.event.event_no != event_no]

    def due(self, tick: int) -> list[wire.Event]:
        """Events to send now: new ones and those whose repeat is due."""
        found = []
        for kept in self.kept:
            if kept.sent_tick is None or tick - kept.sent_tick >= REPEAT_TICKS:
                kept.sent_tick = tick
                found.append(kept.event)
        return found

    def next_due(self) -> int | None:
        """The tick of the next repeat."""
        return min(
            (0 if kept.sent_tick is None else kept.sent_tick + REPEAT_TICKS for kept in self.kept),
            default=None,
        )

    def holds(self, code: wire.EventCode) -> bool:
        """Whether this code is latched."""
        return code in self.latched
