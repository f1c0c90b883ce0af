"""Crashes planted in the unmodified image from outside: each resets the board, and the next boot says what it was.

Bits of the configurable fault status register as in the Armv7-M manual (DDI 0403) B3.2.15. None of this is a safety function:
it makes a board that went wrong start again, and tell.
"""

import pytest
from tests.device.board_session import (
    BRANCH_TO_ITSELF,
    NOWHERE,
    SPARE,
    STORE_R1_AT_R0,
    Rebirth,
    reborn,
)
from tests.device.build import built
from tests.device.client import Client
from tests.device.elf import Image, read_image
from tests.device.gdb import Gdb
from tests.device.qemu import Qemu, Wiring

from nightturn_protocol import messages
from nightturn_protocol.messages import ResetCause

IMAGE = "mps2-an385.elf"
LINK_REGISTER = 0x0000_1235
PC_UNKNOWN = 0xFFFF_FFFF
BY_INTERRUPT, BY_WATCHDOG, BY_STACK_GUARD = 0x8000_0000, 0x4000_0000, 0x2000_0000  # as in startup.h
PARTS = 7  # which of receive, sample and transmit had not come by, as in nt_checkin.h
NO_CODE, WRITE_REFUSED, MEMORY_STACKING, ADDRESS_KNOWN = 0x1, 0x2, 0x10, 0x80
NO_INSTRUCTION, BUS_STACKING = 0x100, 0x1000
INTERRUPT = 20  # one of the 32 that nothing is connected to
FIRST_INTERRUPT = 16  # exception number of interrupt 0
SET_ENABLE = 0xE000_E100
ENABLE_INTERRUPTS = b"\x62\xb6"
STORE_R1_BEHIND_R0 = b"\xc0\xf8\x00\x11"  # at r0 + 0x100: the register that makes an interrupt pending
PUSH_FOR_EVER = b"\x10\xb5\xfd\xe7"

pytestmark = pytest.mark.alone


@pytest.fixture(scope="module")
def image() -> Image:
    return read_image(built(IMAGE))


def crash(code: bytes, **registers: int) -> Rebirth:
    """Let an image of the M3 run into some code, or to another `pc`."""

    def plant(gdb: Gdb) -> None:
        gdb.write(SPARE, code)
        for name, value in {"pc": SPARE, "lr": LINK_REGISTER, **registers}.items():
            gdb.set_register(name, value)

    with Qemu(built(IMAGE)) as board:
        return reborn(board, plant)


def told(found: Rebirth) -> tuple[int, int, int]:
    """Where it was, where that came from, and what it was."""
    firmware = found.firmware
    assert firmware.self_test == 0
    return firmware.crash_pc, firmware.crash_lr, firmware.crash_cause


@pytest.mark.parametrize("machine", ["mps2-an385", "mps2-an386"])
def test_a_main_loop_that_hangs_is_ended_by_the_watchdog(machine: str) -> None:
    image = read_image(built(f"{machine}.elf"))
    code = image.symbols["nt_crash"]
    hang = image.flash.index(BRANCH_TO_ITSELF, code.address, code.address + code.size)  # of its own, for ever

    def plant(gdb: Gdb) -> None:
        gdb.set_register("pc", hang)
        gdb.set_register("lr", LINK_REGISTER)

    with Qemu(built(f"{machine}.elf"), Wiring(machine=machine)) as board:
        found = reborn(board, plant)

    pc, lr, cause = told(found)
    assert found.after.reset_cause == ResetCause.WATCHDOG
    assert (pc, lr) == (hang, LINK_REGISTER)
    assert image.function_at(pc) == "nt_crash"
    assert cause & ~PARTS == BY_WATCHDOG


@pytest.mark.parametrize("machine", ["mps2-an385", "mps2-an386"])
def test_a_jump_to_where_nothing_is_is_a_fault_at_that_place(machine: str) -> None:
    def plant(gdb: Gdb) -> None:
        gdb.set_register("pc", NOWHERE)
        gdb.set_register("lr", LINK_REGISTER)

    with Qemu(built(f"{machine}.elf"), Wiring(machine=machine)) as board:
        found = reborn(board, plant)

    assert found.after.reset_cause == ResetCause.FAULT
    assert found.after.resumed == 0
    assert told(found) == (NOWHERE, LINK_REGISTER, NO_INSTRUCTION)


