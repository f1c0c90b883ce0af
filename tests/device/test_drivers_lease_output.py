"""The lease output: off by itself, alive only while the loop is, and off for good when the pin does not obey.

It is not a safety function, and nothing here says that it is.
"""

import ctypes
from dataclasses import dataclass, field

from hypothesis import given
from hypothesis import strategies as st
from tests.device.drivers import ASK, WRITE, LeaseOutput, LeaseOutputAccess, LeaseOutputConfig, library

HALF, SETTLE = 2000, 100


@dataclass
class Line:
    """A pin, what holds it, and the driver.

    Attributes:
        stuck: the level the pin has whatever is written.
        writes: every level written, with its tick.
    """

    half: int = HALF
    reads: bool = True
    stuck: bool | None = None
    tick: int = 0
    pin: bool = True
    writes: list[tuple[int, bool]] = field(default_factory=list)
    output: LeaseOutput = field(default_factory=LeaseOutput)

    def __post_init__(self) -> None:
        self.config = LeaseOutputConfig(self.half, SETTLE)
        self._calls = (WRITE(self._write), ASK(self._read) if self.reads else ASK())
        self.access = LeaseOutputAccess(None, *self._calls)
        places = (ctypes.byref(each) for each in (self.output, self.config, self.access))
        library().nt_lease_output_init(*places, self.tick)

    def _write(self, _context: object, high: bool) -> None:
        self.pin = high
        self.writes.append((self.tick, high))

    def _read(self, _context: object) -> bool:
        return self.pin if self.stuck is None else self.stuck

    def set(self, live: bool) -> None:
        library().nt_lease_output_set(ctypes.byref(self.output), live, self.tick)

    def poll(self, ticks: int = 0) -> bool:
        """A turn of the loop, so much later; whether the pin obeys."""
        self.tick += ticks
        obeys: bool = library().nt_lease_output_poll(ctypes.byref(self.output), self.tick)
        return obeys


def test_a_line_is_low_from_the_first_moment() -> None:
    line = Line()

    assert line.writes == [(0, False)]
    assert line.poll(10 * HALF)
    assert not line.pin


def test_a_level_follows_the_lease() -> None:
    line = Line(half=0)
    pins = []
    for live in (True, True, False, True, False):
        line.set(live)
        pins.append((line.poll(SETTLE), line.pin))

    assert pins == [(True, live) for live in (True, True, False, True, False)]


def test_a_square_wave_has_an_edge_every_half_period_that_the_loop_comes_by() -> None:
    line = Line()
    line.set(True)
    pins = []
    for _ in range(8):
        line.poll(HALF)
        pins.append(line.pin)

    assert pins == [False, True] * 4
    assert line.output.late_edges == 0


def test_a_square_wave_stands_still_when_the_loop_does() -> None:
    line = Line()
    line.set(True)
    line.poll(HALF)
    before = len(line.writes)
    line.tick += 1000 * HALF

    assert len(line.writes) == before
    assert line.poll()
    assert line.output.late_edges == 1


@given(
    live=st.lists(st.booleans(), max_size=40), half=st.sampled_from([0, HALF]), step=st.integers(1, 3 * HALF)
)
def test_without_a_lease_the_line_is_low_and_stays_low(live: list[bool], half: int, step: int) -> None:
    line = Line(half=half)
    for each in live:
        line.set(each)
        edges = line.output.edges
        line.poll(step)
        assert each or not line.pin
        assert each or line.output.edges == edges


@given(stuck=st.booleans(), half=st.sampled_from([0, HALF]))
def test_a_pin_that_does_not_obey_is_found_and_the_line_stays_off(stuck: bool, half: int) -> None:
    line = Line(half=half, stuck=stuck)
    line.poll(SETTLE)
    line.set(True)
    obeys = [line.poll(HALF // 4) for _ in range(40)]

    assert not obeys[-1]
    assert not line.pin  # what was written
    assert line.output.mismatches == 1
    line.set(True)
    assert not line.poll(HALF)
    assert not line.pin


def test_an_edge_has_time_to_settle_before_it_is_judged() -> None:
    line = Line(stuck=False)
    line.set(True)

    assert [line.poll(SETTLE - 1), line.poll(1)] == [True, False]


def test_a_pin_that_reads_low_again_without_a_lease_may_serve_the_next_one() -> None:
    line = Line(half=0, stuck=False)
    line.set(True)
    line.poll(SETTLE)
    line.stuck = None
    still = [line.poll(SETTLE), line.poll(SETTLE)]  # the old lease is no reason to try again
    line.set(False)
    rested = line.poll(SETTLE)
    line.set(True)

    assert still == [False, False]
    assert rested
    assert line.poll(SETTLE)
    assert line.pin


def test_a_pin_that_has_not_settled_is_not_yet_one_that_reads_low() -> None:
    line = Line(half=0, stuck=False)
    line.set(True)
    line.poll(SETTLE)  # found, and written low at this moment
    line.set(False)

    assert [line.poll(SETTLE - 1), line.poll(1)] == [False, True]


def test_a_pin_stuck_high_is_found_before_there_ever_was_a_lease() -> None:
    line = Line(stuck=True)

    assert not line.poll(SETTLE)
    line.set(True)
    assert not line.poll(SETTLE)
    assert line.writes[-1][1] is False


def test_a_board_that_cannot_read_its_pin_follows_all_the_same() -> None:
    line = Line(half=0, reads=False)
    line.set(True)

    assert line.poll(SETTLE)
    assert line.pin
