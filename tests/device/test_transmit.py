"""What the C core puts on the line and in which order: PROTOCOL.md sections 2, 4 and 5."""

from hypothesis import given
from hypothesis import strategies as st
from tests.device.device import MS, SAFE_INPUTS, SESSION, Device, Frame, lease, setup
from tests.device.order import LIVE, REPEATED, Order, rank_of

from nightturn_protocol import messages as wire
from nightturn_protocol.framing import frame_body, to_wire

PROBE_MAX = 4


def ranks(frames: list[Frame], first_live: int) -> list[int]:
    """Where each frame stands in the order of section 2; live blocks are those from `first_live` on."""
    found = []
    for frame in frames:
        live = frame.kind == wire.Block.KIND and frame.seq >= first_live
        found.append(LIVE if live else rank_of(frame.kind, frame.seq, -1))
    return found


def full(device: Device) -> None:
    """Something of every rank waits."""
    device.open()
    device.drain()
    device.stream(status_ms=100)
    device.run(195)
    device.drain()
    device.run(35)
    device.tell(wire.Resend(1, 3))
    device.tell(wire.Firmware())
    device.tell(wire.Probe(1, 0, 0, 2))
    device.sample(inputs=SAFE_INPUTS | wire.Input.USER_1)
    device.run(80)


def test_the_most_urgent_frame_goes_first() -> None:
    device = Device()
    full(device)
    first_live = device["next_send"]
    frames = device.drain()
    order = ranks(frames, first_live)
    assert set(order) == {0, 1, 3, LIVE, 5, 6, REPEATED}
    assert order[:3] == [0, 1, 3]
    assert [rank for rank in order if rank != REPEATED] == sorted(rank for rank in order if rank != REPEATED)


def test_between_two_live_blocks_and_the_next_one_block_may_be_repeated() -> None:
    device = Device()
    full(device)
    first_live = device["next_send"]
    order = [rank for rank in ranks(device.drain(), first_live) if rank in {LIVE, REPEATED}]
    live = order.count(LIVE)
    assert live > 6
    assert order[: live + 3] == [REPEATED, LIVE, LIVE, REPEATED, LIVE, LIVE, REPEATED] + [LIVE] * (live - 4)


def test_an_idle_line_repeats_as_fast_as_it_can() -> None:
    device = Device()
    device.open()
    device.stream()
    device.run(100)
    device.drain()
    device.tell(wire.Resend(0, 8))
    assert [frame.seq for frame in device.drain() if frame.kind == wire.Block.KIND] == list(range(8))
    assert device["resent"] == 8


def test_a_block_goes_again_bit_for_bit() -> None:
    device = Device()
    device.open()
    device.stream()
    device.run(100)
    first = {frame.seq: frame.body for frame in device.drain() if frame.kind == wire.Block.KIND}
    device.tell(wire.Resend(2, 5))
    again = {frame.seq: frame.body for frame in device.drain() if frame.kind == wire.Block.KIND}
    assert again == {seq: first[seq] for seq in range(2, 7)}


def test_what_was_never_sent_is_not_repeated_but_comes_by_itself() -> None:
    device = Device()
    device.open()
    device.stream()
    device.run(50)
    device.tell(wire.Resend(0, 200))
    assert [frame.seq for frame in device.drain() if frame.kind == wire.Block.KIND] == list(range(5))
    assert device["resent"] == 0


def test_of_what_is_asked_for_only_the_blocks_sent_before_are_repeated() -> None:
    device = Device()
    device.open()
    device.drain()
    device.stream()
    device.run(59)
    for _ in range(3):
        assert device.next()
    device.tell(wire.Resend(1, 200))
    seqs = [frame.seq for frame in device.drain() if frame.kind == wire.Block.KIND]
    assert sorted(seqs) == [1, 2, 3, 4, 5]
    assert [seq for seq in seqs if seq > 2] == [3, 4, 5]
    assert device["resent"] == 2


