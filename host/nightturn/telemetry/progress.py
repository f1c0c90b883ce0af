"""When a plan will be done, if nothing interrupts it."""

from collections import deque
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median

from nightturn.model.figures import CycleRecord
from nightturn.model.rows import StateRow
from nightturn.motion.permission import MotionState

CYCLES_LOOKED_AT = 9
NS_PER_S = 1_000_000_000


@dataclass(slots=True)
class Progress:
    """How long the cycles of a run take: as planned until some have been seen; `more_than_cycles` when they are not all of the plan."""

    planned_s: float | None = None
    more_than_cycles: bool = False
    ends_ns: deque[int] = field(default_factory=lambda: deque(maxlen=CYCLES_LOOKED_AT + 1))

    def begin(self) -> None:
        """Another run begins."""
        self.planned_s, self.more_than_cycles = None, False
        self.ends_ns.clear()

    def add(self, cycle: CycleRecord) -> None:
        """A cycle is over."""
        self.ends_ns.append(cycle.ts_end)

    def expected_end_ns(self, row: StateRow) -> int | None:
        """By the median time between the last cycle ends, which one pause does not move.

        None unless the shaft turns, or where the plan also soaks or parks: nobody knows when a wait will end.
        """
        if self.more_than_cycles:
            return None
        left, cycle_ns = row.cycles_planned - row.cycles_done, self._cycle_ns()
        if row.state != MotionState.TURNING or left <= 0 or cycle_ns is None:
            return None
        due_ns = max(row.ts, self.ends_ns[-1] + cycle_ns) if self.ends_ns else row.ts + cycle_ns
        return due_ns + (left - 1) * cycle_ns

    def _cycle_ns(self) -> int | None:
        ends = list(self.ends_ns)
        if len(ends) > 1:
            return round(median(after - before for before, after in pairwise(ends)))
        return round(self.planned_s * NS_PER_S) if self.planned_s is not None else None
