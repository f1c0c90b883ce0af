"""A scripted device that streams the test pattern in the loop's time, and the port to it: each test plants its fault."""

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from tests.acquisition.fake_device import TICKS_PER_SAMPLE, FakeDevice, block_message
from typing_extensions import override

from nightturn.transport.port import OnBytes, OnLost
from nightturn.world import Clock
from nightturn_protocol import messages as wire
from nightturn_protocol.framing import Deframer, frame_body, parse_header, to_wire
from nightturn_protocol.messages import DeviceState, SampleFlag, Stream
from nightturn_protocol.pattern import pattern_encoder, pattern_torque

STEP_S = 0.01
NS_PER_TICK = 1000
STATUS_EVERY = 10

Bend = Callable[[int, bytes], Sequence[bytes]]


def straight(_number: int, body: bytes) -> Sequence[bytes]:
    """Nothing happens to a frame."""
    return (body,)


@dataclass
class PatternDevice(FakeDevice):
    """The link's small device with the pattern as its samples; 100 ticks a sample, so it offers 10 kHz.

    `now_tick` is its clock. `flags` are those of every block, `skip_marked` whether it owns up to a skipped index,
    `digest` stands in OPENED instead of the sheet's own, `tick_slip` moves the ticks of the blocks from here on.
    """

    count: int = 100
    now_tick: int = 5_000
    turnaround_ticks: int = 7
    flags: int = int(SampleFlag.TEST_PATTERN)
    stream: int = int(Stream.PATTERN)
    skip_marked: bool = True
    digest: int | None = None
    tick_slip: int = 0
    hears_resend: bool = True
    halts: bool = True
    rx_bad_crc: int = 0
    first: bool = True

    @override
    def _open(self, message: wire.Open) -> wire.Opened:
        self.state = DeviceState.IDLE if message.fresh else self.state
        opened = super()._open(message)
        return opened if self.digest is None else replace(opened, digest=self.digest)

    @override
    def _answer(self, message: wire.Message) -> wire.Message | None:
        match message:
            case wire.Probe():
                tx = self.now_tick + self.turnaround_ticks
                return wire.Probed(message.host_ns, self.now_tick, tx, message.probe_id)
            case wire.Run():
                self.tick_offset = self.now_tick - self.next_index * TICKS_PER_SAMPLE
                self.first = True
            case wire.Halt() if not self.halts:
                return None
            case _:
                pass
        return super()._answer(message)

    @override
    def _resend(self, message: wire.Resend) -> list[bytes]:
        return super()._resend(message) if self.hears_resend else []

    @override
    def produce(self, blocks: int = 1, *, lose_samples: int = 0, form: int = 1) -> list[bytes]:
        made = []
        for number in range(blocks):
            skipped = lose_samples if number == 0 else 0
            self.next_index += skipped
            mark = SampleFlag.AFTER_GAP if self.first or (skipped and self.skip_marked) else 0
            self.first = False
            numbers = range(self.next_index, self.next_index + self.count)
            block = block_message(
                self.next_index,
                self.tick + self.tick_slip,
                [pattern_torque(n) for n in numbers],
                [pattern_encoder(n) for n in numbers],
                form=form,
                flags=self.flags | mark,
                stream=self.stream,
                config_epoch=self.config_epoch,
            )
            body = frame_body(block, self.session, self.next_seq)
            self.ring[self.next_seq] = body
            while len(self.ring) > self.ring_blocks:
                del self.ring[next(iter(self.ring))]
            self.next_seq += 1
            self.next_index += self.count
            made.append(body)
        return made

    @override
    def status(self) -> bytes:
        body = super().status()
        said = wire.Status.decode(body[8:])
        return body[:8] + replace(said, rx_bad_crc=self.rx_bad_crc).encode()


@dataclass
class DevicePort:
    """A port without a line: frames pass at once, a block each 10 ms; `bend` decides what becomes of each BLOCK.

    `begins` is called when the port is opened, `script` before each step with its number, counted from RUN; `to_device`
    and `raw` stand for a line that swallows frames or carries something else altogether.
    """

    device: PatternDevice
    clock: Clock
    name: str = "fake"
    bend: Bend = straight
    begins: Callable[["DevicePort"], None] = lambda _port: None
    script: Callable[["DevicePort", int], None] = lambda _port, _step: None
    to_device: Callable[[bytes], Sequence[bytes]] = lambda body: (body,)
    raw: Callable[[bytes], bytes] | None = None
    produces: Callable[[int], bool] = lambda _step: True
    step: int = 0
    mute: bool = False
    closed: int = 0
    heard: list[wire.Message] = field(default_factory=list)

    def open(self, on_bytes: OnBytes, on_lost: OnLost) -> None:
        self.on_bytes, self.on_lost = on_bytes, on_lost
        self.deframer = Deframer()
        self.timer = asyncio.get_running_loop().call_later(STEP_S, self._step)
        self.begins(self)

    def write(self, content: bytes) -> None:
        if self.raw is not None:
            self._say_raw(self.raw(content))
            return
        for body in self.deframer.receive_bytes(content):
            self.heard.append(wire.BY_KIND[parse_header(body).kind].decode(body[8:]))
            for passed in self.to_device(body):
                self.device.now_tick = self.now_tick()
                for answer in self.device.receive(passed):
                    self.say(answer)

    def close(self) -> None:
        self.closed += 1
        self.timer.cancel()

    def now_tick(self) -> int:
        return self.clock.monotonic_ns() // NS_PER_TICK

    def say(self, body: bytes) -> None:
        """A frame for the host, through the bend when it is a block."""
        header = parse_header(body)
        bent = self.bend(header.seq, body) if header.kind == wire.Block.KIND else (body,)
        for each in bent:
            self._say_raw(to_wire(each))

    def _say_raw(self, content: bytes) -> None:
        if content and not self.mute:
            asyncio.get_running_loop().call_soon(self._arrive, content)

    def _arrive(self, content: bytes) -> None:
        if not self.closed:
            self.on_bytes(self.clock.monotonic_ns(), content)

    def _step(self) -> None:
        self.timer = asyncio.get_running_loop().call_later(STEP_S, self._step)
        device = self.device
        device.now_tick = self.now_tick()
        if device.state == DeviceState.RUNNING:
            self.step += 1
            self.script(self, self.step)
            if self.closed:
                return
            if self.produces(self.step) and device.state == DeviceState.RUNNING:
                for body in device.produce():
                    self.say(body)
        if device.session and round(self.now_tick() / 10_000) % STATUS_EVERY == 0:
            self.say(device.status())