def test_what_the_ring_no_longer_holds_is_gone_and_the_rest_is_repeated() -> None:
    device = Device()
    device.open()
    device.stream()
    for _ in range(20):
        device.run(100)
        device.drain()
    oldest = device["oldest_seq"]
    assert oldest > 10
    device.tell(wire.Resend(oldest - 4, 7))
    frames = device.drain()
    assert [frame.message for frame in frames if frame.kind == wire.Gone.KIND] == [wire.Gone(oldest - 4, 4)]
    assert [frame.seq for frame in frames if frame.kind == wire.Block.KIND] == [oldest + n for n in range(3)]
    device.tell(wire.Resend(1, 5))
    assert [frame.message for frame in device.drain()] == [wire.Gone(1, 5)]


def test_what_is_overwritten_before_its_turn_is_gone_too() -> None:
    device = Device()
    device.open()
    device.stream()
    for _ in range(12):
        device.run(100)
        device.drain()
    oldest = device["oldest_seq"]
    device.tell(wire.Resend(oldest, 3))
    device.run(200)
    moved = device["oldest_seq"]
    assert moved > oldest + 3
    frames = device.drain()
    assert [frame.message for frame in frames if frame.kind == wire.Gone.KIND] == [wire.Gone(oldest, 3)]
    device.tell(wire.Resend(device["oldest_seq"], 6))
    asked = device["oldest_seq"]
    device.run(25)
    left = device["oldest_seq"] - asked
    assert 0 < left < 6
    frames = device.drain()
    assert [frame.message for frame in frames if frame.kind == wire.Gone.KIND] == [wire.Gone(asked, left)]
    again = [frame.seq for frame in frames if frame.kind == wire.Block.KIND and frame.seq < asked + 6]
    assert again == list(range(asked + left, asked + 6))


def test_a_resend_of_nothing_or_of_the_future_brings_nothing() -> None:
    device = Device()
    device.open()
    device.stream()
    device.run(30)
    device.drain()
    for first, count in ((0, 0), (3, 5), (1000, 256), ((1 << 31) - 1, 3), (1 << 31, 3)):
        device.tell(wire.Resend(first, count))
        assert [frame.kind for frame in device.drain()] == []
    assert device["resent"] == 0


def test_no_more_is_repeated_than_may_be_asked_for() -> None:
    device = Device()
    device.open()
    device.stream()
    device.run(20)
    device.drain()
    device.tell(wire.Resend((1 << 32) - 300, 0xFFFF))
    assert [frame.message for frame in device.drain()] == [wire.Gone((1 << 32) - 300, wire.RESEND_BLOCKS_MAX)]


def test_numbers_of_blocks_wrap() -> None:
    device = Device()
    device.open()
    device.stream()
    for name in ("next_seq", "next_send", "oldest_seq"):
        device[name] = (1 << 32) - 5
    device.run(95)
    seqs = [frame.seq for frame in device.drain() if frame.kind == wire.Block.KIND]
    assert seqs == [(1 << 32) - 5 + n for n in range(5)] + [0, 1, 2, 3]
    device.tell(wire.Resend((1 << 32) - 2, 4))
    assert [frame.seq for frame in device.drain()] == [(1 << 32) - 2, (1 << 32) - 1, 0, 1]
    device.tell(wire.Resend((1 << 32) - 8, 5))
    frames = device.drain()
    assert frames[0].message == wire.Gone((1 << 32) - 8, 3)
    assert [frame.seq for frame in frames[1:]] == [(1 << 32) - 5, (1 << 32) - 4]


def test_probes_carry_the_ticks_of_their_delimiter_and_of_their_answer() -> None:
    device = Device()
    device.open()
    device.drain()
    body = frame_body(wire.Probe(123456789, 1, 2, 42), SESSION, 8)
    device.now += 500
    device.receive(to_wire(body), device.now)
    arrived = device.now
    device.now += 37
    (frame,) = device.drain()
    assert frame.message == wire.Probed(123456789, arrived, arrived + 37, 42)
    assert frame.seq == 8
    assert len(frame.body) == len(body)


