"""The real image on the emulated boards: it boots, answers, says what it is, keeps its line's rate and its clock."""

import os
import random
import selectors
import shutil
import subprocess
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from crc32c import crc32c
from tests.device.board_session import SESSION, deepest_use, store
from tests.device.budget import budgets
from tests.device.build import DEVICE, built
from tests.device.client import Client
from tests.device.elf import read_image
from tests.device.qemu import Qemu, Wiring
from tests.waiting import act_for

from nightturn.acquisition.link import Link, LinkSettings
from nightturn.acquisition.outputs import BlockIn, Missing, Output, SendFrame, SessionUp
from nightturn_protocol import messages
from nightturn_protocol.framing import Deframer, frame_body, to_wire
from nightturn_protocol.messages import Axis, DeviceState, DriveMode, ResetCause, SampleFlag, Stream

MACHINES = ("mps2-an385", "mps2-an386")
TIMER0_VALUE = 0x4000_0004
FLASH_FAILED = 0x400  # NT_SELF_TEST_FLASH
PATIENCE_S = 30.0  # a hang guard
TICKS_PER_S = 1_000_000
NOBODY_READS_S = 2.5  # the pty takes about a second of the fast stream

pytestmark = pytest.mark.alone


@pytest.fixture(params=MACHINES)
def machine(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def board(machine: str) -> Iterator[Qemu]:
    with Qemu(built(f"{machine}.elf"), Wiring(machine=machine)) as running:
        yield running


def run(host: Client, rate_hz: int, block_samples: int = 100, stream: int = Stream.BRIDGE) -> None:
    """Set up and start a stream with ten STATUS a second."""
    host.ask(messages.Setup(rate_hz * 1000, block_samples, 100, stream, 0), messages.SetupReply)
    host.ask(messages.Run(0), messages.Done)


def collect(host: Client, blocks: int) -> list[messages.Message]:
    """All messages from now until so many blocks are among them; the host speaks now and then."""
    found: list[messages.Message] = []
    until_s = time.monotonic() + PATIENCE_S
    while sum(isinstance(each, messages.Block) for each in found) < blocks:
        assert time.monotonic() < until_s, f"{len(found)} messages only"
        host.send(messages.EventAck(1))
        found += host.listen(0.1)
    return found


def test_a_board_is_mute_until_it_is_opened_and_then_says_who_it_is(board: Qemu) -> None:
    with Client(board.port) as host:
        host.send(messages.Firmware(), session=SESSION)
        before = host.listen(0.5)
        opened = host.open(SESSION)

    assert before == []
    assert host.bad == 0
    assert (opened.reset_cause, opened.state) == (ResetCause.POWER, DeviceState.IDLE)
    assert (opened.tick_hz, opened.ring_bytes) == (TICKS_PER_S, 65_536)
    assert opened.boot_id != 0
    assert opened.board.rstrip(b"\0") == b"MPS2-0000"


def test_the_firmware_reply_names_the_image_that_runs(board: Qemu, machine: str) -> None:
    image = read_image(built(f"{machine}.elf"))
    options = image.bytes_of("nt_build_options").rstrip(b"\0")

    with Client(board.port) as host:
        host.open(SESSION)
        firmware = host.ask(messages.Firmware(), messages.FirmwareReply)

    assert firmware.flash_crc == crc32c(image.crc_range())
    assert firmware.config_hash == crc32c(options)
    assert machine.encode() in options
    assert b"921600" in options
    assert firmware.build.startswith(machine.encode() + b" gcc ")
    assert firmware.self_test == 0
    assert (firmware.crash_pc, firmware.crash_lr, firmware.crash_cause) == (0, 0, 0)


def test_the_host_s_own_link_takes_the_board_up_and_gets_its_samples(board: Qemu) -> None:
    link = Link.start(LinkSettings(1_000_000, 100, 100), nonce=77)
    out: list[Output] = []
    deframer = Deframer()
    descriptor = os.open(board.port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    os.write(descriptor, b"\0")
    until_s = time.monotonic() + PATIENCE_S
    with selectors.DefaultSelector() as ready:
        ready.register(descriptor, selectors.EVENT_READ)
        news = link.opened(time.monotonic_ns())
        while sum(isinstance(each, BlockIn) for each in out) < 10:
            assert time.monotonic() < until_s, link.state
            for each in news:
                if isinstance(each, SendFrame):
                    os.write(descriptor, to_wire(each.body))
            out += news
            bodies = deframer.receive_bytes(os.read(descriptor, 65536)) if ready.select(0.02) else []
            now_ns = time.monotonic_ns()
            news = [each for body in bodies for each in link.frame(now_ns, 0, body)] + link.tick(now_ns)
    os.close(descriptor)

    assert deframer.bad == 0
    assert [each.new_boot for each in out if isinstance(each, SessionUp)] == [True]
    assert not [each for each in out if isinstance(each, Missing)]
    blocks = [each for each in out if isinstance(each, BlockIn)]
    assert all(after.index == before.index + 100 for before, after in pairwise(blocks))
    assert all(after.tick == before.tick + 100_000 for before, after in pairwise(blocks))


def test_the_number_in_flash_names_the_board_and_makes_another_unit_of_its_bench() -> None:
    image = built("mps2-an385.elf")
    names, torques = [], []
    for number in (0, 42, 9999, 0xFFFFFFFF):
        with Qemu(image, Wiring(number=number)) as board, Client(board.port) as host:
            names.append(host.open(SESSION).board.rstrip(b"\0"))
            run(host, 1000)
            block = host.next(messages.Block)
            torques.append(int.from_bytes(block.samples[:3], "little", signed=True))

    assert names == [b"MPS2-0000", b"MPS2-0042", b"MPS2-9999", b"MPS2-0000"]
    assert len(set(torques[:3])) == 3


def test_boards_that_start_alike_have_boot_ids_of_their_own() -> None:
    image = built("mps2-an385.elf")
    ids = []
    for _ in range(4):
        with Qemu(image) as board, Client(board.port) as host:
            ids.append(host.open(SESSION).boot_id)
            board.qmp("system_reset")
            ids.append(host.open(SESSION).boot_id)

    assert len(set(ids)) == 8


def test_a_reset_from_outside_is_a_new_boot_without_a_crash(board: Qemu) -> None:
    with Client(board.port) as host:
        before = host.open(SESSION)
        board.qmp("system_reset")
        after = host.open(SESSION, last_boot_id=before.boot_id, last_session=SESSION, fresh=False)
        firmware = host.ask(messages.Firmware(), messages.FirmwareReply)

    assert after.boot_id != before.boot_id
    assert after.resumed == 0
    assert after.uptime_tick < TICKS_PER_S * PATIENCE_S
    assert after.reset_cause == ResetCause.UNKNOWN  # this board cannot tell a pin from other causes
    assert firmware.crash_pc == 0


def test_an_image_that_changed_in_flash_fails_its_self_test_and_moves_nothing(tmp_path: Path) -> None:
    whole = built("mps2-an385.elf")
    image = read_image(whole)
    content = bytearray(whole.read_bytes())
    content[image.sections[".text"].file_offset + image.address("nt_build_options")] ^= 0x20
    spoilt = tmp_path / "spoilt.elf"
    spoilt.write_bytes(content)

    with Qemu(spoilt) as board, Client(board.port) as host:
        opened = host.open(SESSION)
        firmware = host.ask(messages.Firmware(), messages.FirmwareReply)
        seen = host.next(messages.Status)
        host.send(messages.Lease(seen.tick, 7.0, 5.0, 1000, 0))
        drive = messages.Drive(0, 1 << 62, 1, 1.0, 2.0, 50.0, Axis.DRIVE, DriveMode.SPEED, 0)
        reply = host.ask(drive, messages.DriveReply)

    assert opened.state == DeviceState.FAULT
    assert firmware.self_test == FLASH_FAILED
    assert firmware.flash_crc == crc32c(read_image(spoilt).crc_range())
    assert (reply.accepted, reply.reason) == (0, messages.Reason.INTERLOCK)


def test_garbage_on_the_line_is_counted_and_the_board_still_answers(board: Qemu) -> None:
    garbage = random.Random(20).randbytes(20_000)
    with Client(board.port) as host:
        host.open(SESSION)
        line = os.open(board.port, os.O_WRONLY | os.O_NOCTTY)
        os.write(line, garbage)
        os.write(line, b"\0")
        os.close(line)
        host.ask(messages.Firmware(), messages.FirmwareReply)
        status = host.next(messages.Status)

    pieces = sum(1 for piece in garbage.split(b"\0") if piece)
    bad = status.rx_bad_crc + status.rx_bad_cobs + status.rx_oversize
    assert 0 < bad <= pieces + 1
    assert bad + status.rx_overrun >= pieces // 2


def test_a_probe_is_stamped_when_it_comes_and_when_its_answer_goes(board: Qemu) -> None:
    with Client(board.port) as host:
        ticks = [host.open(SESSION).uptime_tick]
        for number in range(20):
            host.send(messages.Probe(1234, 0, 0, number))
            probed = host.next(messages.Probed)
            assert (probed.host_ns, probed.probe_id) == (1234, number)
            ticks += [probed.tick_rx, probed.tick_tx]

    assert ticks == sorted(ticks)
    assert len(set(ticks[1::2])) == 20


def test_the_load_is_measured_and_grows_with_the_rate() -> None:
    loads = []
    for rate_hz in (100, 10_000):
        with Qemu(built("mps2-an385.elf")) as board, Client(board.port) as host:
            host.open(SESSION)
            run(host, rate_hz, 10 if rate_hz == 100 else 100)
            collect(host, rate_hz // 100 + 12)
            loads.append(host.next(messages.Status).cpu_pct)

    assert 0 <= loads[0] < loads[1] <= 100


def test_a_slow_line_carries_its_declared_rate_and_no_more() -> None:
    bytes_per_s = 11_520
    with Qemu(built("mps2-an385-slow-line.elf")) as board, Client(board.port) as host:
        host.open(SESSION)
        run(host, 10_000)
        heard = collect(host, 60)

    statuses = [at for at, each in enumerate(heard) if isinstance(each, messages.Status)]
    first, last = heard[statuses[0]], heard[statuses[-1]]
    assert isinstance(first, messages.Status)
    assert isinstance(last, messages.Status)
    between = sum(len(to_wire(frame_body(each, SESSION, 1))) for each in heard[statuses[0] : statuses[-1]])
    spent_s = (last.tick - first.tick) / TICKS_PER_S
    assert between <= bytes_per_s * (spent_s + 0.02) + messages.WIRE_BYTES_MAX
    assert between >= bytes_per_s * spent_s / 2
    assert last.blocks_overwritten_unsent > 0
    assert last.tx_stalls == 0  # the line moved all the time, it was only too slow


def test_a_line_that_nobody_reads_is_counted_as_stalled() -> None:
    with Qemu(built("mps2-an385.elf")) as board, Client(board.port) as host:
        host.open(SESSION)
        run(host, 10_000)
        before = host.next(messages.Status)
        act_for(NOBODY_READS_S, "nobody reads")
        collect(host, 300)
        after = host.next(messages.Status)

    assert before.tx_stalls == 0
    assert after.tx_stalls >= 1
    assert host.bad == 0


def test_a_counter_at_its_end_goes_on_and_a_leap_of_the_clock_is_a_hole_that_says_so() -> None:
    with Qemu(built("mps2-an385.elf")) as board, Client(board.port) as host:
        host.open(SESSION)
        run(host, 1000)
        before = [each for each in collect(host, 3) if isinstance(each, messages.Block)][-1]
        store(board, TIMER0_VALUE, 1_000_000)  # it counts down: 40 ms to its end
        after = [each for each in collect(host, 6) if isinstance(each, messages.Block)]

    blocks = [before, *after]
    for one, next_one in pairwise(blocks):
        assert next_one.tick - one.tick == (next_one.first_index - one.first_index) * 1000
        contiguous = next_one.first_index == one.first_index + one.count
        assert contiguous == (not next_one.flags & SampleFlag.AFTER_GAP)
    assert sum(each.flags & SampleFlag.AFTER_GAP for each in after) == SampleFlag.AFTER_GAP  # one hole
    assert after[-1].tick - before.tick > 100 * TICKS_PER_S  # most of a round of the counter was skipped


def test_the_stack_stays_far_from_its_guard_while_everything_is_asked_for(machine: str, board: Qemu) -> None:
    image = read_image(built(f"{machine}.elf"))
    bound = next(line.used for line in budgets(machine) if line.what.startswith("stack"))
    with Client(board.port) as host:
        host.open(SESSION)
        host.ask(messages.Sheet(0), messages.SheetPart)
        host.ask(messages.Firmware(), messages.FirmwareReply)
        run(host, 10_000)
        for number, (axis, mode) in enumerate(
            [(Axis.DRIVE, DriveMode.SPEED), (Axis.ACTUATOR, DriveMode.TORQUE), (Axis.DRIVE, DriveMode.OFF)],
            start=1,
        ):
            seen = host.next(messages.Status)
            host.send(messages.Lease(seen.tick, 7.0, 5.0, 1000, 0))
            drive = messages.Drive(0, 1 << 62, number, 1.0, 2.0, 50.0, axis, mode, 0)
            assert host.ask(drive, messages.DriveReply).accepted
        host.ask(messages.Switch(100, messages.Output.LAMP, 1), messages.Done)
        host.send(messages.Probe(0, 0, 0, 1))
        host.send(messages.Resend(0, 20))
        collect(host, 200)
        with board.debugger() as gdb:
            used, guarded = deepest_use(gdb, image)

    assert guarded
    assert 200 < used <= bound


def test_the_same_sources_give_the_same_image_in_another_folder(machine: str, tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    shutil.copytree(DEVICE, elsewhere, ignore=shutil.ignore_patterns("build", "__pycache__"))

    done = subprocess.run(
        ["make", "-s", f"build/{machine}.elf"], cwd=elsewhere, capture_output=True, text=True, check=False
    )

    assert done.returncode == 0, done.stderr
    assert (elsewhere / "build" / f"{machine}.elf").read_bytes() == built(f"{machine}.elf").read_bytes()
