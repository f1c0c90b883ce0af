"""A device clock that warms up and wanders, behind a line with jitter: the truth that the timebase is held against."""

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from nightturn.timebase.clock import ClockUpdate, Knot, Timebase

NS = 1_000_000_000
UTC_OFFSET_NS = 1_700_000_000 * NS
STEP_S = 0.1  # blocks and the caller's tick


def wandering_clock(seconds: float, rng: np.random.Generator) -> Callable[[float], float]:
    """Device seconds as a function of host seconds.

    20 ppm, 6 ppm of warm-up (20 min), 2 ppm of a thermal cycle (40 min), a random walk of 1.5e-9 per sqrt(s).
    """
    grid = np.arange(0.0, seconds + 30.0, 1.0)
    walk = np.cumsum(rng.standard_normal(grid.size)) * 1.5e-9
    skew = 20e-6 + 6e-6 * np.exp(-grid / 1200.0) + 2e-6 * np.sin(2.0 * math.pi * grid / 2400.0) + walk
    phase: list[float] = [0.0, *np.cumsum((skew[1:] + skew[:-1]) / 2.0).tolist()]

    def device_s(host_s: float) -> float:
        whole = min(max(int(host_s), 0), len(phase) - 2)
        return host_s + phase[whole] + (phase[whole + 1] - phase[whole]) * (host_s - whole)

    return device_s


@dataclass
class SimulatedLine:
    """Round trips with stack delay, polling and 1 % outliers of 2-15 ms each way, in host seconds.

    `up_poll_s` and `down_poll_s` are the widths of the two polling waits; `extra_up_s` adds one-way congestion.
    """

    rng: np.random.Generator
    device_s: Callable[[float], float]
    tick_hz: int = 1_000_000
    up_poll_s: float = 1e-3
    down_poll_s: float = 0.3e-3
    base_s: float = 60e-6
    outliers: float = 0.01
    extra_up_s: Callable[[float], float] = field(default=lambda _host_s: 0.0)

    def tick(self, host_s: float) -> int:
        return math.floor(self.device_s(host_s) * self.tick_hz)

    def leg_s(self, poll_s: float) -> float:
        delay = self.base_s + self.rng.exponential(25e-6) + self.rng.uniform(0.0, poll_s)
        return float(delay + (self.rng.uniform(2e-3, 15e-3) if self.rng.random() < self.outliers else 0.0))

    def exchange(self, sent_s: float) -> tuple[int, int, float]:
        """(tick_rx, tick_tx, host seconds of the answer's arrival)."""
        rx_s = sent_s + self.leg_s(self.down_poll_s)
        tx_s = rx_s + 20e-6
        return self.tick(rx_s), self.tick(tx_s), tx_s + self.leg_s(self.up_poll_s) + self.extra_up_s(tx_s)


@dataclass
class Session:
    """Drives a timebase over a simulated line; host seconds start at zero."""

    line: SimulatedLine
    timebase: Timebase
    probe_every: int = 1  # of STEP_S
    now_s: float = 0.0
    steps: int = 0
    next_id: int = 1
    updates: list[ClockUpdate] = field(default_factory=list)
    knots: list[Knot] = field(default_factory=list)
    errors_ns: list[tuple[float, float]] = field(default_factory=list)  # (host seconds, error of the time)
    u_ns: list[float] = field(default_factory=list)

    def step(self) -> None:
        """One tenth of a second: probes, then a block whose samples end here."""
        at_s = self.steps * STEP_S + float(self.line.rng.uniform(0.0, 0.02))
        if self.steps % self.probe_every == 0:
            while self.timebase.want_probe(ns(at_s)):
                at_s = self.probe(at_s)
        self.steps += 1
        self.now_s = self.steps * STEP_S
        arrival_s = (
            max(self.now_s, at_s) + self.line.leg_s(self.line.up_poll_s) + self.line.extra_up_s(self.now_s)
        )
        first, middle, last = (self.line.tick(self.now_s - back) for back in (STEP_S, STEP_S / 2, 0.0))
        self.timebase.note_block(first, ns(arrival_s))
        knot = self.timebase.knot(last, ns(arrival_s))
        if knot is not None:
            self.knots.append(knot)
        if self.knots:
            error = self.timebase.ts_of(middle) - UTC_OFFSET_NS - (self.now_s - STEP_S / 2) * 1e9
            self.errors_ns.append((self.now_s, error))
            self.u_ns.append(self.timebase.u_ns)

    def probe(self, at_s: float) -> float:
        """One probe and its answer; returns when the answer came."""
        sent_s = at_s + 50e-6
        self.timebase.probe_sent(self.next_id, ns(sent_s))
        rx, tx, answer_s = self.line.exchange(sent_s)
        update = self.timebase.probed(self.next_id, rx, tx, ns(answer_s))
        self.next_id += 1
        if update is not None:
            self.updates.append(update)
        return answer_s

    def run_until(self, host_s: float) -> None:
        while self.now_s < host_s:
            self.step()

    def errors_between(self, start_s: float, stop_s: float) -> np.ndarray:
        return np.array([error for at_s, error in self.errors_ns if start_s < at_s <= stop_s])


def ns(host_s: float) -> int:
    return round(host_s * 1e9)


def session(seed: int, seconds: float, *, probe_every: int = 1, up_poll_s: float = 1e-3) -> Session:
    rng = np.random.default_rng(seed)
    line = SimulatedLine(rng, wandering_clock(seconds, rng), up_poll_s=up_poll_s)
    if up_poll_s < 0.3e-3:
        line.down_poll_s = up_poll_s
    return Session(line, Timebase.start(line.tick_hz, UTC_OFFSET_NS, 0), probe_every=probe_every)
