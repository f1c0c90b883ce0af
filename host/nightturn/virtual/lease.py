"""The motion lease on the device's clock. It is not a safety function: guard, stop chain and drive limits remain."""

import math
from dataclasses import dataclass

from nightturn_protocol import messages as wire

TICKS_PER_MS = 1000


@dataclass(slots=True)
class MotionLease:
    """Lives only while the host keeps echoing newer device ticks; once lapsed it stays lapsed until cleared."""

    state: wire.LeaseState = wire.LeaseState.OFF
    seen_tick: int = -1
    deadline: int = 0
    speed_max: float = 0.0
    torque_max: float = 0.0
    refused: int = 0

    def offer(self, lease: wire.Lease, tick: int) -> bool:
        """Take a LEASE at this tick, or refuse it: stale, from the future, out of range, or lapsed and not cleared."""
        window = lease.window_ms * TICKS_PER_MS
        limits = (lease.speed_max, lease.torque_max)
        good = (
            self.state is not wire.LeaseState.LAPSED
            and self.seen_tick < lease.seen_tick <= tick < lease.seen_tick + window
            and lease.window_ms <= wire.LEASE_WINDOW_MS_MAX
            and all(math.isfinite(limit) and limit >= 0 for limit in limits)
        )
        if not good:
            self.refused += 1
            return False
        self.state = wire.LeaseState.LIVE
        self.seen_tick, self.deadline = lease.seen_tick, lease.seen_tick + window
        self.speed_max, self.torque_max = limits
        return True

    def lapses_at(self) -> int | None:
        """The tick at which it lapses if nothing comes."""
        return self.deadline if self.state is wire.LeaseState.LIVE else None

    def lapse(self) -> None:
        """The time is up while an axis is on: latched until cleared."""
        self.state = wire.LeaseState.LAPSED

    def clear(self) -> None:
        """Unlatch; a fresh LEASE is needed next."""
        if self.state is wire.LeaseState.LAPSED:
            self.state = wire.LeaseState.OFF

    def end(self) -> None:
        """The session is over, or the time is up with nothing driven: a new LEASE may come at once."""
        if self.state is wire.LeaseState.LIVE:
            self.state = wire.LeaseState.OFF
