"""The example board's main loop on simulated registers: what its drivers see comes out as frames of the wire."""

import ctypes
from collections.abc import Callable
from itertools import groupby, pairwise

import crc32c
import pytest
from tests.device.build import DEVICE
from tests.device.drivers import library
from tests.device.example_board import (
    GUARD_AND_CHAIN,
    IMAGE,
    SESSION,
    TICK_HZ,
    ExampleBoard,
    every,
    only,
    positions,
    torques,
)
from tests.device.simulated_part import COUNTS_MAX, QUEUE

from device import sheet as board_file
from nightturn_protocol import messages as wire
from nightturn_protocol.messages import Axis, EventCode, Input, Output, ResetCause, SampleFlag
from nightturn_protocol.sheet import digest_of


@pytest.fixture
def board() -> ExampleBoard:
    return ExampleBoard()


def test_the_committed_sheet_is_what_the_board_file_says() -> None:
    folder = DEVICE / "drivers"
    canonical = board_file.canonical((folder / "example_board.json").read_text(encoding="utf-8"))
    header = board_file.header(canonical, "nt_example_sheet", "example_board.json")

    assert (folder / "nt_example_sheet.h").read_text(encoding="utf-8") == header


def test_a_host_that_opens_gets_the_sheet_and_a_clean_self_test(board: ExampleBoard) -> None:
    board.run(30)
    opened = board.ask(wire.Open(0, 1, 0, 0, 0, SESSION, wire.MINOR, 1), wire.Opened)
    sheet, total = b"", 1
    while len(sheet) < total:
        part = board.ask(wire.Sheet(len(sheet)), wire.SheetPart)
        sheet, total = sheet + part.part, part.total
    firmware = board.ask(wire.Firmware(), wire.FirmwareReply)

    assert digest_of(sheet) == opened.digest
    assert opened.reset_cause == ResetCause.PIN
    assert opened.tick_hz == TICK_HZ
    assert firmware.self_test == 0
    assert firmware.flash_crc == crc32c.crc32c(IMAGE)


@pytest.mark.parametrize("rate_hz", [1000, 10_000])
def test_samples_come_out_as_blocks_with_nothing_lost_and_nothing_changed(
    board: ExampleBoard, rate_hz: int
) -> None:
    board.stream(rate_hz, samples_per_block=20)
    blocks = every(board.run(400), wire.Block)

    indices = [block.first_index for block in blocks]
    shafts = [n for block in blocks for n in positions(block)]
    assert len(blocks) == 20
    assert indices == [indices[0] + 20 * n for n in range(20)]
    assert {after - before for before, after in pairwise(shafts)} == {board.turning}
    started = (
        torques(blocks[0])[0] // 3 - shafts[0]
    )  # what the timer showed first; the bridge gives 3 a count
    assert [torque for block in blocks for torque in torques(block)] == [3 * (n + started) for n in shafts]
    assert {block.inputs for block in blocks} == {GUARD_AND_CHAIN}
    ticks = [block.tick for block in blocks]
    period = TICK_HZ // rate_hz
    assert {after - before for before, after in pairwise(ticks)} == {20 * period}
    assert board.part.rate_hz == rate_hz


def test_conversions_that_the_loop_came_too_late_for_are_a_hole_and_no_shift(board: ExampleBoard) -> None:
    board.stream()
    blocks = every(board.run(60), wire.Block)
    for _ in range(50):  # the loop hangs for longer than the queue lasts
        board.convert()
    blocks += every(board.run(100), wire.Block)

    by_index = {block.first_index + n: shaft for block in blocks for n, shaft in enumerate(positions(block))}
    first = min(by_index)
    assert all(by_index[n] == by_index[first] + (n - first) * board.turning for n in by_index)
    missing = set(range(first, max(by_index) + 1)) - set(by_index)
    assert len(missing) == 50 + 1 - QUEUE  # one more comes before the loop does
    assert [bool(block.flags & SampleFlag.AFTER_GAP) for block in blocks].count(
        True
    ) == 2  # the first, and this one


def test_an_open_bridge_is_flagged_and_stops_the_drive(board: ExampleBoard) -> None:
    board.stream()
    assert board.speed().accepted
    board.part.status = 0x02  # the part itself says that its reference is gone
    found = board.run(60)

    assert any(block.flags & SampleFlag.BRIDGE_FAULT for block in every(found, wire.Block))
    assert EventCode.BRIDGE_OPEN in {event.code for event in every(found, wire.Event)}
    assert ("off", Axis.DRIVE, 50.0) in board.calls


def test_an_encoder_cable_that_comes_off_stops_the_drive(board: ExampleBoard) -> None:
    board.stream()
    assert board.speed().accepted
    board.calls.clear()
    board.encoder_off = True
    found = board.run(40)

    assert EventCode.ENCODER_FAULT in {event.code for event in every(found, wire.Event)}
    assert ("off", Axis.DRIVE, 50.0) in board.calls


def test_a_silent_converter_stops_the_drive_and_forbids_motion_until_it_speaks_again(
    board: ExampleBoard,
) -> None:
    board.stream()
    assert board.speed().accepted
    board.calls.clear()
    board.part.connected = False
    found = board.run(30)
    events = [event for event in every(found, wire.Event) if event.code == EventCode.BRIDGE_OPEN]
    refused = board.ask(wire.Clear(events[0].event_no), wire.Refused)
    watchdog = board.watchdog
    board.run(200)

    assert board.calls[:2] == [("off", Axis.ACTUATOR, 0.0), ("off", Axis.DRIVE, 50.0)]
    assert refused.reason == wire.Reason.INTERLOCK
    assert board.watchdog > watchdog  # reported, and so no reason to reset


