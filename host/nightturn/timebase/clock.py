"""The timebase of one epoch: what time it was when the device's clock showed a tick."""

import math

import msgspec

from nightturn.timebase.exchange import BURST, BURST_ENOUGH, BURST_NS, Probes, offset_and_delay
from nightturn.timebase.line import MAX_KNOTS, NS_PER_S, TimeLine
from nightturn.timebase.offset import BASE_U_NS, Floor, Measurement, OffsetFilter

GROUP = 10  # probes of which the one with the shortest round trip is used
FIRST_GROUP = 4  # at first fewer: the skew is not known yet and sooner is worth more than sharper
GROUPS_PER_STEP = 4  # the group grows by one after this many
GROUP_NS = 2_000_000_000  # a group ends early when probes come slowly
WAIT_NS = 5_000_000_000  # after that the first knot no longer waits for the lock
FAR_NS = (
    2**62
)  # 146 years: a tick this far from the first seen is no time, and would not fit the stored integers
ARRIVAL_U_NS = 100_000_000.0  # no probe answered: the arrival is later by an unknown delay of about this size


class ClockUpdate(msgspec.Struct, frozen=True):
    """What a measurement did to the filter.

    Attributes:
        accepted: it passed the gate, or the filter started anew from it.
        reacquired: the filter started anew; `innovation_ns` is then the step of the clock.
        locked_now: this was the lock.
        innovation_ns: measured minus predicted offset.
        rtt_ns: round trip of the measurement.
        u_ns: standard uncertainty afterwards.
        skew_ppm: how much longer a device second is than nominal, in host time.
    """

    accepted: bool
    reacquired: bool
    locked_now: bool
    innovation_ns: int
    rtt_ns: int
    u_ns: int
    skew_ppm: float


class Knot(msgspec.Struct, frozen=True):
    """One knot for the record: all that a clock row needs besides the epoch.

    Attributes:
        tick, ts: device clock and time, ns since 1970 UTC.
        host_mono_ns: where the filter puts the tick on the host's monotonic clock.
        rtt_ns: floor of the round trip, -1 when no probe was answered.
        residual_ns: time on the line minus time by the filter; what is still to be slewed away.
        u_ns: standard uncertainty with the residual in it.
        skew_ppm: of the filter.
        locked: false when the time rests on the round-trip or arrival bound only.
    """

    tick: int
    ts: int
    host_mono_ns: int
    rtt_ns: int
    residual_ns: int
    u_ns: int
    skew_ppm: float
    locked: bool


