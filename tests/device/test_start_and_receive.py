"""Around the core: what a reset does not clear, the receive queue, the watchdog's check-in, the self-test."""

import ctypes
import math
from collections import deque

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.device.device import Device
from tests.device.library import Boot, Keep, Rx, core

from nightturn_protocol.messages import ResetCause

UNKNOWN = ResetCause.UNKNOWN


def booted(keep: Keep, cause: int = UNKNOWN, entropy: int = 0) -> Boot:
    boot = Boot()
    core().nt_keep_boot(ctypes.byref(keep), cause, entropy, ctypes.byref(boot))
    return boot


def fault(keep: Keep, cause: int, pc: int = 1, lr: int = 2, detail: int = 3) -> None:
    core().nt_keep_fault(ctypes.byref(keep), cause, pc, lr, detail)


# ---- what a reset does not clear ----


@given(st.integers(0, (1 << 32) - 1), st.binary(min_size=28, max_size=28))
def test_boot_ids_differ_after_each_start_and_are_never_0(entropy: int, rubbish: bytes) -> None:
    keep = Keep.from_buffer_copy(rubbish)
    ids = [booted(keep, entropy=entropy).boot_id for _ in range(50)]
    assert len(set(ids)) == 50
    assert 0 not in ids


def test_entropy_tells_apart_two_boards_that_lost_their_memory() -> None:
    assert len({booted(Keep(), entropy=entropy).boot_id for entropy in range(200)}) == 200