def test_a_converter_given_up_is_begun_again_by_the_next_setup_and_motion_needs_a_clear(
    board: ExampleBoard,
) -> None:
    board.stream()
    board.part.connected = False
    board.run(300)
    board.ask(wire.Halt(), wire.Done)
    board.part.connected = True
    board.ask(wire.Setup(1_000_000, 20, 100, 0, 0), wire.SetupReply)
    board.run(60)
    board.ask(wire.Run(0), wire.Done)

    assert board.speed().reason == wire.Reason.LATCHED
    board.ask(wire.Clear(0xFFFFFFFF), wire.Done)
    assert board.speed().accepted
    assert len(every(board.run(100), wire.Block)) == 5


def test_the_guard_is_lost_at_once_and_stops_the_drive(board: ExampleBoard) -> None:
    board.stream()
    assert board.speed().accepted
    board.calls.clear()
    board.pins &= ~int(Input.GUARD_CLOSED)
    board.convert()
    board.turn()
    at_once = list(board.calls)
    board.pins |= int(Input.GUARD_CLOSED)
    blocks = every(board.run(60), wire.Block)
    shown = [bool(block.inputs & Input.GUARD_CLOSED) for block in blocks]

    assert ("off", Axis.DRIVE, 50.0) in at_once
    assert [each for each, _ in groupby(shown)] == [True, False, True]  # cut at each change
    assert sum(block.count for block, closed in zip(blocks, shown, strict=True) if not closed) == 30


def test_the_lease_output_follows_the_lease_as_a_square_wave_and_ends_with_it(board: ExampleBoard) -> None:
    board.stream()
    assert board.speed().accepted
    pins = []
    for _ in range(100):
        board.run(1)
        pins.append(board.lease_pin)
    board.run(1100)  # nobody renews
    after = []
    for _ in range(20):
        board.run(1)
        after.append(board.lease_pin)

    edges = sum(a != b for a, b in pairwise(pins))
    assert 30 <= edges <= 50  # 100 ms, an edge each 2 ms or the next time the loop comes by
    assert after == [False] * 20
    assert board.calls[-1] == ("off", Axis.DRIVE, 2.0)


def test_a_lease_output_that_does_not_obey_is_a_fault_of_the_drive(board: ExampleBoard) -> None:
    board.stream()
    board.lease_stuck = True
    found = board.run(60)

    assert EventCode.DRIVE_FAULT in {event.code for event in every(found, wire.Event)}
    assert board.speed().reason == wire.Reason.INTERLOCK


def test_outputs_and_slow_channels_reach_their_pins_and_come_from_their_sensors(board: ExampleBoard) -> None:
    board.stream()
    board.ask(wire.Switch(500, Output.SHUNT, 1), wire.Done)
    slow = every(board.run(150), wire.Slow)

    assert ("output", Output.SHUNT, True) in board.calls
    assert dict(slow[-1].values) == {0: 25.0, 1: 5.0}


def test_a_probe_carries_the_tick_of_its_delimiter_and_of_its_answer(board: ExampleBoard) -> None:
    board.stream()
    before = board.tick_now
    board.tell(wire.Probe(77, 0, 0, 5))
    came = board.tick_now
    board.tick_now += 250  # the loop comes by later
    board.turn()
    probed = only(list(board.heard()), wire.Probed)

    assert before < probed.tick_rx <= came
    assert came + 250 < probed.tick_tx == board.sent_tick
    assert (probed.host_ns, probed.probe_id) == (77, 5)


def test_a_line_that_stands_still_is_counted_as_a_stall_and_loses_nothing_that_the_ring_holds(
    board: ExampleBoard,
) -> None:
    board.stream()
    board.run(40)
    board.busy_turns = 300  # 100 ms
    found = board.run(400)
    blocks = every(found, wire.Block)

    indices = [block.first_index for block in blocks]
    assert indices == [indices[0] + 20 * n for n in range(len(indices))]
    assert every(found, wire.Status)[-1].tx_stalls == 1


def test_a_loop_that_hangs_does_not_feed_the_watchdog(board: ExampleBoard) -> None:
    board.stream()
    board.run(10)
    fed = board.watchdog
    for _ in range(20):
        board.convert()  # the interrupts go on
    hung = board.watchdog
    board.run(10)

    assert hung == fed
    assert board.watchdog > fed


@pytest.mark.parametrize(
    ("break_it", "bit"),
    [
        (lambda board: board.part.stuck_bits.update({0x02: 0x0800}), 1 << 9),
        (lambda board: setattr(board, "lease_stuck", True), 1 << 10),
    ],
    ids=["a register that does not read back", "a lease output that is stuck high"],
)
def test_a_board_that_fails_its_own_test_says_so_and_does_not_move(
    break_it: Callable[[ExampleBoard], None], bit: int
) -> None:
    board = ExampleBoard()
    break_it(board)
    library().example_init(board.memory, ctypes.byref(board.access), board.keep)
    board.ask(wire.Open(0, 1, 0, 0, 0, SESSION, wire.MINOR, 1), wire.Opened)
    firmware = board.ask(wire.Firmware(), wire.FirmwareReply)

    assert firmware.self_test == bit
    assert board.speed().reason == wire.Reason.INTERLOCK


def test_an_open_bridge_is_known_before_anything_turns() -> None:
    board = ExampleBoard()
    board.part.bridge_open = True
    board.stream()
    found = every(board.run(60), wire.Block)

    assert all(block.flags & SampleFlag.BRIDGE_FAULT for block in found)
    assert COUNTS_MAX not in {torque for block in found for torque in torques(block)}
