"""The quadrature driver against a shaft of which everything is known."""

import ctypes
from dataclasses import dataclass, field

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.device.drivers import Quadrature, QuadratureConfig, QuadratureReading, library

from nightturn_protocol.messages import Input, SampleFlag

TICK_HZ = 1_000_000
SLACK_COUNTS = 2  # nt_quadrature.c: rounding, a count at each end of a step
FAULT = int(SampleFlag.ENCODER_FAULT)


@dataclass
class Shaft:
    """A shaft whose counter goes round in `bits`, and the driver that follows it.

    Attributes:
        true: counts since the beginning, unwrapped.
        start: what the timer held then.
    """

    bits: int = 16
    counts_per_rev: int = 4000
    counts_per_s_max: int = 400_000
    index_tolerance: int = 4
    hold_ticks: int = 0
    start: int = 0
    true: int = 0
    tick: int = 0
    quadrature: Quadrature = field(default_factory=Quadrature)

    def __post_init__(self) -> None:
        self.config = QuadratureConfig(
            TICK_HZ,
            self.counts_per_rev,
            self.counts_per_s_max,
            self.index_tolerance,
            self.hold_ticks,
            self.bits,
        )
        library().nt_quadrature_init(ctypes.byref(self.quadrature), ctypes.byref(self.config))
        self.read()

    @property
    def half(self) -> int:
        """Counts of half the counter."""
        return 1 << (self.bits - 1)

    def shown(self, true: int) -> int:
        """What the timer shows at a true count."""
        return (self.start + true) & ((1 << self.bits) - 1)

    def read(self, index_true: int | None = None) -> int:
        """A reading now; the sample's flags."""
        index = 0 if index_true is None else self.shown(index_true)
        reading = QuadratureReading(self.tick, self.shown(self.true), index, index_true is not None)
        flags: int = library().nt_quadrature_take(ctypes.byref(self.quadrature), ctypes.byref(reading))
        return flags

    def turn(self, counts: int, ticks: int, index_true: int | None = None) -> int:
        """Turn and read; the sample's flags."""
        self.true += counts
        self.tick += ticks
        return self.read(index_true)

    def possible(self, ticks: int) -> int:
        """The most counts that the declared speed allows in so many ticks."""
        return self.counts_per_s_max * ticks // TICK_HZ


bits = st.sampled_from([16, 32])
counters = st.integers(0, (1 << 32) - 1)
speeds = st.one_of(st.integers(1, 50_000_000), st.integers(10_000, 50_000_000))
shares = st.sampled_from([0.0, 0.3, 0.6, 0.8, 0.95, 1.0]) | st.floats(0.0, 1.0)


@given(
    bits=bits,
    start=counters,
    speed=speeds,
    pieces=st.lists(st.tuples(shares, shares, st.booleans()), max_size=30),
)
def test_a_counter_may_wrap_at_any_rate_and_no_count_is_lost(
    bits: int, start: int, speed: int, pieces: list[tuple[float, float, bool]]
) -> None:
    shaft = Shaft(bits, counts_per_s_max=speed, start=start)
    longest = int(shaft.quadrature.lost_ticks) - 1
    for time_share, speed_share, back in pieces:
        ticks = max(1, int(longest * time_share))
        counts = int(shaft.possible(ticks) * speed_share)
        assert shaft.turn(-counts if back else counts, ticks) == 0
        assert shaft.quadrature.counts == shaft.true
    assert shaft.quadrature.too_fast == 0


@pytest.mark.parametrize("start", [0, 1, 0x7FFF, 0x8000, 0xFFFF, 0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FFFF])
@pytest.mark.parametrize("way", [-1, 1])
@pytest.mark.parametrize("bits", [16, 32])
def test_the_longest_step_that_is_not_ambiguous_is_followed(bits: int, way: int, start: int) -> None:
    shaft = Shaft(bits, start=start)
    ticks = int(shaft.quadrature.lost_ticks) - 1
    counts = shaft.possible(ticks)

    assert counts >= shaft.half - 5
    assert [shaft.turn(way * counts, ticks) for _ in range(5)] == [0] * 5
    assert shaft.quadrature.counts == 5 * way * counts


@given(bits=bits, start=counters, data=st.data())
def test_a_step_that_the_shaft_cannot_make_is_a_fault(bits: int, start: int, data: st.DataObject) -> None:
    shaft = Shaft(bits, start=start)
    ticks = data.draw(st.integers(1, min(10_000, int(shaft.quadrature.lost_ticks) - 1)))
    least = shaft.possible(ticks) + SLACK_COUNTS + 1
    most = 2 * shaft.half - least
    step = data.draw(st.sampled_from([least, shaft.half - 1, shaft.half, most]) | st.integers(least, most))

    assert shaft.turn(step, ticks) == FAULT
    assert shaft.quadrature.too_fast == 1


@given(bits=bits, late=st.integers(0, 1 << 40))
def test_a_counter_that_may_have_gone_round_unseen_is_a_fault_even_when_it_stands(
    bits: int, late: int
) -> None:
    shaft = Shaft(bits)

    assert shaft.turn(0, int(shaft.quadrature.lost_ticks) + late) == FAULT


def test_the_declared_speed_just_fits_and_a_little_more_does_not() -> None:
    shaft = Shaft(counts_per_s_max=100_000)
    at_most = shaft.possible(1000) + SLACK_COUNTS

    assert shaft.turn(at_most, 1000) == 0
    assert shaft.turn(-at_most, 1000) == 0
    assert shaft.turn(at_most + 1, 1000) == FAULT