def test_a_probe_that_arrived_before_the_last_poll_keeps_its_own_tick() -> None:
    device = Device()
    device.open()
    device.poll(1000)
    device.drain()
    device.receive(to_wire(frame_body(wire.Probe(1, 0, 0, 2), SESSION, 8)), device.now - 300)
    (frame,) = device.drain()
    assert frame.message == wire.Probed(1, device.now - 300, device.now, 2)


def test_a_tick_that_runs_backwards_counts_as_the_newest_one() -> None:
    device = Device()
    device.open()
    device.run(2)
    device.tell(lease(device.now - 10, window_ms=100))
    device.poll(90 * MS)
    device.receive(to_wire(frame_body(wire.Switch(50, wire.Output.LAMP, 1), SESSION, 8)), 5)
    assert device["heard_tick"] == device.now
    assert device.next(tick=7), "a frame that was asked for is sent, whatever the tick"
    device.poll(50 * MS)
    assert device["outputs"] == 0
    assert device["lease_state"] == wire.LeaseState.OFF
    assert device["tick"] == device.now


def test_probes_that_wait_too_long_give_way_to_newer_ones() -> None:
    device = Device()
    device.open()
    device.drain()
    for number in range(PROBE_MAX + 3):
        device.tell(wire.Probe(0, 0, 0, number), seq=100 + number)
    frames = device.drain()
    assert [frame.seq for frame in frames] == [103, 104, 105, 106]
    assert [getattr(frame.message, "probe_id", None) for frame in frames] == [3, 4, 5, 6]


def test_status_and_slow_keep_the_period_that_was_set_up() -> None:
    device = Device()
    device.open()
    device.slow(0, 21.5)
    device.slow(1, float("nan"))
    device.ask(setup(status_ms=250))
    while wire.Status.KIND not in [frame.kind for frame in device.drain()]:
        device.run(1)
    frames: list[Frame] = []
    for _ in range(4):
        device.run(249)
        assert wire.Status.KIND not in [frame.kind for frame in device.drain()]
        device.run(1)
        frames = device.drain()
        assert [frame.kind for frame in frames if frame.kind != wire.Event.KIND] == [
            wire.Status.KIND,
            wire.Slow.KIND,
        ]
        device.tell(wire.EventAck(1))
    (slow,) = [frame.message for frame in frames if isinstance(frame.message, wire.Slow)]
    assert slow.tick == device.now
    assert [number for number, _ in slow.values] == [0, 1]
    assert slow.values[0][1] == 21.5
    assert slow.values[1][1] != slow.values[1][1]


def test_a_shorter_period_does_not_wait_for_the_longer_one_to_end() -> None:
    device = Device()
    device.open()
    device.ask(setup(status_ms=10_000))
    device.run(200)
    device.drain()
    device.ask(setup(status_ms=100))
    device.run(100)
    assert wire.Status.KIND in [frame.kind for frame in device.drain()]


def test_a_late_poll_brings_one_status_and_keeps_the_beat() -> None:
    device = Device()
    device.open()
    device.ask(setup(status_ms=100))
    device.run(100)
    device.drain()
    device.poll(1030 * MS)
    assert [frame.kind for frame in device.drain()].count(wire.Status.KIND) == 1
    device.poll(69 * MS)
    assert wire.Status.KIND not in [frame.kind for frame in device.drain()]
    device.poll(1 * MS)
    assert wire.Status.KIND in [frame.kind for frame in device.drain()]


def test_a_board_without_slow_channels_sends_none() -> None:
    device = Device(slow_channels=0)
    device.open()
    device.run(500)
    kinds = [frame.kind for frame in device.drain()]
    assert wire.Status.KIND in kinds
    assert wire.Slow.KIND not in kinds


