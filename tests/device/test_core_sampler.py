"""Samples and blocks of the C core: numbers, gaps, forms, cuts; PROTOCOL.md section 4."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.device.device import MS, SAFE_INPUTS, SET_RATE, Device, setup
from tests.device.library import core

from nightturn_protocol import messages as wire
from nightturn_protocol.messages import EncoderForm, Input, Reason, SampleFlag
from nightturn_protocol.pattern import pattern_encoder, pattern_torque

Sample = tuple[int, int]
I64 = 1 << 63


def decoded(block: wire.Block) -> list[Sample]:
    """Torque and encoder of each sample, the slow and plain way."""
    count, data = block.count, block.samples
    width = 2 if block.encoder_form == EncoderForm.DELTA16 else 4
    assert len(data) == count * (3 + width)
    torque = [int.from_bytes(data[3 * n : 3 * n + 3], "little", signed=True) for n in range(count)]
    tail = data[3 * count :]
    numbers = [int.from_bytes(tail[width * n : width * (n + 1)], "little", signed=True) for n in range(count)]
    assert numbers[0] == 0
    encoder = []
    value = block.encoder_base
    for number in numbers:
        value = value + number if width == 2 else block.encoder_base + number
        encoder.append((value + I64) % (2 * I64) - I64)
    return list(zip(torque, encoder, strict=True))


def running(rate_hz: int = 1000, samples: int = 10, **more: int) -> Device:
    device = Device()
    device.open()
    device.sample(after=0)
    device.stream(rate_hz, samples, status_ms=10_000, **more)
    device.drain()
    return device


def test_blocks_hold_every_sample_with_number_tick_and_inputs() -> None:
    device = running()
    sent = [(100 * n - 999, 5 * n) for n in range(30)]
    for torque, encoder in sent:
        device.sample(torque, encoder)
    blocks = device.blocks()
    assert [sample for block in blocks for sample in decoded(block)] == sent
    assert [(b.first_index, b.tick, b.count) for b in blocks] == [
        (1 + 10 * n, MS * (1 + 10 * n), 10) for n in range(3)
    ]
    assert {(b.inputs, b.config_epoch, b.stream, b.reserved) for b in blocks} == {(SAFE_INPUTS, 1, 0, 0)}
    assert [b.flags for b in blocks] == [SampleFlag.AFTER_GAP, 0, 0]
    assert {b.encoder_form for b in blocks} == {EncoderForm.DELTA16}


@given(
    rate=st.sampled_from([100, 500, 1000, 10_000]),
    losses=st.lists(st.integers(0, 5), min_size=20, max_size=60),
    jitter=st.lists(st.integers(-20, 20), min_size=60, max_size=60),
)
def test_a_missed_sample_leaves_a_hole_in_the_numbers_and_shifts_nothing(
    rate: int, losses: list[int], jitter: list[int]
) -> None:
    device = Device()
    device.open()
    device.ask(setup(rate, 10))
    period = 1_000_000 // rate
    device.run(2 * period / MS)
    device.ask(wire.Run(0))
    device.drain()
    start, index = device["next_tick"], device["next_index"]
    taken: dict[int, tuple[int, int]] = {}
    number = -1
    for loss, shake in zip(losses, jitter, strict=False):
        number += 1 + loss
        tick = start + number * period + shake * period // 100
        device.sample(number, 3 * number, after=tick - device.now)
        taken[index + number] = (number, 3 * number)
    device.tell(wire.Halt())
    blocks = device.blocks()
    got = {b.first_index + n: sample for b in blocks for n, sample in enumerate(decoded(b))}
    assert got == taken
    assert device["next_index"] == index + number + 1
    for before, after in pairwise(blocks):
        hole = after.first_index != before.first_index + before.count
        assert bool(after.flags & SampleFlag.AFTER_GAP) == hole
    assert all(b.count <= 10 for b in blocks)


def test_a_sample_that_comes_too_early_is_dropped_and_counted() -> None:
    device = running()
    device.sample(1)
    index = device["next_index"]
    device.sample(2, after=400)
    assert (device["misplaced"], device["next_index"]) == (1, index)
    device.sample(3, after=600)
    assert (device["misplaced"], device["next_index"]) == (1, index + 1)
    device.tell(wire.Halt())
    (block,) = device.blocks()
    assert [torque for torque, _ in decoded(block)] == [1, 3]
    assert block.flags == SampleFlag.AFTER_GAP, "only the one that every run begins with"


def test_the_first_sample_of_a_boot_has_number_0_whenever_it_comes() -> None:
    device = Device(tick=5000)
    device.open()
    device.stream()
    device.sample(7, after=123_456)
    device.tell(wire.Halt())
    (block,) = device.blocks()
    assert (block.first_index, block.tick) == (0, 128_456)


def test_samples_are_numbered_whether_a_stream_runs_or_not() -> None:
    device = running()
    device.run(25)
    device.tell(wire.Halt())
    index = device["next_index"]
    device.run(100)
    assert device["next_index"] == index + 100
    device.drain()
    device.ask(wire.Run(0), seq=77)
    device.run(10)
    (block,) = device.blocks()
    assert (block.first_index, block.flags) == (index + 100, SampleFlag.AFTER_GAP)


def test_halt_sends_the_rest_and_stops() -> None:
    device = running()
    device.run(13)
    device.tell(wire.Halt())
    assert [block.count for block in device.blocks()] == [10, 3]
    device.run(50)
    assert device.blocks() == []
    device.tell(wire.Halt())
    assert device.blocks() == []


def test_run_may_begin_later() -> None:
    device = Device()
    device.open()
    device.run(5)
    device.stream(start=42 * MS + 1)
    device.run(60)
    first, *_ = device.blocks()
    assert (first.first_index, first.tick) == (43, 43 * MS)


def test_a_second_run_changes_nothing() -> None:
    device = running()
    device.run(4)
    assert device.ask(wire.Run(1 << 40)) == wire.Done(0, wire.Run.KIND)
    device.run(6)
    (block,) = device.blocks()
    assert block.count == 10


def test_a_change_of_inputs_closes_the_block() -> None:
    device = running()
    for number in range(20):
        device.sample(number, inputs=SAFE_INPUTS | (Input.USER_1 if number >= 4 else 0))
    blocks = device.blocks()
    assert [(b.count, b.inputs & Input.USER_1) for b in blocks] == [(4, 0), (10, Input.USER_1)]
    assert [torque for b in blocks for torque, _ in decoded(b)] == list(range(14))


def test_flags_of_a_block_are_those_of_any_of_its_samples() -> None:
    device = running()
    for number in range(30):
        flags = {3: SampleFlag.ENCODER_FAULT, 7: SampleFlag.TICK_UNCERTAIN, 15: SampleFlag.BRIDGE_FAULT}
        device.sample(8_388_607 if number == 25 else 0, flags=int(flags.get(number, 0)))
    assert [b.flags for b in device.blocks()] == [
        SampleFlag.AFTER_GAP | SampleFlag.ENCODER_FAULT | SampleFlag.TICK_UNCERTAIN,
        SampleFlag.BRIDGE_FAULT,
        SampleFlag.OVERRANGE,
    ]


@pytest.mark.parametrize("rail", [8_388_607, -8_388_608])
def test_both_ends_of_the_range_are_flagged_and_counted(rail: int) -> None:
    device = running()
    for torque in (rail, rail - 1 if rail > 0 else rail + 1):
        device.sample(torque)
    assert device["overrange"] == 1
    device.tell(wire.Halt())
    assert device.blocks()[0].flags & SampleFlag.OVERRANGE


@pytest.mark.parametrize(
    ("count", "step", "counts", "form"),
    [
        (120, 32_767, [120], EncoderForm.DELTA16),
        (120, -32_767, [120], EncoderForm.DELTA16),
        (120, 32_768, [60, 60], EncoderForm.OFFSET32),
        (100, -32_768, [50, 50], EncoderForm.OFFSET32),
        (87, 40_000, [44, 43], EncoderForm.OFFSET32),
        (86, 40_000, [86], EncoderForm.OFFSET32),
        (10, 1_000_000, [10], EncoderForm.OFFSET32),
        (10, (1 << 31) - 1, [2, 2, 2, 2, 2], EncoderForm.OFFSET32),
        (10, 1 << 31, [1] * 10, EncoderForm.OFFSET32),
        (10, 1 << 40, [1] * 10, EncoderForm.OFFSET32),
    ],
)
def test_steps_beyond_16_bits_go_in_shorter_blocks_with_32_bit_offsets(
    count: int, step: int, counts: list[int], form: EncoderForm
) -> None:
    device = running(10_000, count)
    device.sample(0, 0, after=900)
    device.tell(wire.Halt())
    device.ask(wire.Run(0), seq=50)
    device.drain()
    for number in range(count):
        device.sample(number, number * step, after=100)
    blocks = device.blocks()
    assert [b.count for b in blocks] == counts
    assert {b.encoder_form for b in blocks} == {form}
    assert [s for b in blocks for s in decoded(b)] == [(n, n * step) for n in range(count)]
    assert [b.tick for b in blocks] == [blocks[0].tick + 100 * sum(counts[:n]) for n in range(len(counts))]
    assert [b.flags for b in blocks] == [SampleFlag.AFTER_GAP] + [0] * (len(counts) - 1)


@given(
    st.lists(
        st.integers(-I64, I64 - 1)
        | st.sampled_from([-I64, I64 - 1, 0, 1 << 31, 32_768])
        | st.integers(-5, 5),
        min_size=2,
        max_size=40,
    )
)
def test_no_counts_of_an_encoder_are_lost_however_they_jump(counts: list[int]) -> None:
    device = running()
    for number, encoder in enumerate(counts):
        device.sample(number, encoder)
    device.tell(wire.Halt())
    blocks = device.blocks()
    assert [s for b in blocks for s in decoded(b)] == list(enumerate(counts))
    assert [b.first_index for b in blocks] == [
        1 + sum(b.count for b in blocks[:n]) for n in range(len(blocks))
    ]


@given(first=st.integers(0, 1 << 40), rate=st.sampled_from([100, 1000, 10_000]))
def test_the_pattern_follows_from_the_number_alone(first: int, rate: int) -> None:
    device = Device()
    device.open()
    device.stream(rate, 10, stream=wire.Stream.PATTERN)
    device["next_index"] = first
    period = 1_000_000 // rate
    device["next_tick"] = device.now + period
    for number in range(20):
        device.sample(12345, -number, after=period, flags=int(SampleFlag.BRIDGE_FAULT))
    blocks = device.blocks()
    assert [b.flags & ~SampleFlag.AFTER_GAP for b in blocks] == [SampleFlag.TEST_PATTERN] * len(blocks)
    for b in blocks:
        numbers = range(b.first_index, b.first_index + b.count)
        assert decoded(b) == [(pattern_torque(n), pattern_encoder(n)) for n in numbers]
    assert sum(b.count for b in blocks) == 20
    assert core().nt_pattern_torque(first) == pattern_torque(first)


def test_a_new_rate_goes_on_from_the_last_sample() -> None:
    device = running(1000)
    device.run(20)
    device.tell(wire.Halt())
    device.drain()
    device.calls()
    last = device["next_tick"] - MS
    assert device.ask(setup(100)).rate_millihz == 100_000
    assert [call.which for call in device.calls(SET_RATE)] == [100]
    assert device["next_tick"] == last + 10 * MS
    index = device["next_index"]
    device.run(100)
    assert device["next_index"] == index + 10


@pytest.mark.parametrize(
    ("message", "reason"),
    [
        (setup(1000, 10, 10), Reason.NONE),
        (setup(1000, 100, 10_000, 1), Reason.NONE),
        (setup(10_000, 120), Reason.NONE),
        (setup(100, 10), Reason.NONE),
        (setup(100, 11), Reason.OUT_OF_RANGE),
        (setup(1000, 101), Reason.OUT_OF_RANGE),
        (setup(10_000, 121), Reason.OUT_OF_RANGE),
        (setup(1000, 9), Reason.OUT_OF_RANGE),
        (setup(1000, 0), Reason.OUT_OF_RANGE),
        (setup(1001), Reason.OUT_OF_RANGE),
        (setup(0), Reason.OUT_OF_RANGE),
        (wire.Setup(1_000_001, 10, 100, 0, 0), Reason.OUT_OF_RANGE),
        (setup(1000, 10, 9), Reason.OUT_OF_RANGE),
        (setup(1000, 10, 10_001), Reason.OUT_OF_RANGE),
        (setup(1000, 10, 100, 2), Reason.OUT_OF_RANGE),
    ],
)
def test_a_set_up_is_taken_within_its_bounds_only(message: wire.Setup, reason: Reason) -> None:
    device = Device()
    device.open()
    answer = device.ask(message)
    if reason is Reason.NONE:
        wanted = (message.rate_millihz, message.samples_per_block, message.status_ms, 1, message.stream, 0)
        assert answer == wire.SetupReply(*wanted)
    else:
        assert answer == wire.Refused(0, reason, wire.Setup.KIND, 0)
        assert device["config_epoch"] == 0
        assert device.ask(wire.Run(0)).reason == Reason.NOT_NOW


def test_each_new_set_up_counts_and_one_while_running_is_the_same_or_refused() -> None:
    device = Device()
    device.open()
    assert [device.ask(setup()).config_epoch for _ in range(3)] == [1, 2, 3]
    device.ask(wire.Run(0))
    device.calls()
    assert device.ask(setup()).config_epoch == 3
    others = (setup(500), setup(1000, 20), setup(1000, 10, 50), setup(1000, 10, 1000, 1))
    assert [device.ask(other).reason for other in others] == [Reason.NOT_NOW] * 4
    assert device.calls(SET_RATE) == []
    device["config_epoch"] = 0xFFFF
    device.tell(wire.Halt())
    assert device.ask(setup()).config_epoch == 0


def test_a_board_that_is_paced_by_the_core_needs_no_rate() -> None:
    device = Device(without_set_rate=1)
    device.open()
    device.stream(500)
    device.run(39)
    assert [(b.count, b.tick) for b in device.blocks()] == [(10, 0), (10, 20 * MS)]


def test_the_largest_block_stays_within_its_frame() -> None:
    device = running(10_000, 120)
    device.run(30)
    frames = [frame for frame in device.drain() if frame.kind == wire.Block.KIND]
    assert frames
    assert all(len(frame.body) + 4 <= wire.DATA_FRAME_BYTES for frame in frames)
