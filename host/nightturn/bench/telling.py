"""What a station lets its sinks know: the core's rows, what stands where the core cannot say it, and which alarms are over."""

from collections.abc import Iterable, Sequence
from typing import Protocol

import msgspec

from nightturn.bench.counting import tell_counters
from nightturn.fixture.alarms import lasts
from nightturn.fixture.core import Fixture
from nightturn.fixture.repeats import REPEATED
from nightturn.model.records import Emit
from nightturn.model.rows import (
    ALARM_OVER,
    FAILED,
    LIVE,
    STATE,
    UNRECORDED,
    AlarmOver,
    EventRow,
    StandingRow,
    StateRow,
)
from nightturn.world import Clock

ALARM = "alarm"
DEAF = "the tape takes no records, so nothing is recorded; the drive was sent OFF"
FELL = "a fault of this program ended the fixture; the drive was sent OFF"
SERVE = "`nightturn serve` again"


class Sink(Protocol):
    """Takes rows as they are emitted; never blocks, counts its drops."""

    def offer(self, fixture: str, emit: Emit) -> None:
        """One row of a fixture."""
        ...


def tell(fixture: str, sinks: Iterable[Sink], dataset: str, row: msgspec.Struct) -> None:
    """Give every sink a row."""
    for sink in sinks:
        sink.offer(fixture, Emit(dataset, row))


class Telling:
    """The rows of one station on their way to its sinks."""

    def __init__(self, fixture: str, clock: Clock, sinks: Sequence[Sink]) -> None:
        self._fixture = fixture
        self._clock = clock
        self._sinks = tuple(sinks)
        self._alarms: dict[str, None] = {}
        self._state: StateRow | None = None

    def emitted(self, emit: Emit) -> None:
        """A row of the core."""
        row = emit.row
        if isinstance(row, EventRow) and row.severity == ALARM and row.kind != REPEATED:
            self._alarms[row.kind] = None
        elif isinstance(row, StateRow):
            self._state = row
        tell(self._fixture, self._sinks, emit.dataset, row)

    def deaf(self, run: str, why: str) -> None:
        """The tape takes nothing, so the core cannot say what the fixture does."""
        self._stands(UNRECORDED, run, f"{DEAF}: {why}", "waits until the tape takes records again")

    def hears_again(self) -> None:
        """The core speaks for the fixture again; what it said last holds until it says something else."""
        if self._state is not None:
            tell(self._fixture, self._sinks, STATE, self._state)

    def failed(self, run: str) -> None:
        """The core is gone."""
        self._stands(FAILED, run, FELL, f"waits for {SERVE}")

    def look(self, core: Fixture) -> None:
        """Say of every alarm whose cause has gone that it is over."""
        for kind in [each for each in self._alarms if not lasts(core.state, each)]:
            del self._alarms[kind]
            tell(self._fixture, self._sinks, ALARM_OVER, AlarmOver(self._clock.utc_ns(), kind))

    def live(self, core: Fixture) -> None:
        """What the sensors show now."""
        row = core.look(self._clock.utc_ns())
        if row is not None:
            tell(self._fixture, self._sinks, LIVE, row)

    def counters(self, core: Fixture) -> None:
        """What the device counts."""
        tell_counters(self._fixture, core, self._clock.utc_ns(), self._sinks)

    def _stands(self, state: str, run: str, reason: str, waits_for: str) -> None:
        row = StandingRow(ts=self._clock.utc_ns(), state=state, run=run, reason=reason, waits_for=waits_for)
        tell(self._fixture, self._sinks, STATE, row)
