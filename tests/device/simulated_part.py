"""A simulated converter behind SPI: registers, commands and a data-ready line, for whatever table describes it."""

import ctypes
from collections import deque
from dataclasses import dataclass, field
from typing import Any

from tests.device.drivers import (
    ADC_BYTES,
    ASK,
    DO,
    LATCH,
    TRANSFER,
    WRITE,
    AdcAccess,
    AdcCommand,
    AdcConversion,
    AdcHead,
    AdcLatch,
    AdcPart,
    AdcRate,
    AdcRegister,
    library,
    sizes,
)

TICK_HZ = 1_000_000
RESET, STOP, START, READ = b"\x11", b"\x33", b"\x22", b"\x44"
QUEUE = 32  # NT_ADC_QUEUE
RATE_MASK, BURNOUT_MASK = 0x0F, 0x03
COUNTS_MAX, COUNTS_MIN = (1 << 23) - 1, -(1 << 23)


@dataclass(frozen=True)
class Table:
    """What struct nt_adc_part says, in Python; the rest of it is derived."""

    registers: tuple[tuple[int, int, int, int], ...] = (
        (1, 1, 0x30, 0x7F),
        (2, 2, 0x0187, 0x0FFF),
        (5, 1, 0, 0xFF),
    )
    rates: tuple[tuple[int, int], ...] = ((1000, 3), (4000, 5))
    rate_register: int = 0
    burnout_register: int = 2
    write_opcode: int = 0x80
    read_opcode: int = 0xC0
    address_shift: int = 1
    counted: bool = True
    has_stop: bool = True
    has_start: bool = True
    has_read: bool = True
    has_reset: bool = True
    offset_binary: bool = False
    status_bytes: int = 1
    burnout: bool = False
    burnout_counts: int = 6_000_000
    open_counts: int = COUNTS_MAX
    open_conversions: int = 5
    settle: int = 3
    silent: int = 8
    jitter_ticks: int = 5

    def part(self) -> AdcPart:
        """The C struct; it keeps its tables alive by itself."""
        registers = (AdcRegister * len(self.registers))(*(AdcRegister(*each) for each in self.registers))
        rates = (AdcRate * len(self.rates))(*(AdcRate(*each) for each in self.rates))
        return AdcPart(
            registers=registers,
            rates=rates,
            register_count=len(self.registers),
            rate_count=len(self.rates),
            write_opcode=self.write_opcode,
            read_opcode=self.read_opcode,
            address_shift=self.address_shift,
            counted=self.counted,
            reset=AdcCommand.of(RESET if self.has_reset else b""),
            stop=AdcCommand.of(STOP if self.has_stop else b""),
            start=AdcCommand.of(START if self.has_start else b""),
            read=AdcCommand.of(READ if self.has_read else b""),
            offset_binary=self.offset_binary,
            status_bytes=self.status_bytes,
            status_fault_mask=0x06,
            rate_register=self.rate_register,
            burnout_register=self.burnout_register,
            rate_mask=RATE_MASK,
            burnout_mask=BURNOUT_MASK if self.burnout else 0,
            burnout_bits=BURNOUT_MASK,
            burnout_counts=self.burnout_counts,
            open_counts=self.open_counts,
            open_conversions=self.open_conversions,
            settle_conversions=self.settle,
            silent_conversions=self.silent,
            reset_us=200,
            jitter_ticks=self.jitter_ticks,
        )


@dataclass
class SimulatedPart:
    """Silicon, seen from its pins.

    Attributes:
        stuck_bits: per address, bits of its register that always read as 1.
        connected: nobody answers otherwise: the line is high, and no data come.
        bridge: what it converts, counts; an open one drifts to the end when burn-out currents flow.
        ready: the data-ready line is active.
        ready_stuck: the line is active whatever is read.
        transfers: every transfer: what went out.
    """

    table: Table
    stuck_bits: dict[int, int] = field(default_factory=dict)
    connected: bool = True
    bridge: int = 1000
    bridge_open: bool = False
    status: int = 0
    ready: bool = False
    ready_stuck: bool = False
    registers: dict[int, int] = field(default_factory=dict)
    converting: bool = False
    conversions: int = 0
    resets: int = 0
    transfers: list[bytes] = field(default_factory=list)

    def reset(self) -> None:
        """Every register as after power-on: all ones, so that a write left out is seen."""
        self.resets += 1
        self.registers = {address: (1 << 8 * count) - 1 for address, count, _, _ in self.table.registers}
        self.converting = not self.table.has_start
        self.ready = False

    @property
    def burnout_on(self) -> bool:
        address = self.table.registers[self.table.burnout_register][0]
        return self.table.burnout and self.registers[address] & BURNOUT_MASK == BURNOUT_MASK

    @property
    def rate_hz(self) -> int:
        """The rate that is set; 0 when the bits mean none."""
        bits = self.registers[self.table.registers[self.table.rate_register][0]] & RATE_MASK
        return next((rate for rate, own in self.table.rates if own == bits), 0)

    def convert(self) -> bool:
        """A conversion is done: whether data-ready becomes active."""
        if not (self.connected and self.converting):
            return False
        self.conversions += 1
        edge = not self.ready
        self.ready = True
        return edge

    def code(self) -> int:
        """The 24 bits on the wire."""
        counts = COUNTS_MAX if self.bridge_open and self.burnout_on else self.bridge
        return (counts - COUNTS_MIN if self.table.offset_binary else counts) & 0xFFFFFF

    def transfer(self, out: bytes) -> bytes:
        """One transfer: what comes back, as long."""
        self.transfers.append(out)
        if not self.connected:
            return b"\xff" * len(out)
        return self._command(out) or self._register(out) or self._data(out)

    def _command(self, out: bytes) -> bytes:
        table = self.table
        if table.has_reset and out == RESET:
            self.reset()
        elif table.has_stop and out == STOP:
            self.converting = False
        elif table.has_start and out == START:
            self.converting = True
        else:
            return b""
        return b"\xff" * len(out)

    def _register(self, out: bytes) -> bytes:
        table = self.table
        for address, count, _, _ in table.registers:
            front = 2 if table.counted else 1
            place = address << table.address_shift
            whole = len(out) == front + count and (not table.counted or out[1] == 0)
            if whole and out[0] == table.write_opcode | place:
                assert not (self.converting and table.has_stop), "registers are reached while it converts"
                self.registers[address] = int.from_bytes(out[front:], "big")
                return b"\xff" * len(out)
            if whole and out[0] == table.read_opcode | place:
                value = self.registers[address] | self.stuck_bits.get(address, 0)
                return b"\xff" * front + value.to_bytes(count, "big")
        return b""

    def _data(self, out: bytes) -> bytes:
        table = self.table
        front = len(READ) if table.has_read else 0
        assert len(out) == front + table.status_bytes + 3, f"no part understands {out.hex()}"
        assert out[:front] == (READ if table.has_read else b"")
        self.ready = self.ready_stuck
        status = bytes([self.status]) * table.status_bytes
        return b"\xff" * front + status + self.code().to_bytes(3, "big")


