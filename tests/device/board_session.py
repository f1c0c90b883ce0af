"""What tests of the emulated boards do again and again: open, ask, crash and look at what the next boot tells."""

from collections.abc import Callable
from dataclasses import dataclass

from tests.device.client import Client
from tests.device.elf import Image
from tests.device.gdb import Gdb
from tests.device.qemu import Qemu

from nightturn_protocol import messages

SESSION = 0x1234
BOOTS_MAX = 40  # OPENs, a tenth of a second each at least, until a new boot answers
STOPS_MAX = 1000  # while the processor sleeps until its next interrupt
SPARE = 0x0010_0000  # flash behind the image: read-only for the program, and code may run there
NOWHERE = 0x9000_0000  # no memory, and no device that reads as zero
STORE_R1_AT_R0 = b"\x01\x60"
BRANCH_TO_ITSELF = b"\xfe\xe7"
PAINT = 0xC0DEC0DE.to_bytes(4, "little")


@dataclass(frozen=True, slots=True)
class Rebirth:
    """A crash from outside: the boot before, the boot after, and what that one keeps of it."""

    before: messages.Opened
    after: messages.Opened
    firmware: messages.FirmwareReply


def reborn(board: Qemu, plant: Callable[[Gdb], None]) -> Rebirth:
    """Open, let `plant` do its worst to the stopped processor, and wait for another boot to answer.

    Raises:
        AssertionError: none does.
    """
    with Client(board.port) as host:
        before = host.open(SESSION)
        with board.debugger() as gdb:
            plant(gdb)
        for _ in range(BOOTS_MAX):
            after = host.open(SESSION)
            if after.boot_id != before.boot_id:
                return Rebirth(before, after, host.ask(messages.Firmware(), messages.FirmwareReply))
        raise AssertionError(f"the board goes on as it was, or not at all: {board.errors()}")


def store(board: Qemu, address: int, value: int) -> None:
    """Let the processor write a word: a debugger reaches memory only, no device.

    Raises:
        AssertionError: it did not come to that.
    """
    with board.debugger() as gdb:
        kept = {name: gdb.register(name) for name in ("r0", "r1", "pc")}
        gdb.write(SPARE, STORE_R1_AT_R0 + BRANCH_TO_ITSELF)
        for name, new in {"r0": address, "r1": value, "pc": SPARE}.items():
            gdb.set_register(name, new)
    for _ in range(STOPS_MAX):
        with board.debugger() as gdb:
            if gdb.register("pc") == SPARE + len(STORE_R1_AT_R0):
                for name, old in kept.items():
                    gdb.set_register(name, old)
                return
    raise AssertionError("the processor never came by")


def deepest_use(gdb: Gdb, image: Image) -> tuple[int, bool]:
    """Bytes of the stack that were ever written, and whether the guard below it is as it was painted."""
    limit, bottom, top = (image.address(f"nt_stack_{name}") for name in ("limit", "bottom", "top"))
    guard = gdb.read(limit, bottom - limit)
    stack = gdb.read(bottom, top - bottom)
    untouched = next(at for at in range(0, len(stack), 4) if stack[at : at + 4] != PAINT)
    return len(stack) - untouched, guard == PAINT * (len(guard) // 4)