class Timebase(msgspec.Struct):
    """Maps device ticks to UTC nanoseconds for one epoch; the whole state is in its fields.

    Time here is host monotonic time plus a fixed offset; a later step of the wall clock moves no sample. A constant
    difference between the two directions of the line cannot be seen by any method: `bound_ns` is its limit, `u_ns`
    the scatter. Arithmetic is integer, or scalar float with + - * / and square root: the same on every machine.
    """

    tick_hz: int
    utc_offset_ns: int
    line: TimeLine
    probes: Probes
    rtt_floor: Floor
    arrival: Floor
    filter: OffsetFilter | None = None
    burst: list[Measurement] = []
    group: list[Measurement] = []
    groups: int = 0
    spread_ns: float = 0.0
    anchored: bool = False
    anchor_tick: int = 0
    anchor_ns: int = 0
    began_ns: int = -1
    group_since_ns: int = 0
    first_tick: int = -1
    newest_tick: int = 0
    next_knot_tick: int = 0
    unlocked_until_tick: int = 0
    settled: bool = False
    ignored: int = 0
    knots_refused: int = 0

    @classmethod
    def start(cls, tick_hz: int, utc_offset_ns: int, previous_ts_ns: int) -> "Timebase":
        """A timebase for a new epoch.

        Args:
            tick_hz: nominal device clock.
            utc_offset_ns: UTC minus host monotonic, fixed per run and host boot.
            previous_ts_ns: last time of the epoch before; no time here is earlier.

        Raises:
            ValueError: `tick_hz` is not positive.
        """
        if tick_hz < 1:
            raise ValueError(f"device clock of {tick_hz} Hz; it must be positive")
        line = TimeLine(tick_hz=tick_hz, floor_ns=previous_ts_ns, knots=[])
        return cls(tick_hz, utc_offset_ns, line, Probes(), Floor(), Floor())

    @property
    def locked(self) -> bool:
        """Whether the filter runs: the burst is over."""
        return self.filter is not None

    @property
    def skew_ppm(self) -> float:
        """How much longer a device second is than nominal, in host time."""
        return self.filter.skew / 1000.0 if self.filter is not None else 0.0

    @property
    def rtt_min_ns(self) -> int | None:
        """Floor of the round trip over the last minutes, None before the first answer."""
        value = self.rtt_floor.value
        return None if value is None else round(value)

    @property
    def bound_ns(self) -> int | None:
        """Half the floor of the round trip: the limit of what the asymmetry of the line can hide."""
        value = self.rtt_floor.value
        return None if value is None else round(value / 2.0)

    @property
    def u_ns(self) -> int:
        """Standard uncertainty of the time of the newest tick: scatter and what is still to be slewed away."""
        return self._u_ns(self.newest_tick)

    def want_probe(self, at_ns: int) -> bool:
        """Whether a probe should be sent now; says yes once for each.

        A burst of 32 at the start, the next as soon as the last is answered or 100 ms old; afterwards one at every call
        that is about 100 ms or more after the last. One under way; after 1 s it is abandoned.
        """
        self._begin(at_ns)
        return self.probes.want(at_ns, burst=self.filter is None)

    def probe_sent(self, probe_id: int, at_ns: int) -> None:
        """The shell handed this probe to the line at this stamp."""
        self._begin(at_ns)
        self.probes.sent(probe_id, at_ns)

    def probed(self, probe_id: int, tick_rx: int, tick_tx: int, at_ns: int) -> ClockUpdate | None:
        """Take the answer to a probe; returns what it did when it completed a measurement.

        Answers with an unknown or abandoned id, or stamps that cannot be, are counted and ignored.
        """
        sent_ns = self.probes.claim(probe_id)
        if sent_ns is None:
            return None
        if at_ns < sent_ns or tick_tx < tick_rx or self._is_far(tick_rx) or self._is_far(tick_tx):
            self.ignored += 1
            return None
        self._anchor(tick_rx, at_ns)
        dev_rx, dev_tx = self._dev_ns(tick_rx), self._dev_ns(tick_tx)
        ahead, delay = offset_and_delay(sent_ns - self.anchor_ns, dev_rx, dev_tx, at_ns - self.anchor_ns)
        seen = Measurement((dev_rx + dev_tx) // 2, -ahead, max(float(delay), 0.0))
        self.rtt_floor.add(seen.rtt_ns, at_ns)
        self.newest_tick = max(self.newest_tick, tick_tx)
        if self.filter is None:
            return self._take_burst(seen, at_ns)
        return self._take_group(self.filter, seen, at_ns)

    def note_block(self, tick: int, at_ns: int) -> None:
        """A block whose first sample is at this tick arrived: its host time is at most `at_ns`.

        Give the first sample: the line begins at the earliest tick noted, so that the first chunk's knots cover it.
        """
        if self.line.started and self.filter is not None and 0 <= tick - self.newest_tick <= self.tick_hz:
            self.newest_tick = tick  # the common case: probes say more than arrivals, and the line has begun
            return
        self._begin(at_ns)
        if not self.anchored:
            self._anchor(tick, at_ns)
        dev_ns = self._dev_ns(tick)
        if abs(dev_ns) >= FAR_NS:
            self.ignored += 1
            return
        if self.first_tick < 0 or (tick < self.first_tick and not self.line.started):
            self.first_tick = tick
        self.newest_tick = max(self.newest_tick, tick)
        self.arrival.add(float(at_ns - self.anchor_ns - dev_ns), at_ns)

    def block(self, tick: int, tick_end: int, at_ns: int) -> Knot | None:
        """A block in series: `note_block` with its first sample, then `knot` at its end."""
        if (
            0 <= tick - self.newest_tick <= self.tick_hz
            and 0 < self.next_knot_tick - tick_end <= self.tick_hz
            and self.line.knots
            and self.filter is not None
        ):
            self.newest_tick = tick  # the common case of both
            return None
        self.note_block(tick, at_ns)
        return self.knot(tick_end, at_ns)

    def knot(self, tick: int, at_ns: int) -> Knot | None:
        """Called with the tick of processed samples; makes a knot about once a second of device time.

        The first one waits for the lock, but not longer than 5 s; without it the time comes from the round-trip bound
        (or the arrival bound) and counts as unlocked.
        """
        if self.line.started and 0 < self.next_knot_tick - tick <= self.tick_hz:
            return None  # the common case: the next knot is less than a second away
        self._begin(at_ns)
        if self._is_far(tick):
            self.ignored += 1
            return None
        if not self.line.started:
            if self.filter is None and at_ns - self.began_ns < WAIT_NS:
                return None
            self._anchor(tick, at_ns)
            self._start_line(tick)
        elif tick < self.next_knot_tick:
            return None
        if len(self.line.knots) >= MAX_KNOTS:
            self.knots_refused += 1
            return None
        self.line.advance(tick)
        self.newest_tick = max(self.newest_tick, tick)
        last_tick, ts = self.line.last
        target = self._target_ns(last_tick)
        self.line.steer(target, self._rate_ns())
        self.next_knot_tick = last_tick + self.tick_hz
        self._judge_lock(last_tick, ts - target)
        rtt = self.rtt_min_ns
        return Knot(
            tick=last_tick,
            ts=ts,
            host_mono_ns=target - self.utc_offset_ns,
            rtt_ns=-1 if rtt is None else rtt,
            residual_ns=ts - target,
            u_ns=self._u_ns(last_tick),
            skew_ppm=self.skew_ppm,
            locked=self.locked,
        )

    def ts_of(self, tick: int) -> int:
        """The time of a tick, ns since 1970 UTC: final up to the newest knot, planned beyond it.

        Before the first knot it is provisional: the best guess so far, for things that cannot wait as samples do.
        """
        if self.line.started:
            return self.line.ts_at(tick)
        if not self.anchored:
            return max(self.line.floor_ns, self.utc_offset_ns + max(self.began_ns, 0))
        return max(self.line.floor_ns, self._target_ns(tick))

    def cut(self, tick_end: int) -> tuple[tuple[int, int], ...]:
        """Force a knot at `tick_end` and hand over the knots since the last cut; empty when no block ever came.

        The last knot returned is the first of the next cut. A line that still waits for its lock begins here.
        """
        if not self.line.started:
            if self.first_tick < 0:
                return ()
            self._start_line(self.first_tick)
        if self._is_far(tick_end):
            self.ignored += 1
            return self.line.take_until(self.line.last[0])
        self.line.split(tick_end)
        self.newest_tick = max(self.newest_tick, tick_end)
        last_tick, ts = self.line.last
        self._judge_lock(last_tick, ts - self._target_ns(last_tick))
        return self.line.take_until(tick_end)

    def _begin(self, at_ns: int) -> None:
        if self.began_ns < 0:
            self.began_ns = at_ns

    def _anchor(self, tick: int, at_ns: int) -> None:
        """Fix the origin of both clocks, so that floats hold small numbers only."""
        if not self.anchored:
            self.anchored = True
            self.anchor_tick, self.anchor_ns = tick, at_ns

    def _is_far(self, tick: int) -> bool:
        return self.anchored and abs(self._dev_ns(tick)) >= FAR_NS

    def _dev_ns(self, tick: int) -> int:
        return (tick - self.anchor_tick) * NS_PER_S // self.tick_hz

    def _take_burst(self, seen: Measurement, at_ns: int) -> ClockUpdate | None:
        """Collect the burst; lock on its shortest round trip."""
        self.burst.append(seen)
        enough = len(self.burst) >= BURST_ENOUGH and at_ns - self.began_ns >= BURST_NS
        if len(self.burst) < BURST and not enough:
            return None
        ranked = sorted(self.burst, key=lambda one: one.rtt_ns)
        best = ranked[0]
        self.spread_ns = ranked[len(ranked) // 4].rtt_ns - best.rtt_ns
        self.filter = OffsetFilter(best.dev_ns, best.offset_ns, self._noise_ns2(best.rtt_ns))
        self.burst = []
        return self._report(seen=best, innovation=0.0, accepted=True, reacquired=False, locked_now=True)

    def _take_group(self, clock: OffsetFilter, seen: Measurement, at_ns: int) -> ClockUpdate | None:
        """Collect a group; update the filter with its shortest round trip."""
        if not self.group:
            self.group_since_ns = at_ns
        self.group.append(seen)
        size = min(FIRST_GROUP + self.groups // GROUPS_PER_STEP, GROUP)
        if len(self.group) < size and at_ns - self.group_since_ns < GROUP_NS:
            return None
        self.groups += 1
        best = min(self.group, key=lambda one: one.rtt_ns)
        self.group = []
        before = clock.reacquired
        accepted, innovation = clock.update(best, self._noise_ns2(best.rtt_ns))
        return self._report(
            seen=best,
            innovation=innovation,
            accepted=accepted,
            reacquired=clock.reacquired > before,
            locked_now=False,
        )

    def _report(
        self, *, seen: Measurement, innovation: float, accepted: bool, reacquired: bool, locked_now: bool
    ) -> ClockUpdate:
        return ClockUpdate(
            accepted=accepted,
            reacquired=reacquired,
            locked_now=locked_now,
            innovation_ns=round(innovation),
            rtt_ns=round(seen.rtt_ns),
            u_ns=self._u_ns(self.newest_tick),
            skew_ppm=self.skew_ppm,
        )

    def _noise_ns2(self, rtt_ns: float) -> float:
        """Variance of a midpoint: base noise, tick width and half of what exceeds the true floor.

        The true floor lies below the shortest round trip seen. With two independent waits the shortest of n lies
        about 2 / sqrt(n) times as far above it as the lower quartile lies above the shortest.
        """
        floor = self.rtt_floor.value
        excess = 0.0 if floor is None else max(rtt_ns - floor, 0.0)
        excess += self.spread_ns * 2.0 / math.sqrt(max(self.probes.answered, 1))
        width = NS_PER_S / self.tick_hz
        return BASE_U_NS * BASE_U_NS + width * width / 12.0 + excess * excess / 4.0

    def _offset_ns(self, dev_ns: int) -> float:
        """Host minus device time: by the filter, the shortest round trip so far, or the earliest arrival."""
        if self.filter is not None:
            return self.filter.offset_at(dev_ns)
        if self.burst:
            return min(self.burst, key=lambda one: one.rtt_ns).offset_ns
        return self.arrival.value or 0.0

    def _target_ns(self, tick: int) -> int:
        dev_ns = self._dev_ns(tick)
        return self.utc_offset_ns + self.anchor_ns + dev_ns + round(self._offset_ns(dev_ns))

    def _rate_ns(self) -> int:
        return NS_PER_S + (round(self.filter.skew) if self.filter is not None else 0)

    def _start_line(self, tick: int) -> None:
        """First knot: at the earliest sample of the epoch, by the slope, but not before the epoch before."""
        first = min(tick, self.first_tick) if self.first_tick >= 0 else tick
        self.line.begin(first, self._target_ns(first), self._rate_ns())

    def _judge_lock(self, tick: int, residual_ns: int) -> None:
        """Samples count as unlocked until the line has met a locked filter within its stated bounds."""
        if self.settled:
            return
        if self.filter is not None:
            scatter_ns = math.sqrt(self.filter.variance_at(self._dev_ns(tick)))
            self.settled = abs(residual_ns) <= 3.0 * scatter_ns + (self.bound_ns or 0)
        if not self.settled or self.unlocked_until_tick:
            self.unlocked_until_tick = max(self.unlocked_until_tick, tick)

    def _u_ns(self, tick: int) -> int:
        dev_ns = self._dev_ns(tick)
        if self.filter is not None:
            variance = self.filter.variance_at(dev_ns)
        elif self.burst:
            half = (self.rtt_floor.value or 0.0) / 2.0
            variance = self._noise_ns2(0.0) + half * half / 3.0
        else:
            variance = ARRIVAL_U_NS * ARRIVAL_U_NS
        residual = 0.0
        if self.line.started and self.anchored:
            residual = float(self.line.ts_at(tick) - self._target_ns(tick))
        return round(math.sqrt(variance + residual * residual))