class Bench:
    """A simulated part, the pins around it, its clock, and the driver."""

    def __init__(self, table: Table, *, reset_pin: bool = False) -> None:
        self.table = table
        self.part = SimulatedPart(table)
        self.part.reset()
        self.tick = 0
        self.count = 0
        self.index_count: int | None = None
        self.pins = 0
        self.unmasked = False
        self.masked_edges = 0
        self.drawn: deque[int] = deque()  # what the bridge gives next, in order
        self._part = table.part()
        self._calls = (
            LATCH(self._latch),
            TRANSFER(self._transfer),
            ASK(lambda _: self.part.ready or self.part.ready_stuck),
            WRITE(self._interrupt),
            DO(lambda _: self.part.reset()) if reset_pin else DO(),
        )
        self.access = AdcAccess(None, TICK_HZ, *self._calls)
        self._memory = ctypes.create_string_buffer(sizes()[ADC_BYTES])
        self.adc: Any = AdcHead.from_buffer(self._memory)
        library().nt_adc_init(self._memory, ctypes.byref(self._part), ctypes.byref(self.access))

    def _latch(self, _context: object, latch: Any) -> None:
        index = 0 if self.index_count is None else self.index_count
        latch[0] = AdcLatch(self.tick, self.count, index, self.pins, self.index_count is not None)
        self.index_count = None

    def _transfer(self, _context: object, out: Any, back: Any, n: int) -> None:
        answer = self.part.transfer(bytes(out[:n]))
        assert len(answer) == n
        for at, byte in enumerate(answer):
            back[at] = byte

    def _interrupt(self, _context: object, on: bool) -> None:
        self.unmasked = on

    # ---- what a main loop and an interrupt do --------------------------------------------------------------------

    def begin(self, rate_hz: int) -> bool:
        taken: bool = library().nt_adc_begin(self._memory, rate_hz, self.tick)
        return taken

    def poll(self) -> None:
        library().nt_adc_poll(self._memory, self.tick)

    def interrupt(self) -> None:
        """The data-ready interrupt, whatever the line is."""
        library().nt_adc_data_ready(self._memory)

    def take(self) -> AdcConversion | None:
        conversion = AdcConversion()
        came = library().nt_adc_take(self._memory, ctypes.byref(conversion))
        return conversion if came else None

    def take_all(self) -> list[AdcConversion]:
        found = []
        while (conversion := self.take()) is not None:
            found.append(conversion)
        return found

    @property
    def blind(self) -> bool:
        blind: bool = library().nt_adc_is_blind(self._memory)
        return blind

    def convert(self, ticks: int = 0) -> None:
        """So much later a conversion is done; an edge that nobody lets through is lost."""
        self.tick += ticks or TICK_HZ // (self.part.rate_hz or 1000)
        if self.drawn and self.part.converting:
            self.part.bridge = self.drawn.popleft()
        if not self.part.convert():
            return
        if self.unmasked:
            self.interrupt()
        else:
            self.masked_edges += 1

    def turn(self, ticks: int = 0) -> list[AdcConversion]:
        """One conversion and one turn of the loop; what it took."""
        self.convert(ticks)
        self.poll()
        return self.take_all()

    def run(self, turns: int) -> list[AdcConversion]:
        """So many conversions, each with a turn of the loop."""
        return [each for _ in range(turns) for each in self.turn()]

    def start(self, rate_hz: int = 1000) -> None:
        """Begin, and go on until the first conversion worth having would come next."""
        assert self.begin(rate_hz)
        self.tick += 1000
        self.poll()
        assert not self.take_all()
