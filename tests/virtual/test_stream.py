"""The stream: samples into blocks, by index and tick, resent and lost by rule."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.virtual.line import HostSide, unpack

from nightturn.virtual.products import RAIL_HIGH
from nightturn.virtual.sampler import Cutter, Sampler, pattern
from nightturn.virtual.sheet import RATES_HZ
from nightturn_protocol import messages as wire
from nightturn_protocol.framing import CRC_BYTES, HEADER_BYTES, Deframer
from nightturn_protocol.pattern import pattern_encoder, pattern_torque


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_samples_follow_each_other_by_index_and_nominal_tick(rate_hz: int) -> None:
    per_block = max(10, min(100, rate_hz // 10))
    host = HostSide("pan15?drift_ppm=40").streaming(rate_hz, per_block)
    for _ in range(5):
        host.after(400)
    blocks = host.blocks()
    assert len(blocks) >= 2 * rate_hz / per_block - 2
    for before, after in itertools.pairwise(blocks):
        assert after.first_index == before.first_index + before.count
        assert after.tick - before.tick == before.count * (1_000_000 // rate_hz)
    assert blocks[0].flags == wire.SampleFlag.AFTER_GAP
    assert not any(block.flags for block in blocks[1:])
    seqs = [header.seq for header, m in host.heard if isinstance(m, wire.Block)]
    assert seqs == list(range(len(blocks)))


def test_a_status_tells_the_newest_block_and_the_next_sample() -> None:
    host = HostSide().streaming(status_ms=50)
    host.after(1000)
    status = host.status()
    blocks = [m for _, m in host.heard if isinstance(m, wire.Block)]
    assert status.next_index == status.tick // 1000 + 1
    assert 0 <= status.next_index - blocks[-1].first_index - blocks[-1].count < 100
    assert status.newest_seq == len(blocks) - 1
    assert len(host.of(wire.Status)) == len(host.of(wire.Slow)) >= 19


moves = st.lists(
    st.tuples(
        st.integers(1, 900),
        st.sampled_from(["travel", "speed", "torque", "off", "nothing"]),
        st.integers(-40, 40),
    ),
    max_size=6,
)


def night(steps: list[int], story: list[tuple[int, str, int]], rate_hz: int) -> HostSide:
    """Commands at fixed moments; in between time passes in the given steps (ms)."""
    host = HostSide("pan15?seed=3&drift_ppm=33&fault=cable@1s*40,guard@2s+300ms").streaming(rate_hz, 50)
    number = 0
    for wait, what, amount in [*story, (1500, "nothing", 0)]:
        end = host.now_ns + wait * 1_000_000
        while host.now_ns < end:
            host.after(min(steps[number % len(steps)], (end - host.now_ns) / 1e6))
            number += 1
        host.lease(1000)
        if what == "travel":
            host.drive(wire.DriveMode.TRAVEL, 1.0, counts=amount * 2000)
        elif what == "speed":
            host.drive(wire.DriveMode.SPEED, amount / 10)
        elif what == "torque":
            host.drive(wire.DriveMode.TORQUE, amount / 4, axis=wire.Axis.ACTUATOR, ramp=20.0)
        elif what == "off":
            host.drive(wire.DriveMode.OFF)
    return host


@given(st.lists(st.integers(3, 700), min_size=1, max_size=8), moves, st.sampled_from([500, 1000, 5000]))
@settings(max_examples=20, deadline=None)
def test_samples_depend_on_commands_and_their_moments_never_on_how_time_was_cut(
    steps: list[int], story: list[tuple[int, str, int]], rate_hz: int
) -> None:
    one, other = night([900], story, rate_hz), night(steps, story, rate_hz)
    assert one.blocks() == other.blocks()


def test_the_same_seed_gives_the_same_bytes_and_another_seed_others() -> None:
    streams = []
    for seed in (3, 3, 4):
        host = HostSide(f"pan15?seed={seed}").streaming()
        host.lease()
        host.drive(wire.DriveMode.SPEED, 0.5)
        host.keep_going(2000)
        streams.append(host.wire_bytes)
    assert streams[0] == streams[1] != streams[2]


def test_a_block_resent_is_the_same_to_the_bit() -> None:
    host = HostSide().streaming()
    host.after(1000)
    original = [m for h, m in host.heard if isinstance(m, wire.Block) and h.seq in {2, 3, 4}]
    host.put(wire.Resend(2, 3))
    assert [m for _, m in host.listen() if isinstance(m, wire.Block)] == original
    host.after(200)
    assert host.status().resent == 3


def test_blocks_no_longer_in_the_ring_are_named_gone() -> None:
    host = HostSide("pan15?ring_bytes=4096").streaming()
    for _ in range(4):
        host.after(500)
    oldest = host.status().oldest_seq
    assert oldest > 4
    host.put(wire.Resend(oldest - 4, 6))
    heard = host.listen()
    assert [m for _, m in heard if isinstance(m, wire.Gone)] == [wire.Gone(oldest - 4, 4)]
    assert [h.seq for h, m in heard if isinstance(m, wire.Block)] == [oldest, oldest + 1]


def test_blocks_not_made_yet_are_not_sent_and_not_gone() -> None:
    host = HostSide().streaming()
    host.after(300)
    host.put(wire.Resend(1000, 5))
    assert not [m for _, m in host.listen() if isinstance(m, (wire.Gone, wire.Block))]


def test_the_pattern_stream_follows_from_the_index() -> None:
    host = HostSide().streaming(10_000, stream=wire.Stream.PATTERN)
    host.after(500)
    index, torque, encoder = host.series()
    assert torque.tolist() == [pattern_torque(int(i)) for i in index]
    assert encoder.tolist() == [pattern_encoder(int(i)) for i in index]
    assert all(block.flags & wire.SampleFlag.TEST_PATTERN for block in host.blocks())


@given(st.integers(0, 2**40), st.integers(1, 50))
def test_the_pattern_rule_is_the_wire_s(first: int, count: int) -> None:
    torque, encoder = pattern(first, count)
    assert torque.tolist() == [pattern_torque(first + i) for i in range(count)]
    assert encoder.tolist() == [pattern_encoder(first + i) for i in range(count)]


def test_a_fast_shaft_at_a_low_rate_is_sent_as_offsets() -> None:
    host = HostSide().streaming(100, 10)
    host.lease(speed=62.0)
    assert host.drive(wire.DriveMode.SPEED, 60.0, ramp=60.0) is wire.Reason.NONE
    host.keep_going(3000)
    assert {block.encoder_form for block in host.blocks()} == set(wire.EncoderForm)
    _, _, encoder = host.series()
    speed = 60.0 / (2 * np.pi) * 2**20 / 100
    assert np.diff(encoder)[-100:] == pytest.approx(speed, abs=1)


@given(
    st.integers(1, 120),
    st.lists(st.integers(-(2**20), 2**20), min_size=1, max_size=300),
    st.integers(-(2**40), 2**40),
)
@settings(max_examples=40, deadline=None)
def test_any_encoder_path_fits_into_data_frames_and_comes_back(
    size: int, steps: list[int], base: int
) -> None:
    plant = HostSide("pan15?noise=0").device.plant
    encoder = base + np.cumsum(np.array(steps, np.int64))
    torque = np.arange(len(steps), dtype=np.int32) * 1000 - 8_000_000
    frames = list(Cutter().cut(Sampler(plant, 1_000_000), 50, torque, encoder, size))
    bodies = Deframer().receive_bytes(b"".join(frames))
    assert len(bodies) == len(frames)
    assert all(len(body) + CRC_BYTES <= wire.DATA_FRAME_BYTES for body in bodies)
    blocks = [wire.Block.decode(body[HEADER_BYTES:]) for body in bodies]
    assert np.concatenate([unpack(block)[0] for block in blocks]).tolist() == torque.tolist()
    assert np.concatenate([unpack(block)[1] for block in blocks]).tolist() == encoder.tolist()
    ends = [block.first_index + block.count for block in blocks]
    assert [block.first_index for block in blocks] == [50, *ends[:-1]]


@pytest.mark.parametrize(
    "setup",
    [
        wire.Setup(1_000_500, 100, 100, 0, 0),
        wire.Setup(3_000_000, 100, 100, 0, 0),
        wire.Setup(1_000_000, 9, 100, 0, 0),
        wire.Setup(1_000_000, 121, 100, 0, 0),
        wire.Setup(500_000, 100, 100, 0, 0),
        wire.Setup(1_000_000, 100, 0, 0, 0),
        wire.Setup(1_000_000, 100, 100, 7, 0),
    ],
    ids=["fraction", "rate", "few", "many", "longer than 100 ms", "no status", "stream"],
)
def test_a_set_up_out_of_range_is_refused(setup: wire.Setup) -> None:
    host = HostSide()
    host.open()
    answer = host.ask(setup)
    assert isinstance(answer, wire.Refused)
    assert answer.reason == wire.Reason.OUT_OF_RANGE


def test_while_running_only_the_set_up_in_force_is_answered() -> None:
    host = HostSide().streaming()
    same = host.set_up()
    assert isinstance(same, wire.SetupReply)
    assert same.config_epoch == 1
    other = host.set_up(rate_hz=2000)
    assert isinstance(other, wire.Refused)
    assert other.reason == wire.Reason.NOT_NOW


def test_run_needs_a_set_up_and_may_start_later() -> None:
    host = HostSide()
    host.open()
    refused = host.ask(wire.Run(0))
    assert isinstance(refused, wire.Refused)
    assert refused.reason == wire.Reason.NOT_NOW
    host.set_up()
    start = host.tick + 250_000
    assert isinstance(host.ask(wire.Run(start)), wire.Done)
    host.after(1000)
    assert start <= host.blocks()[0].tick < start + 1000


def test_halt_sends_what_it_has_and_a_new_run_is_marked_as_after_a_gap() -> None:
    host = HostSide().streaming()
    host.after(1050)
    host.ask(wire.Halt())
    short = host.blocks()[-1]
    assert short.count < 100
    assert short.first_index + short.count == host.device.plant.index
    host.after(500)
    host.ask(wire.Run(0))
    host.after(500)
    assert host.blocks()[11].flags == wire.SampleFlag.AFTER_GAP


def test_a_changed_rate_lets_index_and_tick_go_on() -> None:
    host = HostSide().streaming()
    host.after(500)
    host.ask(wire.Halt())
    before = host.blocks()[-1]
    host.set_up(rate_hz=5000)
    host.ask(wire.Run(0))
    host.after(500)
    after = next(block for block in host.blocks() if block.config_epoch == 2)
    assert after.first_index == before.first_index + before.count
    assert after.tick == before.tick + (before.count - 1) * 1000 + 200


def test_the_extremes_of_torque_are_kept_from_open_to_open_without_a_run() -> None:
    host = HostSide("pan15?noise=0")
    host.open()
    host.lease()
    host.drive(wire.DriveMode.TORQUE, 10.0, axis=wire.Axis.ACTUATOR, ramp=100.0)
    host.keep_going(1000)
    host.drive(wire.DriveMode.OFF, axis=wire.Axis.ACTUATOR, ramp=100.0)
    host.after(1000)
    counts_per_nm = 2**24 / 20 / 4
    assert host.open().torque_max == pytest.approx(10 * counts_per_nm, rel=0.01)
    host.after(100)
    assert host.open().torque_max < counts_per_nm


def test_a_block_with_a_railed_sample_is_flagged_and_counted() -> None:
    host = HostSide("pan15?fault=cable@1s*40").streaming()
    for _ in range(12):
        host.after(500)
        host.put(wire.EventAck(1))
    railed = 0
    for block in host.blocks():
        torque, _ = unpack(block)
        count = int((torque == RAIL_HIGH).sum())
        railed += count
        assert bool(count) == bool(block.flags & wire.SampleFlag.OVERRANGE)
    assert railed > 0
    assert host.status().adc_overrange == railed
    assert len(host.events(wire.EventCode.ADC_SATURATED)) == 1


@pytest.mark.long
@given(
    st.lists(st.integers(1, 700), min_size=1, max_size=12), moves, st.sampled_from([500, 1000, 5000, 20_000])
)
@settings(max_examples=150, deadline=None)
def test_many_nights_do_not_depend_on_how_time_was_cut(
    steps: list[int], story: list[tuple[int, str, int]], rate_hz: int
) -> None:
    assert night([900], story, rate_hz).blocks() == night(steps, story, rate_hz).blocks()


@pytest.mark.long
def test_an_hour_of_turning_loses_and_repeats_nothing() -> None:
    host = HostSide("pan20?seed=5&drift_ppm=-35").streaming(1000, 100, status_ms=1000)
    host.lease()
    host.drive(wire.DriveMode.SPEED, 0.5)
    following = host.blocks()[0].first_index if host.blocks() else None
    produced = 0
    for _ in range(3600):
        host.lease()
        host.after(1000)
        for block in host.blocks():
            assert following is None or block.first_index == following
            following = block.first_index + block.count
            produced += block.count
        host.heard.clear()
        host.wire_bytes = b""
    assert produced == pytest.approx(3600 * 1000 * (1 - 35e-6), abs=300)
