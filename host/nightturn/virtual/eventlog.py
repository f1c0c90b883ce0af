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
    """The last events, numbered from 1 in a boot; the oldest gives way when the host never acknowledges."""

    next_no: int = 1
    kept: list[Kept] = field(default_factory=list)
    latched: dict[int, wire.EventCode] = field(default_factory=dict)
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
        """Record an event unless its code is still inhibited."""
        last = self.last_tick.get(code)
        if last is not None and tick - last < LONG_INHIBIT_TICKS.get(code, INHIBIT_TICKS):
            self.suppressed += 1
            return
        self.last_tick[code] = tick
        self.kept.append(Kept(wire.Event(tick, self.next_no, *values, code, severity, int(latched))))
        if latched:
            self.latched[self.next_no] = code
        self.next_no += 1
        del self.kept[: -wire.EVENTS_KEPT]

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
        """Whether an event of this code is latched."""
        return code in self.latched.values()
