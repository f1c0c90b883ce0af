"""The converter driver against simulated registers and pins, for any table that describes a part."""

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from tests.device.simulated_part import COUNTS_MAX, COUNTS_MIN, QUEUE, READ, RESET, START, STOP, Bench, Table

RUNNING, FAILED = 4, 5  # enum nt_adc_state
READ_BACK = 0x01  # NT_ADC_FAULT_READ_BACK
STARTS_MAX = 5

counts = st.integers(COUNTS_MIN, COUNTS_MAX)


@st.composite
def tables(draw: st.DrawFn) -> Table:
    """Any part: the usual traits in any combination."""
    registers = []
    for address in draw(st.lists(st.integers(1, 15), min_size=1, max_size=5, unique=True)):
        count = draw(st.integers(1, 3))
        value, mask = (draw(st.integers(0, (1 << 8 * count) - 1)) for _ in range(2))
        registers.append((address, count, value, mask | 0x0F))
    has_start = draw(st.booleans())
    return Table(
        registers=tuple(registers),
        rate_register=draw(st.integers(0, len(registers) - 1)),
        burnout_register=draw(st.integers(0, len(registers) - 1)),
        address_shift=draw(st.integers(0, 2)),
        counted=draw(st.booleans()),
        has_start=has_start,
        has_stop=has_start,  # what cannot be stopped needs no start
        has_read=draw(st.booleans()),
        has_reset=draw(st.booleans()),
        offset_binary=draw(st.booleans()),
        status_bytes=draw(st.integers(0, 1)),
        settle=draw(st.integers(0, 6)),
    )


@given(table=tables(), reset_pin=st.booleans(), rate=st.sampled_from([1000, 4000]))
def test_every_register_is_written_as_the_table_says_and_read_back(
    table: Table, reset_pin: bool, rate: int
) -> None:
    bench = Bench(table, reset_pin=reset_pin)
    resets = bench.part.resets
    bench.start(rate)

    own_bits = dict(table.rates)[rate]
    for n, (address, _, value, _) in enumerate(table.registers):
        expected = (value & ~0x0F) | own_bits if n == table.rate_register else value
        assert bench.part.registers[address] == expected
    assert bench.adc.state == RUNNING
    assert bench.adc.faults == 0
    assert bench.part.resets - resets == int(reset_pin) + int(table.has_reset)
    assert bench.part.converting


@given(table=tables(), data=st.data())
def test_a_bit_that_does_not_read_back_is_found_named_and_given_up(table: Table, data: st.DataObject) -> None:
    bench = Bench(table)
    n = data.draw(st.integers(0, len(table.registers) - 1))
    address, size, value, compare = table.registers[n]
    wanted = (value & ~0x0F) | 3 if n == table.rate_register else value
    wrong = [bit for bit in range(8 * size) if not wanted >> bit & 1 and compare >> bit & 1]
    assume(wrong)  # every bit that is compared may have to be 1, and the simulated fault sets bits
    bench.part.stuck_bits[address] = 1 << data.draw(st.sampled_from(wrong))
    bench.start()
    for _ in range(STARTS_MAX):
        bench.tick += 1000
        bench.poll()

    mismatch = bench.adc.mismatch
    assert (mismatch.address, mismatch.wanted) == (address, wanted)
    assert mismatch.seen == wanted | bench.part.stuck_bits[address]
    assert (bench.adc.state, bench.adc.faults, bench.adc.restarts) == (FAILED, READ_BACK, STARTS_MAX - 1)
    assert bench.blind
    assert not bench.unmasked
    assert bench.run(5) == []


@given(table=tables(), data=st.data())
def test_a_bit_that_is_not_compared_may_read_as_it_likes(table: Table, data: st.DataObject) -> None:
    bench = Bench(table)
    for address, size, _, compare in table.registers:
        bench.part.stuck_bits[address] = data.draw(st.integers(0, (1 << 8 * size) - 1)) & ~compare
    bench.start()

    assert (bench.adc.state, bench.adc.faults) == (RUNNING, 0)


@given(table=tables(), codes=st.lists(counts, max_size=40))
def test_codes_come_out_as_they_went_in_once_the_filter_has_settled(table: Table, codes: list[int]) -> None:
    bench = Bench(table)
    bench.start()
    bench.drawn.extend([7] * table.settle + codes)
    found = bench.run(table.settle + len(codes))

    assert [each.torque for each in found] == codes


