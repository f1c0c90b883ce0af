"""What an image takes of flash, RAM and stack, beside the limits that a change must not pass unnoticed.

Run by `make -C protocol/device budget`, or as `python tests/device/budget.py`; it fails when a limit is passed. A limit that must
grow is raised here, in the commit that needs it, with the reason.
"""

import sys
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.device.build import BUILD, built
from tests.device.callgraph import CallGraph, deepest_stack
from tests.device.elf import read_image

MACHINES = ("mps2-an385", "mps2-an386")

# A few per cent above what the image took when the limit was set. RAM is first of all the ring of 64 KiB and its index of 8.
FLASH_BYTES_MAX = 28 * 1024
RAM_BYTES_MAX = 92 * 1024
STACK_BYTES_MAX = 1152
FAULT_STACK_BYTES_MAX = 384

RAM_SECTIONS = (".stack", ".data", ".bss", ".noinit")
THREAD = "nt_reset_handler"
INTERRUPTS = (
    "nt_timer1_handler",
    "nt_uart_tx_handler",
    "nt_uart_rx_handler",
)  # each interrupts the one before
FAULT = "nt_fault_record"
ROOTS = frozenset({THREAD, *INTERRUPTS, FAULT, "nt_fault_handler"})


@dataclass(frozen=True, slots=True)
class Line:
    """One budget, in bytes."""

    what: str
    used: int
    most: int

    @property
    def kept(self) -> bool:
        """Whether it is."""
        return self.used <= self.most


def budgets(machine: str) -> list[Line]:
    """What the image of a machine takes; it is built first."""
    image = read_image(built(f"{machine}.elf"))
    linked = frozenset(name for name, symbol in image.symbols.items() if symbol.is_function)
    graph = CallGraph.read(BUILD / machine, ROOTS, linked)
    stack = deepest_stack(graph, THREAD, INTERRUPTS)
    # A fault on its own stack, and the watchdog that interrupts it.
    fault_stack = deepest_stack(graph, FAULT, (FAULT,))
    given = image.address("nt_stack_top") - image.address("nt_stack_bottom")
    fault_given = image.address("nt_fault_stack_top") - image.address("nt_stack_top")
    return [
        Line("flash", len(image.flash), FLASH_BYTES_MAX),
        Line("RAM", sum(image.sections[name].size for name in RAM_SECTIONS), RAM_BYTES_MAX),
        Line("stack, deepest path", stack, min(STACK_BYTES_MAX, given)),
        Line("fault stack, deepest path", fault_stack, min(FAULT_STACK_BYTES_MAX, fault_given)),
    ]


def main() -> int:
    """Print the table."""
    print("| image | what | bytes | limit |\n|---|---|---|---|")
    kept = True
    for machine in MACHINES:
        for line in budgets(machine):
            print(f"| {machine} | {line.what} | {line.used} | {line.most}{'' if line.kept else '  PASSED'} |")
            kept = kept and line.kept
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
