"""The clock filter: offset and skew of the device clock from round-trip measurements.

A two-state Kalman filter (random-walk frequency, as usual for quartz clocks). The noise of a measurement is taken from
its round trip: whatever exceeds the floor may all lie on one leg, which moves the midpoint by half of it.
"""

import msgspec

NS_PER_S = 1_000_000_000
BASE_U_NS = 15_000.0  # noise of a midpoint at the floor of the round trip
START_SKEW_U = 100_000.0  # ns/s (ppb): quartz is within 100 ppm
REACQUIRE_SKEW_U = 50_000.0
WILD_SKEW_U = 20_000_000.0  # 2 %: not a quartz, or a nominal frequency that is wrong
SKEW_WALK = 40.0  # ns/s per sqrt(s)
PHASE_WALK_NS = 100.0  # ns per sqrt(s)
GATE_SQUARED = 25.0
MAX_REJECTED = 8
FLOOR_WINDOW_NS = 300 * NS_PER_S


class Floor(msgspec.Struct):
    """The smallest value of the last five to ten minutes: a path that changes for good is followed.

    Attributes:
        current, previous: minima of the window under way and of the one before; None while empty.
        since_ns: when the window under way began.
    """

    current: float | None = None
    previous: float | None = None
    since_ns: int = 0

    def add(self, value: float, at_ns: int) -> None:
        """Take a value at a host time."""
        if self.current is None or at_ns - self.since_ns >= FLOOR_WINDOW_NS:
            self.previous, self.current = self.current, value
            self.since_ns = at_ns
        self.current = min(self.current, value)

    @property
    def value(self) -> float | None:
        """The floor, or None before the first value."""
        if self.current is None or self.previous is None:
            return self.current
        return min(self.current, self.previous)


class Measurement(msgspec.Struct, frozen=True):
    """One exchange: device time of its middle (nominal ns), host minus device there, round trip."""

    dev_ns: int
    offset_ns: float
    rtt_ns: float


class OffsetFilter(msgspec.Struct):
    """Offset (host minus nominal device time, ns) and skew (ns/s) with their covariance.

    Attributes:
        dev_ns: device time of the last update.
        rejected_in_row, accepted_in_row: run lengths at the gate.
        wild: the last re-acquisition did not hold, so the next trusts no skew.
    """

    dev_ns: int
    offset_ns: float
    p00: float
    skew: float = 0.0
    p01: float = 0.0
    p11: float = START_SKEW_U * START_SKEW_U
    rejected_in_row: int = 0
    accepted_in_row: int = 0
    wild: bool = False
    rejected: int = 0
    reacquired: int = 0

    def offset_at(self, dev_ns: int) -> float:
        """Host minus nominal device time at a device time, ns."""
        return self.offset_ns + self.skew * ((dev_ns - self.dev_ns) / NS_PER_S)

    def variance_at(self, dev_ns: int) -> float:
        """Variance of the predicted offset, ns^2."""
        dt = max((dev_ns - self.dev_ns) / NS_PER_S, 0.0)
        walk = PHASE_WALK_NS * PHASE_WALK_NS * dt + SKEW_WALK * SKEW_WALK * dt * dt * dt / 3.0
        return self.p00 + 2.0 * dt * self.p01 + dt * dt * self.p11 + walk

    def update(self, seen: Measurement, noise_ns2: float) -> tuple[bool, float]:
        """Take a measurement; a run of eight rejections starts the offset anew.

        Returns:
            (accepted or re-acquired, innovation in ns).
        """
        self._predict(seen.dev_ns)
        innovation = seen.offset_ns - self.offset_ns
        total = self.p00 + noise_ns2
        if innovation * innovation > GATE_SQUARED * total:
            self.rejected += 1
            self.rejected_in_row += 1
            if self.rejected_in_row < MAX_REJECTED:
                return False, innovation
            self._reacquire(seen, noise_ns2)
            return True, innovation
        gain0, gain1 = self.p00 / total, self.p01 / total
        self.offset_ns += gain0 * innovation
        self.skew = min(max(self.skew + gain1 * innovation, -WILD_SKEW_U), WILD_SKEW_U)
        # The product form: p00 - gain0 * p00 would lose everything when p00 is far above the noise.
        self.p11 -= gain1 * self.p01
        self.p01 *= noise_ns2 / total
        self.p00 *= noise_ns2 / total
        self.rejected_in_row = 0
        self.accepted_in_row += 1
        if self.accepted_in_row >= MAX_REJECTED:
            self.wild = False
        return True, innovation

    def _predict(self, dev_ns: int) -> None:
        dt = (dev_ns - self.dev_ns) / NS_PER_S
        self.dev_ns = dev_ns
        if dt <= 0.0:
            return
        self.offset_ns += self.skew * dt
        self.p00 += (
            2.0 * dt * self.p01
            + dt * dt * self.p11
            + PHASE_WALK_NS * PHASE_WALK_NS * dt
            + SKEW_WALK * SKEW_WALK * dt * dt * dt / 3.0
        )
        self.p01 += dt * self.p11 + SKEW_WALK * SKEW_WALK * dt * dt / 2.0
        self.p11 += SKEW_WALK * SKEW_WALK * dt

    def _reacquire(self, seen: Measurement, noise_ns2: float) -> None:
        self.offset_ns = seen.offset_ns
        self.p00 = noise_ns2
        self.p01 = 0.0
        spread = WILD_SKEW_U if self.wild else REACQUIRE_SKEW_U
        self.p11 = max(self.p11, spread * spread)
        self.wild = True
        self.rejected_in_row = 0
        self.accepted_in_row = 0
        self.reacquired += 1