def unmixed(x: int) -> int:
    """The entropy that the core's mixing turns into `x`: its steps taken back, last first."""
    for shift, factor in ((16, 0x846CA68B), (15, 0x7FEB352D)):
        undone = x
        for _ in range(32 // shift):
            undone = x ^ undone >> shift
        x = undone * pow(factor, -1, 1 << 32) & 0xFFFFFFFF
    return x ^ x >> 16


def test_the_one_boot_id_that_would_be_0_is_1() -> None:
    assert booted(Keep(), entropy=unmixed(1)).boot_id == 1, "the first boot of memory that lost its content"


def test_memory_that_lost_its_content_means_that_power_came() -> None:
    assert booted(Keep()).reset_cause == ResetCause.POWER
    assert booted(Keep(), ResetCause.BROWNOUT).reset_cause == ResetCause.BROWNOUT
    keep = Keep()
    booted(keep)
    assert booted(keep).reset_cause == UNKNOWN
    assert booted(keep, ResetCause.PIN).reset_cause == ResetCause.PIN


@pytest.mark.parametrize("name", Keep.NAMES)
def test_one_changed_bit_is_lost_content(name: str) -> None:
    keep = Keep()
    booted(keep)
    fault(keep, ResetCause.WATCHDOG)
    setattr(keep, name, getattr(keep, name) ^ 4)
    boot = booted(keep)
    assert (boot.reset_cause, boot.crash_pc) == (ResetCause.POWER, 0)


@pytest.mark.parametrize("cause", [*ResetCause])
def test_who_reset_the_device_on_purpose_is_the_cause_once_and_the_crash_stays(cause: ResetCause) -> None:
    keep = Keep()
    booted(keep)
    fault(keep, cause, 0x0800_1234, 0x0800_4321, 7)
    boot = booted(keep, ResetCause.SOFTWARE)
    assert (boot.reset_cause, boot.crash_pc, boot.crash_lr, boot.crash_cause) == (
        cause,
        0x0800_1234,
        0x0800_4321,
        7,
    )
    again = booted(keep, ResetCause.PIN)
    assert (again.reset_cause, again.crash_pc) == (ResetCause.PIN, 0x0800_1234)


def test_a_crash_before_the_first_boot_is_kept_too() -> None:
    keep = Keep()
    fault(keep, ResetCause.FAULT, 9)
    assert (booted(keep).reset_cause, booted(keep).crash_pc) == (ResetCause.FAULT, 9)


# ---- the receive queue ----


def put(rx: Rx, byte: int, tick: int) -> None:
    core().nt_rx_put(ctypes.byref(rx), byte, tick)


def take(rx: Rx, room: int, tick: int) -> tuple[bytes, int]:
    out = ctypes.create_string_buffer(max(room, 1))
    stamp = ctypes.c_uint64(tick)
    n = core().nt_rx_take(ctypes.byref(rx), out, room, ctypes.byref(stamp))
    return out.raw[:n], stamp.value


STEPS = st.lists(
    st.binary(max_size=300)
    | st.integers(0, 400)
    | st.just(bytes(60))
    | st.binary(min_size=700, max_size=900),
    max_size=60,
)


@given(STEPS, st.sampled_from([0, 0xFFF0, 0x7FFF]))
@settings(max_examples=60)
def test_bytes_come_out_as_they_went_in_each_delimiter_with_its_tick(
    steps: list[bytes | int], start: int
) -> None:
    rx = Rx()
    core().nt_rx_init(ctypes.byref(rx))
    rx.put = rx.taken = rx.stamp_put = rx.stamp_taken = start
    waiting: deque[tuple[int, int]] = deque()
    tick = lost = 0
    for step in steps:
        if isinstance(step, bytes):
            for byte in step:
                tick += 1
                stamps = sum(1 for held, _ in waiting if held == 0)
                full = len(waiting) == Rx.BYTES or (byte == 0 and stamps == Rx.STAMPS)
                put(rx, byte, tick)
                lost += full
                if not full:
                    waiting.append((byte, tick))
            assert rx.overrun == lost
            continue
        out, stamp = take(rx, step, 1 << 50)
        expected = [waiting.popleft() for _ in out]
        assert out == bytes(byte for byte, _ in expected)
        ended = bool(expected) and expected[-1][0] == 0
        assert stamp == (expected[-1][1] if ended else 1 << 50)
        assert all(byte for byte, _ in expected[:-1])
        assert ended or len(out) == step or not waiting


def test_a_flood_fills_the_queue_and_is_counted() -> None:
    rx = Rx()
    core().nt_rx_init(ctypes.byref(rx))
    for _ in range(Rx.BYTES + 10):
        put(rx, 7, 1)
    assert rx.overrun == 10
    assert take(rx, 4000, 5) == (b"\x07" * Rx.BYTES, 5)
    assert take(rx, 4000, 5) == (b"", 5)


# ---- check-in ----


@given(st.lists(st.sampled_from([1, 2, 4]), max_size=40))
def test_the_watchdog_is_fed_only_when_all_three_came_by(parts: list[int]) -> None:
    seen = ctypes.c_uint8(0)
    since: set[int] = set()
    for part in parts:
        since.add(part)
        fed = core().h_checkin(ctypes.byref(seen), part)
        assert fed == (since == {1, 2, 4})
        if fed:
            since.clear()


# ---- self-test ----


def test_a_sound_board_passes_its_self_test() -> None:
    assert Device().self_test() == 0


@pytest.mark.parametrize(
    ("board", "bit"),
    [
        ({"sheet_bytes": 0}, 4),
        ({"sheet_bytes": 16_385}, 4),
        ({"rates": 0}, 8),
        ({"rate0": 0}, 8),
        ({"rate2": 3}, 8),
        ({"rail_low": 5, "rail_high": 5}, 8),
        ({"slow_channels": 33}, 8),
        ({"temperature_limits": 9}, 8),
        ({"trip_counts": -1}, 8),
        ({"speed_max": math.nan}, 8),
        ({"torque_max": math.inf}, 8),
        ({"ramp_least": -1.0}, 8),
        ({"ramp_stop": math.nan}, 8),
    ],
)
def test_a_board_that_contradicts_itself_fails_its_self_test(board: dict[str, float], bit: int) -> None:
    device = Device()
    for name, value in board.items():
        assert core().h_board(device._handle, name.encode(), value)
    assert device.self_test() == bit


@pytest.mark.parametrize(("channel", "bit"), [(0, 0), (1, 0), (2, 8), (255, 8)])
def test_a_temperature_limit_on_a_channel_that_nobody_reads_fails_the_self_test(
    channel: int, bit: int
) -> None:
    assert Device(limits=((0, 60.0), (channel, 60.0))).self_test() == bit
