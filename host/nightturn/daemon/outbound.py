"""A worker's queue to the daemon's first process: whoever puts something in never waits, and what is lost is counted."""

import threading
from collections import deque
from collections.abc import Callable, Hashable, Mapping, Sequence
from typing import Any

from nightturn.daemon.worker_messages import Info, Item, Line, Row
from nightturn.model.records import Emit
from nightturn.model.rows import (
    ALARM_OVER,
    COUNTERS,
    CYCLES,
    EVENTS,
    GAPS,
    LIVE,
    RECOVERED,
    RUN_ENDED,
    STATE,
    TREND,
    AlarmOver,
    EventRow,
)

ITEMS_MAX = 10_000  # as many as messages wait for a broker
WANTED = frozenset({CYCLES, TREND, EVENTS, GAPS, RUN_ENDED, STATE, LIVE, ALARM_OVER, COUNTERS, RECOVERED})
"""What somebody watches; every other row is for files only."""
FOR_ALARMS = frozenset({CYCLES, EVENTS, STATE, ALARM_OVER})
"""What alarms follow from."""
NEWEST_HOLDS = frozenset({STATE, LIVE, COUNTERS, RUN_ENDED})
ALARM = "alarm"


def slot_of(item: Item) -> Hashable:
    """What an item is the newest word of; None where each item is a fact of its own."""
    if isinstance(item, Info):
        return ("info", item.fixture)
    if isinstance(item, Line):
        return None
    row, dataset = item.emit.row, item.emit.dataset
    if isinstance(row, AlarmOver) or (isinstance(row, EventRow) and row.severity == ALARM):
        return (ALARM, item.fixture, row.kind)
    return (dataset, item.fixture) if dataset in NEWEST_HOLDS else None


def thinned(items: Sequence[Item], most: int) -> list[Item]:
    """Of too many items those that matter: the newest word on each state and alarm, and of the facts the newest `most`.

    The order stays. A reader that gets them may lack facts, but is not left with a state or an alarm that is over.
    """
    kept: list[Item] = []
    said: set[Hashable] = set()
    facts = 0
    for item in reversed(items):
        slot = slot_of(item)
        if slot is None:
            facts += 1
            if facts <= most:
                kept.append(item)
        elif slot not in said:
            said.add(slot)
            kept.append(item)
    return kept[::-1]


class Outbound:
    """Rows and lines of the log on their way; from any thread.

    Attributes:
        dropped: items that are lost, because `ITEMS_MAX` of them waited.
    """

    def __init__(self, waits: Callable[[], None], *, most: int = ITEMS_MAX, rows: bool = True) -> None:
        """Args: `waits` is called after each item; without `rows` nobody publishes, so of rows only those that alarms follow from are taken."""
        self.dropped = 0
        self._waits = waits
        self._most = most
        self._rows = rows
        self._items: deque[Item] = deque()
        self._lock = threading.Lock()

    def offer(self, fixture: str, emit: Emit) -> None:
        """A row of a fixture, as a sink."""
        if emit.dataset in (WANTED if self._rows else FOR_ALARMS):
            self._put(Row(fixture, emit))

    def announce(self, fixture: str, info: Mapping[str, object]) -> None:
        """What stands on a fixture."""
        self._put(Info(fixture, info))

    def line(self, fields: dict[str, Any]) -> None:
        """A line of the log."""
        self._put(Line(fields))

    def take(self, most: int) -> tuple[Item, ...]:
        """The oldest items, at most so many."""
        with self._lock:
            return tuple(self._items.popleft() for _ in range(min(most, len(self._items))))

    def _put(self, item: Item) -> None:
        with self._lock:
            self._items.append(item)
            if len(self._items) > self._most:
                kept = thinned(self._items, self._most // 2)
                self.dropped += len(self._items) - len(kept)
                self._items = deque(kept)
        self._waits()