def test_the_direction_is_that_of_the_newest_movement() -> None:
    shaft = Shaft()
    directions = []
    for step in (0, 5, 0, -5, 0):
        shaft.turn(step, 1000)
        directions.append(shaft.quadrature.direction)

    assert directions == [0, 1, 1, -1, -1]


def test_no_index_has_been_seen_until_one_is_met() -> None:
    shaft = Shaft()
    word = [library().nt_quadrature_inputs(ctypes.byref(shaft.quadrature))]
    shaft.turn(50, 1000)
    shaft.turn(50, 1000, index_true=70)
    word.append(library().nt_quadrature_inputs(ctypes.byref(shaft.quadrature)))

    assert word == [0, int(Input.INDEX_SEEN)]
    assert shaft.quadrature.index_at == 70


@given(start=counters, bits=bits, turns=st.lists(st.sampled_from([-1, 1]), max_size=12), data=st.data())
def test_whole_turns_between_indices_are_good_both_ways_and_across_wraps(
    start: int, bits: int, turns: list[int], data: st.DataObject
) -> None:
    shaft = Shaft(bits, start=start)
    shaft.turn(100, 1000, index_true=60)
    for turn in turns:
        for _ in range(9):
            assert shaft.turn(turn * 400, 1000) == 0
        width = data.draw(st.integers(-shaft.index_tolerance, shaft.index_tolerance))
        near = round((shaft.true + turn * 400 - 60) / 4000) * 4000 + 60 + width
        assert shaft.turn(turn * 400, 1000, index_true=near) == 0
    assert shaft.quadrature.slips == 0
    assert shaft.quadrature.referenced


@given(lost=st.integers(-1995, 1995).filter(lambda counts: abs(counts) > 4))
def test_a_turn_that_is_not_whole_is_a_fault(lost: int) -> None:
    shaft = Shaft()
    shaft.turn(0, 1000, index_true=0)
    for _ in range(9):
        shaft.turn(400, 1000)
    shaft.start -= lost  # the counter missed some: all that comes shows fewer
    flags = shaft.turn(400 if abs(lost) < 400 else 400 + lost, 10_000, index_true=4000)

    assert flags == FAULT
    assert shaft.quadrature.slips == 1
    assert shaft.quadrature.referenced


def test_a_count_lost_every_turn_adds_up_to_a_fault() -> None:
    shaft = Shaft()
    shaft.turn(0, 1000, index_true=0)
    flags = []
    for turn in range(1, 7):
        for _ in range(9):
            shaft.turn(400, 1000)
        shaft.start -= 1
        flags.append(shaft.turn(400, 1000, index_true=4000 * turn))

    assert flags == [
        0,
        0,
        0,
        0,
        FAULT,
        0,
    ]  # tolerance 4: the fifth is one too many; then compared with that one
    assert shaft.quadrature.slips == 1


def test_a_fault_lasts_long_enough_for_a_trip_and_then_ends() -> None:
    shaft = Shaft(hold_ticks=10_000)
    flags = [shaft.turn(20_000, 1000)]
    flags += [shaft.turn(0, 1000) for _ in range(12)]

    assert flags == [FAULT] * 10 + [0] * 3


def test_lost_counts_untie_the_position_from_the_index_until_the_next_one() -> None:
    shaft = Shaft()
    shaft.turn(0, 1000, index_true=0)
    shaft.turn(20_000, 1000, index_true=19_000)  # behind a lost count the way from the index is unknown too
    untied = library().nt_quadrature_inputs(ctypes.byref(shaft.quadrature))
    shaft.turn(300, 1000, index_true=20_100)

    assert untied == 0
    assert library().nt_quadrature_inputs(ctypes.byref(shaft.quadrature)) == int(Input.INDEX_SEEN)
    assert shaft.quadrature.slips == 0


def test_a_receiver_that_says_nobody_drives_its_lines_is_a_fault_for_as_long_as_it_says_so() -> None:
    shaft = Shaft()
    shaft.turn(0, 1000, index_true=0)
    flags = []
    for blind in (False, True, True, False):
        shaft.tick += 1000
        reading = QuadratureReading(shaft.tick, shaft.shown(shaft.true), 0, False, blind)
        flags.append(library().nt_quadrature_take(ctypes.byref(shaft.quadrature), ctypes.byref(reading)))

    assert flags == [0, FAULT, FAULT, 0]
    assert library().nt_quadrature_inputs(ctypes.byref(shaft.quadrature)) == 0  # until an index is met again
    assert shaft.quadrature.counts == shaft.true


@given(bits=bits, speed=speeds, rate=st.integers(1, 50_000))
def test_a_rate_is_good_when_no_sample_period_can_lose_a_count(bits: int, speed: int, rate: int) -> None:
    config = QuadratureConfig(TICK_HZ, 4000, speed, 4, 0, bits)
    most = (1 << (bits - 1)) - 1 - SLACK_COUNTS

    assert library().nt_quadrature_follows(ctypes.byref(config), rate) == (speed // rate < most)


def test_a_table_that_makes_no_sense_follows_nothing() -> None:
    good = (TICK_HZ, 4000, 400_000, 4, 0, 16)
    bad = [
        (0, *good[1:]),
        (TICK_HZ, 0, *good[2:]),
        (*good[:2], 0, *good[3:]),
        (*good[:3], 2000, 0, 16),
        (*good[:5], 24),
    ]

    follows = library().nt_quadrature_follows
    assert follows(ctypes.byref(QuadratureConfig(*good)), 1000)
    assert not follows(ctypes.byref(QuadratureConfig(*good)), 0)
    assert not any(follows(ctypes.byref(QuadratureConfig(*each)), 1000) for each in bad)