def test_a_write_through_a_null_pointer_is_a_fault_where_it_happened() -> None:
    found = crash(STORE_R1_AT_R0, r0=0, r1=1)

    assert found.after.reset_cause == ResetCause.FAULT
    assert told(found) == (SPARE, LINK_REGISTER, WRITE_REFUSED | ADDRESS_KNOWN)


def test_a_jump_into_data_is_a_fault(image: Image) -> None:
    data = image.address("nt_bss_start")

    found = crash(b"", pc=data)

    assert found.after.reset_cause == ResetCause.FAULT
    assert told(found) == (data, LINK_REGISTER, NO_CODE)


def test_a_stack_that_overflows_is_a_fault_and_overwrites_nothing() -> None:
    found = crash(PUSH_FOR_EVER)

    pc, _, cause = told(found)
    assert found.after.reset_cause == ResetCause.FAULT
    assert pc == PC_UNKNOWN  # the frame that would say so had no room
    whole = WRITE_REFUSED | MEMORY_STACKING | ADDRESS_KNOWN
    assert cause & MEMORY_STACKING  # alone when an interrupt came first
    assert cause | whole == whole


def test_a_fault_without_any_stack_is_still_recorded() -> None:
    found = crash(b"", pc=NOWHERE, sp=NOWHERE)

    assert found.after.reset_cause == ResetCause.FAULT
    pc, lr, cause = told(found)
    assert (pc, lr) == (PC_UNKNOWN, 0)
    assert cause | NO_INSTRUCTION == BUS_STACKING | NO_INSTRUCTION  # an interrupt may have come first


def test_the_watchdog_ends_a_loop_that_has_no_stack_either() -> None:
    found = crash(BRANCH_TO_ITSELF, sp=NOWHERE)

    pc, lr, cause = told(found)
    assert found.after.reset_cause in {ResetCause.WATCHDOG, ResetCause.FAULT}
    assert (pc, lr) == (PC_UNKNOWN, 0)
    assert cause & (BY_WATCHDOG | BUS_STACKING)


def test_an_interrupt_that_nobody_enabled_is_recorded_with_its_number() -> None:
    code = ENABLE_INTERRUPTS + STORE_R1_AT_R0 + STORE_R1_BEHIND_R0 + BRANCH_TO_ITSELF

    found = crash(code, r0=SET_ENABLE, r1=1 << INTERRUPT)

    pc, _, cause = told(found)
    assert found.after.reset_cause == ResetCause.FAULT
    assert SPARE < pc <= SPARE + len(code)
    assert cause == BY_INTERRUPT | (FIRST_INTERRUPT + INTERRUPT)


def test_a_guard_that_was_overwritten_is_noticed(image: Image) -> None:
    with Qemu(built(IMAGE)) as board:
        found = reborn(board, lambda gdb: gdb.write(image.address("nt_stack_limit"), b"\0"))

    assert found.after.reset_cause == ResetCause.FAULT
    assert told(found) == (PC_UNKNOWN, 0, BY_STACK_GUARD)


def test_a_crash_is_remembered_by_later_boots_but_is_not_their_cause() -> None:
    with Qemu(built(IMAGE)) as board:
        first = reborn(board, lambda gdb: gdb.set_register("pc", NOWHERE))
        with Client(board.port) as host:
            board.qmp("system_reset")
            opened = host.open(0x4321)
            firmware = host.ask(messages.Firmware(), messages.FirmwareReply)

    assert first.after.reset_cause == ResetCause.FAULT
    assert opened.boot_id != first.after.boot_id
    assert opened.reset_cause == ResetCause.UNKNOWN
    assert (firmware.crash_pc, firmware.crash_cause) == (NOWHERE, NO_INSTRUCTION)


def test_memory_that_lost_its_content_makes_a_boot_by_power(image: Image) -> None:
    def plant(gdb: Gdb) -> None:
        gdb.write(image.address("nt_kept"), b"\xff" * 8)

    with Qemu(built(IMAGE)) as board:
        with Client(board.port) as host:
            host.open(0x4321)
        with board.debugger() as gdb:
            plant(gdb)
        board.qmp("system_reset")
        with Client(board.port) as host:
            opened = host.open(0x4322)

    assert opened.reset_cause == ResetCause.POWER
