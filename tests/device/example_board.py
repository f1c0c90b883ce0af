"""Simulated registers and pins round the example board, and the host at the other end of its line."""

import ctypes
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar

from tests.device.drivers import (
    ASK,
    DO,
    DRIVE,
    DRIVE_OFF,
    EXAMPLE_BYTES,
    KEEP_BYTES,
    LATCH,
    SEND,
    SET_OUTPUT,
    SLOW,
    TICK,
    TRANSFER,
    WRITE,
    AdcAccess,
    AdcLatch,
    ExampleAccess,
    LeaseOutputAccess,
    library,
    zeroed,
)
from tests.device.simulated_part import SimulatedPart, Table

from nightturn_protocol import messages as wire
from nightturn_protocol.framing import Deframer, frame_body, parse_header, to_wire
from nightturn_protocol.messages import Axis, DriveMode, Input, ResetCause

TICK_HZ = 1_000_000
SESSION = 0x0117
GUARD_AND_CHAIN = int(Input.GUARD_CLOSED | Input.STOP_CHAIN_HEALTHY | Input.DRIVE_READY)
IMAGE = b"the program in flash"
M = TypeVar("M", bound=wire.Message)


def example_table() -> Table:
    """The converter of example_board.c."""
    return Table(
        registers=((0x01, 1, 0x30, 0x7F), (0x02, 2, 0x0187, 0x0FFF), (0x05, 1, 0x00, 0xFF)),
        rates=((1000, 3), (2000, 4), (4000, 5), (10_000, 7)),
        burnout=True,
        settle=4,
    )


