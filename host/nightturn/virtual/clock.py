"""The device's own clock: its tick against the world's, with a constant drift and a slow wander.

Integer arithmetic throughout, so that a tick depends on the world's nanosecond alone.
"""

from nightturn.virtual.chance import mix, normal

TICK_HZ = 1_000_000
SPAN_NS = 8_000_000_000  # the wander is constant for so long
SHIFT = 40
WANDER_PPM = 0.05
WANDER_KEPT = 0.98  # of the last span's wander, the rest is new


class DriftingClock:
    """Ticks since the power came on; never influenced by the host."""

    def __init__(self, seed: int, drift_ppm: float, start_ns: int) -> None:
        self._seed = seed
        self._drift_ppm = drift_ppm
        self._wander_ppm = 0.0
        self._span = 0
        self._from_ns = start_ns
        self._from_fine = 0  # ticks << SHIFT
        self._rate = self._rate_of()

    def _rate_of(self) -> int:
        ppm = self._drift_ppm + self._wander_ppm
        return round((1.0 + ppm * 1e-6) * (1 << SHIFT) * TICK_HZ / 1e9)

    def tick(self, now_ns: int) -> int:
        """The tick at a moment not before any asked for so far."""
        while now_ns - self._from_ns >= SPAN_NS:
            self._from_fine += SPAN_NS * self._rate
            self._from_ns += SPAN_NS
            self._span += 1
            new = normal(mix(self._seed, self._span, 40)) * WANDER_PPM
            self._wander_ppm = self._wander_ppm * WANDER_KEPT + new
            self._rate = self._rate_of()
        return (self._from_fine + max(now_ns - self._from_ns, 0) * self._rate) >> SHIFT

    def moment_ns(self, tick: int) -> int:
        """When a tick will be reached if the present rate stays; exact within the present span."""
        left = (tick << SHIFT) - self._from_fine
        return self._from_ns + -(-left // self._rate)
