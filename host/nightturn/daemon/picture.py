"""What is known of a fixture at a moment, folded from its rows: the terminal's table shows it."""

import msgspec

from nightturn.model.figures import CycleRecord
from nightturn.model.rows import FAILED, UNRECORDED, StandingRow, StateRow
from nightturn.motion.permission import MotionState

NS_PER_S = 1_000_000_000
SILENT = frozenset({FAILED, UNRECORDED})
"""No core speaks then, so the newest state that one told holds no more."""


class Picture(msgspec.Struct, frozen=True):
    """One fixture as a person is shown it.

    Attributes:
        fixture: its id.
        no_run: why no run is open and what opens one; empty while one is.
        cycle_s: how long a cycle of the plan takes; 0 before a run was opened.
        state: the newest row of the run that is open; None before it.
        last: the newest cycle of that run that is finished.
    """

    fixture: str
    no_run: str = "starting"
    cycle_s: float = 0.0
    state: StateRow | None = None
    last: CycleRecord | None = None

    def waits(self, why: str) -> "Picture":
        """No run is open, and this is why."""
        return Picture(self.fixture, why)

    def opened(self, cycle_s: float) -> "Picture":
        """A run has been opened."""
        return Picture(self.fixture, "", cycle_s)

    def seen(self, row: msgspec.Struct) -> "Picture":
        """A row has come; most change nothing."""
        if isinstance(row, StateRow):
            return msgspec.structs.replace(self, state=row)
        if isinstance(row, CycleRecord):
            return msgspec.structs.replace(self, last=row)
        if isinstance(row, StandingRow) and row.state in SILENT:
            return msgspec.structs.replace(self, state=None, no_run=f"{row.state}: {row.reason}")
        return self

    @property
    def word(self) -> str:
        """What the shaft may do, or that no run is open."""
        return self.state.state if self.state is not None else "without a run"

    @property
    def expected_end_ns(self) -> int | None:
        """When the plan ends if nothing interrupts it, UTC; None while the shaft does not turn."""
        state = self.state
        if state is None or state.state != MotionState.TURNING or self.cycle_s <= 0:
            return None
        begun_ns = state.ts if self.last is None else max(self.last.ts_end, 0)
        left = state.cycles_planned - state.cycle_no + 1
        return begun_ns + round(max(left, 0) * self.cycle_s * NS_PER_S)