@pytest.mark.parametrize(
    ("code", "counts_read"),
    [("000000", 0), ("7fffff", COUNTS_MAX), ("800000", COUNTS_MIN), ("ffffff", -1), ("000001", 1)],
)
def test_24_bits_are_twos_complement(code: str, counts_read: int) -> None:
    bench = Bench(Table(settle=0))
    bench.start()
    bench.part.bridge = int(code, 16)
    (found,) = bench.turn()

    assert found.torque == counts_read


def test_everything_is_latched_before_the_bus_is_touched() -> None:
    bench = Bench(Table(settle=0))
    bench.start()
    before = len(bench.part.transfers)
    seen = []
    transfer = bench.part.transfer

    def late(out: bytes) -> bytes:
        seen.append((bench.tick, len(bench.part.transfers)))
        bench.tick, bench.count, bench.pins = bench.tick + 9, 9999, 0  # the shaft turns on meanwhile
        return transfer(out)

    bench.part.transfer = late  # type: ignore[method-assign]  # a slow bus
    bench.count, bench.index_count, bench.pins = 321, 300, 0x0103
    bench.tick += 1000
    bench.part.convert()
    at = bench.tick
    bench.interrupt()
    (found,) = bench.take_all()

    latch = found.latch
    assert (latch.tick, latch.count, latch.index_count, latch.index, latch.pins) == (
        at,
        321,
        300,
        True,
        0x0103,
    )
    assert seen == [(at, before)]


@given(waiting=st.integers(0, 3 * QUEUE))
def test_a_loop_that_comes_late_loses_the_newest_and_counts_them(waiting: int) -> None:
    bench = Bench(Table(settle=0))
    bench.start()
    bench.drawn.extend(range(waiting))
    for _ in range(waiting):
        bench.convert()
    found = bench.take_all()

    assert [each.torque for each in found] == list(range(min(waiting, QUEUE)))
    assert bench.adc.overrun == max(0, waiting - QUEUE)


@given(pieces=st.lists(st.integers(0, QUEUE), max_size=8), laps=st.integers(0, 2100))
def test_the_queue_gives_back_in_order_what_went_in_however_often_it_went_round(
    pieces: list[int], laps: int
) -> None:
    bench = Bench(Table(settle=0))
    bench.start()
    bench.adc.put = bench.adc.taken = (laps * QUEUE + 65_530) % 65_536  # its counters wrap at 16 bits
    expected = iter(range(sum(pieces)))
    bench.drawn.extend(range(sum(pieces)))
    for piece in pieces:
        for _ in range(piece):
            bench.convert()
        assert [each.torque for each in bench.take_all()] == [next(expected) for _ in range(piece)]


def test_an_edge_without_data_is_a_glitch_and_no_sample() -> None:
    bench = Bench(Table(settle=0))
    bench.start()
    transfers = len(bench.part.transfers)
    bench.interrupt()

    assert bench.take() is None
    assert bench.adc.glitches == 1
    assert len(bench.part.transfers) == transfers


def test_a_rate_that_the_table_lacks_is_refused_and_changes_nothing() -> None:
    bench = Bench(Table())
    bench.start()
    transfers = len(bench.part.transfers)

    assert not bench.begin(1234)
    assert bench.adc.state == RUNNING
    assert bench.adc.rate_hz == 1000
    assert len(bench.part.transfers) == transfers


def test_another_rate_begins_anew_and_forgets_what_waited() -> None:
    bench = Bench(Table())
    bench.start()
    bench.run(10)
    bench.convert()
    bench.start(4000)

    assert bench.part.rate_hz == 4000
    assert len(bench.run(10)) == 10 - bench.table.settle


def test_commands_come_in_an_order_that_any_part_accepts() -> None:
    bench = Bench(Table(burnout=True))
    bench.start()
    bench.run(10)
    commands = [out for out in bench.part.transfers if out in {RESET, STOP, START}]

    assert commands == [STOP, RESET, STOP, START, STOP, START]
    assert READ not in bench.part.transfers  # data are read in one transfer with their command
