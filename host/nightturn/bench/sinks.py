"""Sinks that keep what a person will be shown at the end."""

from typing import TypeVar

from nightturn.model.figures import CycleRecord
from nightturn.model.records import Emit
from nightturn.model.rows import EventRow, GapRow, StateRow

T = TypeVar("T")
EVENTS_KEPT = 2000
CYCLES_KEPT = 100_000


class Tally:
    """The cycles, gaps, events and newest state of each fixture; bounded."""

    def __init__(self) -> None:
        self.cycles: dict[str, list[CycleRecord]] = {}
        self.gaps: dict[str, list[GapRow]] = {}
        self.events: dict[str, list[EventRow]] = {}
        self.states: dict[str, StateRow] = {}

    def offer(self, fixture: str, emit: Emit) -> None:
        """Keep one row."""
        row = emit.row
        if isinstance(row, CycleRecord):
            _keep(self.cycles.setdefault(fixture, []), row, CYCLES_KEPT)
        elif isinstance(row, GapRow):
            _keep(self.gaps.setdefault(fixture, []), row, EVENTS_KEPT)
        elif isinstance(row, EventRow):
            _keep(self.events.setdefault(fixture, []), row, EVENTS_KEPT)
        elif isinstance(row, StateRow):
            self.states[fixture] = row


def _keep(kept: list[T], row: T, most: int) -> None:
    kept.append(row)
    if len(kept) > most:
        del kept[0]
