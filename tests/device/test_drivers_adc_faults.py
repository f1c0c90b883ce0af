"""The converter driver when things go wrong: silence, missed edges, an open bridge, a latch that comes late."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.device.simulated_part import COUNTS_MAX, COUNTS_MIN, QUEUE, Bench, Table

from nightturn_protocol.messages import SampleFlag

FAILED = 5
SILENT, READY_STUCK, BRIDGE_OPEN = 0x02, 0x04, 0x08  # NT_ADC_FAULT_ of nt_adc.h
STARTS_MAX = 5
BRIDGE_FAULT, TICK_UNCERTAIN = int(SampleFlag.BRIDGE_FAULT), int(SampleFlag.TICK_UNCERTAIN)


# ---- silence ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("when", [0, 10])
def test_a_converter_that_falls_silent_is_started_again_a_few_times_and_then_given_up(when: int) -> None:
    bench = Bench(Table())
    bench.start()
    bench.run(when)
    bench.part.connected = False
    bench.part.ready = False
    resets = bench.adc.restarts
    for _ in range(STARTS_MAX * 3 * bench.table.silent):
        bench.tick += 1000
        bench.poll()

    assert bench.adc.state == FAILED
    assert bench.adc.faults & SILENT
    assert bench.blind
    assert bench.adc.restarts - resets == STARTS_MAX - 1
    bench.begin(1000)
    assert not bench.blind  # asked to begin anew, it has its chances again


def test_silence_is_noticed_after_the_declared_periods_and_not_before() -> None:
    bench = Bench(Table(silent=6))
    bench.start()
    bench.run(10)
    blind = []
    for _ in range(6):
        bench.tick += 1000
        bench.poll()
        blind.append(bench.blind)

    assert blind == [False] * 5 + [True]


def test_a_converter_that_comes_back_is_no_longer_blind_from_its_first_good_conversion_on() -> None:
    bench = Bench(Table(settle=3))
    bench.start()
    bench.run(10)
    bench.part.converting = False
    for _ in range(bench.table.silent):
        bench.tick += 1000
        bench.poll()
    assert bench.blind
    bench.tick += 1000
    bench.poll()
    blind = []
    for _ in range(5):
        bench.turn()
        blind.append(bench.blind)

    assert blind == [True, True, True, False, False]
    assert (bench.adc.restarts, bench.adc.starts) == (1, 0)


def test_a_data_ready_line_that_is_stuck_is_told_from_a_silent_one() -> None:
    bench = Bench(Table())
    bench.start()
    bench.run(10)
    bench.part.ready_stuck = bench.part.ready = True  # active for ever: no edge comes
    for _ in range(bench.table.silent):
        bench.tick += 1000
        bench.poll()

    assert bench.adc.faults == READY_STUCK
    assert bench.blind
    assert bench.adc.missed_edges == 0  # nothing that was read has made the line let go


def test_a_full_queue_is_no_silence() -> None:
    bench = Bench(Table(settle=0))
    bench.start()
    for _ in range(2 * QUEUE):
        bench.convert()
    bench.take_all()
    bench.poll()
    found = bench.run(3)

    assert (bench.adc.restarts, bench.adc.faults, bench.adc.overrun) == (0, 0, QUEUE)
    assert [each.flags for each in found] == [0, 0, 0]


def test_an_edge_that_came_while_the_interrupt_was_masked_does_not_stop_the_stream() -> None:
    bench = Bench(Table())
    bench.start()
    bench.run(10)
    bench.unmasked = False
    bench.convert()  # the line stays active until somebody reads
    bench.unmasked = True
    found = bench.run(6)

    assert bench.masked_edges == 1
    assert bench.adc.missed_edges == 1
    assert len(found) == 5  # of seven two are gone; the hole shows in the sample numbers
    assert (bench.adc.restarts, bench.adc.faults) == (0, 0)


def test_data_that_were_ready_before_the_interrupt_is_let_through_are_read_and_dropped() -> None:
    bench = Bench(Table(has_start=False, has_stop=False, settle=0))  # converts all the time
    bench.begin(1000)
    bench.convert()
    bench.poll()  # up: the line has been active since, and its edge does not come again
    found = bench.run(3)

    assert len(found) == 3
    assert bench.adc.missed_edges == 0


# ---- the bridge ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("is_open", [False, True])
def test_burn_out_currents_tell_an_open_bridge_at_the_start(is_open: bool) -> None:
    table = Table(burnout=True, settle=2)
    bench = Bench(table)
    bench.part.bridge_open = is_open
    bench.start()
    on_while_checking = bench.part.burnout_on
    found = bench.run(12)

    assert on_while_checking
    assert not bench.part.burnout_on
    # Both settle; one is the answer, and one passes until the loop has switched the currents off.
    assert len(found) == 12 - 2 * table.settle - 2
    assert {each.torque for each in found} == {1000}
    assert {each.flags for each in found} == {BRIDGE_FAULT if is_open else 0}
    assert bench.adc.faults == (BRIDGE_OPEN if is_open else 0)


def test_a_bridge_mended_between_two_starts_is_believed_again() -> None:
    bench = Bench(Table(burnout=True))
    bench.part.bridge_open = True
    bench.start()
    bench.run(20)
    bench.part.bridge_open = False
    bench.start()
    bench.run(20)

    assert bench.adc.faults == 0


@given(rail=st.sampled_from([COUNTS_MAX, COUNTS_MIN]), lengths=st.lists(st.integers(1, 12), max_size=10))
def test_the_rail_means_an_open_bridge_only_when_it_lasts(rail: int, lengths: list[int]) -> None:
    table = Table(settle=0, open_conversions=5)
    bench = Bench(table)
    bench.start()
    codes = [code for n, length in enumerate(lengths) for code in [(rail, 12)[n % 2]] * length]
    bench.drawn.extend(codes)
    flags = [each.flags for each in bench.run(len(codes))]

    in_a_row = 0
    for code, flag in zip(codes, flags, strict=True):
        in_a_row = in_a_row + 1 if code == rail else 0
        assert flag == (BRIDGE_FAULT if in_a_row >= table.open_conversions else 0)


def test_the_rail_says_nothing_where_the_table_says_so() -> None:
    bench = Bench(Table(settle=0, open_conversions=0))
    bench.start()
    bench.part.bridge = COUNTS_MAX

    assert {each.flags for each in bench.run(100)} == {0}


def test_data_that_the_part_itself_does_not_believe_are_flagged() -> None:
    bench = Bench(Table(settle=0))
    bench.start()
    flags = []
    for status in (0x00, 0x01, 0x02, 0x04, 0x00):
        bench.part.status = status
        flags += [each.flags for each in bench.turn()]

    assert flags == [0, 0, BRIDGE_FAULT, BRIDGE_FAULT, 0]


# ---- time ---------------------------------------------------------------------------------------------------------


@given(late=st.sampled_from([-6, -5, -1, 0, 5, 6]) | st.integers(-499, 499), missing=st.integers(0, 5))
def test_a_latch_off_its_time_is_uncertain_and_missing_periods_are_not(late: int, missing: int) -> None:
    bench = Bench(Table(settle=0, jitter_ticks=5))
    bench.start()
    bench.run(5)
    (found,) = bench.turn(1000 * (1 + missing) + late)

    assert found.flags == (TICK_UNCERTAIN if abs(late) > 5 else 0)


def test_the_first_latch_of_a_start_has_nothing_to_be_judged_by() -> None:
    bench = Bench(Table(settle=0))
    bench.start()
    (found,) = bench.turn(1377)

    assert found.flags == 0
    assert found.latch.tick == bench.tick
