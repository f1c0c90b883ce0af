"""Events in any order at a timebase, and the promises about time that must hold after each of them."""

from itertools import pairwise

import msgspec
from hypothesis import strategies as st
from tests.timebase.simulated_line import UTC_OFFSET_NS

from nightturn.timebase.clock import Timebase

EVENTS = st.lists(
    st.one_of(
        st.tuples(st.just("pass"), st.integers(1, 3_000)),  # ms of host time
        st.tuples(st.just("probe"), st.integers(0, 60_000)),  # us of round trip
        st.tuples(st.just("stray"), st.integers(0, 50)),
        st.tuples(st.just("block"), st.integers(0, 300_000)),  # us of lateness
        st.tuples(st.just("jump"), st.integers(0, 2_000_000)),  # ticks that the device clock leaps ahead
        st.tuples(st.just("cut"), st.just(0)),
        st.tuples(st.just("restore"), st.just(0)),
    ),
    max_size=80,
)


class Adversary:
    """Feeds a timebase whatever the events say and holds each time against the one before."""

    def __init__(self, previous_ts_ns: int) -> None:
        self.timebase = Timebase.start(1_000_000, UTC_OFFSET_NS, previous_ts_ns)
        self.host_us = 0
        self.lead = 0
        self.probe_id = 0
        self.newest = (-1, previous_ts_ns)
        self.last_cut: tuple[int, int] | None = None

    def play(self, kind: str, value: int) -> None:
        host_ns, tick = self.host_us * 1_000, self.host_us + self.lead
        if kind == "pass":
            self.host_us += value * 1_000
        elif kind == "jump":
            self.lead += value
        elif kind == "probe" and self.timebase.want_probe(host_ns):
            self.probe_id += 1
            self.timebase.probe_sent(self.probe_id, host_ns)
            self.timebase.probed(
                self.probe_id, tick + value // 3, tick + value // 3 + 10, host_ns + value * 1_000
            )
        elif kind == "stray":
            self.timebase.probed(value, tick, tick, host_ns)
        elif kind == "block":
            self.timebase.note_block(tick, host_ns + value * 1_000)
            self.timebase.knot(tick, host_ns + value * 1_000)
        elif kind == "restore":
            self.timebase = msgspec.msgpack.decode(msgspec.msgpack.encode(self.timebase), type=Timebase)
        elif kind == "cut":
            self.check_cut(self.timebase.cut(tick))

    def check_cut(self, chunk: tuple[tuple[int, int], ...]) -> None:
        if chunk:
            assert self.last_cut in {None, chunk[0]}
            assert all(one[0] < two[0] and one[1] <= two[1] for one, two in pairwise(chunk))
            self.last_cut = chunk[-1]

    def check_time(self) -> None:
        tick = self.host_us + self.lead
        if self.timebase.line.started and tick > self.newest[0]:
            ts = self.timebase.ts_of(tick)
            assert ts >= self.newest[1]
            self.newest = (tick, ts)
