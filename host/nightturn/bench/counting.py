"""What the devices count and the disk keeps, told to whoever watches; nothing of it is stored or decides anything."""

from collections.abc import Iterable
from typing import Protocol

from nightturn.fixture.core import Fixture
from nightturn.model.device import DeviceCounters
from nightturn.model.records import Emit
from nightturn.model.rows import COUNTERS, CountersRow

COUNTERS_PERIOD_S = 10.0


class Watcher(Protocol):
    """Takes rows and never blocks."""

    def offer(self, fixture: str, emit: Emit) -> None:
        """One row of a fixture."""
        ...


def counters_of(core: Fixture) -> DeviceCounters | None:
    """What the device counts; None while none streams."""
    return core.state.watch.counters if core.state.device.streams else None


def tell_counters(fixture: str, core: Fixture, utc_ns: int, watchers: Iterable[Watcher]) -> None:
    """Give every watcher the newest counters."""
    emit = Emit(COUNTERS, CountersRow(utc_ns, counters_of(core), *core.state.disk.durable_through))
    for watcher in watchers:
        watcher.offer(fixture, emit)