@dataclass
class ExampleBoard:
    """Simulated registers and pins around the example; time goes on by a microsecond whenever somebody looks.

    Attributes:
        pins: active inputs; DRIVE_FAULT is wired low active.
        turning: encoder counts in a sample period.
        watchdog: how often it was fed.
        calls: what the core told drive and outputs.
    """

    part: SimulatedPart = field(default_factory=lambda: SimulatedPart(example_table()))
    pins: int = GUARD_AND_CHAIN
    turning: int = 10
    shaft: int = 65_000
    tick_now: int = 1000
    watchdog: int = 0
    lease_pin: bool = True
    lease_stuck: bool | None = None
    calls: list[tuple[Any, ...]] = field(default_factory=list)
    sent: list[bytes] = field(default_factory=list)
    sent_tick: int = 0
    busy_turns: int = 0
    commands: int = 0
    winding_degc: float = 25.0
    encoder_off: bool = False

    def __post_init__(self) -> None:
        self.part.reset()
        self.unmasked = False
        self.memory = zeroed(EXAMPLE_BYTES)
        self.keep = zeroed(KEEP_BYTES)
        self.deframer = Deframer()
        self.seq = 0
        self._next_conversion = 0
        image = (ctypes.c_uint8 * len(IMAGE))(*IMAGE)
        self.access = ExampleAccess(
            None,
            AdcAccess(
                None,
                TICK_HZ,
                LATCH(self._latch),
                TRANSFER(self._transfer),
                ASK(lambda _: self.part.ready or self.part.ready_stuck),
                WRITE(self._interrupt),
                DO(),
            ),
            LeaseOutputAccess(
                None,
                WRITE(self._lease),
                ASK(lambda _: self.lease_pin if self.lease_stuck is None else self.lease_stuck),
            ),
            TICK(self._tick),
            ASK(self._line_idle),
            SEND(self._send),
            DRIVE(
                lambda _, motion: self.calls.append(
                    ("drive", motion[0].axis, motion[0].mode, motion[0].setpoint)
                )
            ),
            DRIVE_OFF(lambda _, axis, ramp: self.calls.append(("off", axis, ramp))),
            ASK(lambda _: False),
            SET_OUTPUT(lambda _, output, on: self.calls.append(("output", output, on))),
            SLOW(lambda _, channel: (self.winding_degc, 5.0)[channel]),
            DO(self._feed),
            ResetCause.PIN,
            0x1234,
            image,
            len(IMAGE),
        )
        library().example_init(self.memory, ctypes.byref(self.access), self.keep)

    # ---- registers and pins ----------------------------------------------------------------------------------------

    def _tick(self, _context: object) -> int:
        self.tick_now += 1
        return self.tick_now

    def _latch(self, _context: object, latch: Any) -> None:
        pins = self.pins ^ int(Input.DRIVE_FAULT)
        latch[0] = AdcLatch(self.tick_now, self.shaft & 0xFFFF, 0, pins, False, self.encoder_off)

    def _transfer(self, _context: object, out: Any, back: Any, n: int) -> None:
        for at, byte in enumerate(self.part.transfer(bytes(out[:n]))):
            back[at] = byte

    def _interrupt(self, _context: object, on: bool) -> None:
        self.unmasked = on

    def _lease(self, _context: object, high: bool) -> None:
        self.lease_pin = high

    def _line_idle(self, _context: object) -> bool:
        self.busy_turns -= self.busy_turns > 0
        return self.busy_turns == 0

    def _send(self, _context: object, content: Any, n: int) -> None:
        self.sent.append(bytes(content[:n]))
        self.sent_tick = self.tick_now

    def _feed(self, _context: object) -> None:
        self.watchdog += 1

    # ---- time, and the host at the other end -----------------------------------------------------------------------

    def convert(self) -> None:
        """A sample period later a conversion is done."""
        period = TICK_HZ // (self.part.rate_hz or 1000)
        self._next_conversion = max(self._next_conversion + period, self.tick_now)
        self.tick_now = self._next_conversion
        self.shaft += self.turning
        self.part.bridge = self.shaft * 3
        if self.part.convert() and self.unmasked:
            library().example_data_ready(self.memory)

    def turn(self) -> None:
        library().example_turn(self.memory)

    def run(self, conversions: int, turns: int = 3) -> list[wire.Message]:
        """So many sample periods, the loop coming by a few times in each; what the host got."""
        for _ in range(conversions):
            self.convert()
            for _ in range(turns):
                self.turn()
        return list(self.heard())

    def tell(self, message: wire.Message) -> None:
        """Bytes of the host, one interrupt each."""
        self.seq += 1
        for byte in to_wire(frame_body(message, SESSION, self.seq)):
            library().example_received(self.memory, byte)

    def heard(self) -> Iterator[wire.Message]:
        content = b"".join(self.sent)
        self.sent.clear()
        for body in self.deframer.receive_bytes(content):
            header = parse_header(body)
            yield wire.BY_KIND[header.kind].decode(body[8:])

    def ask(self, message: wire.Message, answer: type[M]) -> M:
        """A request and its answer, within a few turns of the loop."""
        self.tell(message)
        return only(self.run(3), answer)

    def stream(self, rate_hz: int = 1000, samples_per_block: int = 20) -> None:
        """Open, set up and run, once the converter is up."""
        self.run(30)
        self.ask(wire.Open(0, 1, 0, 0, 0, SESSION, wire.MINOR, 1), wire.Opened)
        self.ask(wire.Setup(rate_hz * 1000, samples_per_block, 100, 0, 0), wire.SetupReply)
        self.run(120)  # another rate: reset, check and settling
        self.ask(wire.Run(0), wire.Done)

    def lease(self, seen_tick: int) -> None:
        self.tell(wire.Lease(seen_tick, 7.0, 15.0, 1000, 0))

    def speed(self) -> wire.DriveReply:
        """A lease and a command to turn."""
        self.lease(self.tick_now)
        self.commands += 1
        drive = wire.Drive(0, 1 << 62, self.commands, 1.0, 0.0, 2.0, Axis.DRIVE, DriveMode.SPEED, 0)
        return self.ask(drive, wire.DriveReply)


def every(found: Sequence[wire.Message], kind: type[M]) -> list[M]:
    return [each for each in found if isinstance(each, kind)]


def only(found: Sequence[wire.Message], kind: type[M]) -> M:
    (answer,) = every(found, kind)
    return answer


def torques(block: wire.Block) -> list[int]:
    raw = block.samples[: 3 * block.count]
    return [int.from_bytes(raw[at : at + 3], "little", signed=True) for at in range(0, len(raw), 3)]


def positions(block: wire.Block) -> list[int]:
    raw = block.samples[3 * block.count :]
    steps = [int.from_bytes(raw[at : at + 2], "little", signed=True) for at in range(0, len(raw), 2)]
    return [block.encoder_base + sum(steps[: n + 1]) for n in range(len(steps))]