def test_status_carries_every_counter() -> None:
    device = Device(rail_high=5000).armed()
    device.stream(status_ms=100, rate_hz=1000)
    device.run(300)
    device.drain()
    damaged = bytearray(to_wire(frame_body(wire.Halt(), SESSION, 9)))
    damaged[2] ^= 1
    for data in (b"\x05\0", b"\x03\x11\x12\0", bytes(damaged)):
        device.receive(data)
    device.receive(b"\x11" * 1100 + b"\0")
    device.note(overrun=3, stalls=4, cpu_pct=55)
    device.tell(lease(0))
    device.tell(wire.Resend(0, 2))
    device.sample(6000, flags=int(wire.SampleFlag.ENCODER_FAULT))
    device.tell(wire.Switch(1000, wire.Output.LAMP, 1))
    device.tell(lease(device.now))
    device.poll(100 * MS)
    statuses = [frame.message for frame in device.drain() if isinstance(frame.message, wire.Status)]
    device.poll(100 * MS)
    statuses += [frame.message for frame in device.drain() if isinstance(frame.message, wire.Status)]
    status = statuses[-1]
    assert isinstance(status, wire.Status)
    assert status == wire.Status(
        tick=device.now,
        next_index=device["next_index"],
        boot_id=0xB0071D,
        newest_seq=device["next_seq"] - 1,
        oldest_seq=device["oldest_seq"],
        rx_bad_crc=1,
        rx_bad_cobs=2,
        rx_oversize=1,
        rx_overrun=3,
        tx_stalls=4,
        blocks_overwritten_unsent=0,
        adc_overrange=device["overrange"],
        encoder_errors=1,
        resent=2,
        leases_refused=1,
        ring_high_water=device["high_water"],
        inputs=SAFE_INPUTS,
        state=wire.DeviceState.RUNNING,
        lease=wire.LeaseState.LIVE,
        outputs=1 << wire.Output.LAMP,
        cpu_pct=55,
    )
    assert status.adc_overrange > 0


def test_the_state_says_what_the_device_is_doing() -> None:
    for self_test, idle, ready in ((0, 0, 1), (4, 3, 3)):
        device = Device(self_test=self_test)
        assert device.open(1).state == idle
        device.ask(setup())
        assert device.open(2).state == ready
        device.ask(wire.Run(0))
        assert (
            device.open(3, fresh=0, last_session=2, last_boot_id=0xB0071D).state == wire.DeviceState.RUNNING
        )


@given(
    st.lists(
        st.sampled_from(["probe", "ask", "event", "block", "status", "resend", "next", "next", "next"]),
        min_size=5,
        max_size=60,
    )
)
def test_no_frame_overtakes_a_more_urgent_one(script: list[str]) -> None:
    device = Device()
    device.open()
    device.stream(status_ms=100)
    device.run(100)
    device.drain()
    order, pressed = Order(), 0
    for step in script:
        match step:
            case "probe":
                device.tell(wire.Probe(0, 0, 0, 1))
            case "ask":
                device.tell(wire.Firmware())
            case "event":
                pressed ^= int(wire.Input.USER_1)
                device.now += 100 * MS
                device.sample(inputs=SAFE_INPUTS | pressed)
            case "block":
                device["inputs"] = SAFE_INPUTS | pressed
                device.run(10)
            case "status":
                device.poll(100 * MS)
            case "resend":
                device.tell(wire.Resend(device["oldest_seq"], 5))
            case _:
                first_live, overwritten = device["next_send"], device["overwritten_unsent"]
                waits, probes = device["next_seq"] != first_live, device["probes"]
                data = device.next()
                if data:
                    rank = order.sent(data, first_live, overwritten, waits=waits)
                    assert rank == 0 or not probes
                else:
                    assert not waits
