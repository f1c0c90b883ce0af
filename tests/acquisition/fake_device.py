"""A small device for the link's tests: ring, sessions, replies; it shares only the wire with the host."""

import hashlib
import json
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from nightturn_protocol import messages
from nightturn_protocol.framing import frame_body, parse_header, parse_message
from nightturn_protocol.messages import DeviceState, EncoderForm, Message, Reason

TICKS_PER_SAMPLE = 100
BLOCK_OVERHEAD = 8 + 36 + 6  # header, head of the block, and what closes a frame on the wire
SHEET = {
    "schema": 1,
    "device": "quillfen board",
    "tick_hz": 1_000_000,
    "torque": {"bits": 24, "unit": "V", "scale": "1.1920928955078125e-06"},
    "encoder": {"counts_per_rev": 1048576, "absolute": True},
    "rates_hz": [1000, 10000],
    "slow": [{"no": 0, "name": "bearing", "unit": "degC"}, {"no": 1, "name": "winding", "unit": "degC"}],
    "inputs": ["guard_closed", "stop_chain_healthy"],
    "features": ["firmware", "outputs", "pattern"],
    "limits": {"speed_rad_per_s": 7.0, "torque_nm": 20.0},
}
SHEET_BYTES = json.dumps(SHEET, separators=(",", ":"), sort_keys=True).encode() + b" " * 700

FIRMWARE_REPLY = messages.FirmwareReply(
    0x1234_5678, 0x9ABC_DEF0, 0b101, 0x0800_1234, 0x0800_4321, 3, b"quillfen 1.0.0".ljust(32, b"\0")
)


def torque_of(index: int) -> int:
    """The torque of a sample follows from its number, over the whole 24-bit range."""
    return (index * 7919 + 12345) % (1 << 24) - (1 << 23)


def encoder_of(index: int) -> int:
    """So does the encoder."""
    return index * 37 - 1_000_000 + (index * index) % 11


def pack_int24(values: list[int]) -> bytes:
    """Little-endian 24-bit two's complement, value by value."""
    return b"".join((value & 0xFFFFFF).to_bytes(3, "little") for value in values)


def block_message(
    index: int,
    tick: int,
    torque: list[int],
    encoder: list[int],
    *,
    form: int = EncoderForm.DELTA16,
    flags: int = 0,
    inputs: int = 3,
    stream: int = 0,
    config_epoch: int = 1,
) -> messages.Block:
    """A BLOCK made the slow and plain way."""
    if form == EncoderForm.DELTA16:
        numbers = [0, *(b - a for a, b in pairwise(encoder))]
        tail = np.array(numbers, "<i2").tobytes()
    else:
        tail = np.array([value - encoder[0] for value in encoder], "<i4").tobytes()
    return messages.Block(
        first_index=index,
        tick=tick,
        encoder_base=encoder[0],
        count=len(torque),
        stream=stream,
        encoder_form=int(form),
        flags=flags,
        config_epoch=config_epoch,
        inputs=inputs,
        reserved=0,
        samples=pack_int24(torque) + tail,
    )


@dataclass
class FakeDevice:
    """Answers frame by frame; the test carries the frames and decides what gets lost."""

    boot_id: int = 0xB007
    ring_blocks: int = 100
    next_seq: int = 0
    next_index: int = 0
    count: int = 10
    tick_offset: int = 5_000
    session: int = 0
    state: int = DeviceState.IDLE
    config_epoch: int = 0
    reset_cause: int = messages.ResetCause.POWER
    sheet: bytes = SHEET_BYTES
    alter_setup: dict[str, int] = field(default_factory=dict)
    refuse: dict[int, int] = field(default_factory=dict)
    ring: dict[int, bytes] = field(default_factory=dict)
    replies: dict[int, bytes] = field(default_factory=dict)
    events: dict[int, messages.Event] = field(default_factory=dict)
    notice_seq: int = 0
    event_seq: int = 0
    overwritten: int = 0
    seen: list[Message] = field(default_factory=list)
    outputs: dict[int, bool] = field(default_factory=dict)

    @property
    def tick(self) -> int:
        return self.tick_offset + self.next_index * TICKS_PER_SAMPLE

    @property
    def oldest_seq(self) -> int:
        return next(iter(self.ring), self.next_seq)

    def reboot(self, boot_id: int) -> None:
        """Everything in RAM is gone."""
        self.boot_id = boot_id
        self.reset_cause = messages.ResetCause.WATCHDOG
        self.session = self.next_seq = self.next_index = self.config_epoch = self.notice_seq = 0
        self.state = DeviceState.IDLE
        self.tick_offset = 100
        self.ring.clear()
        self.replies.clear()
        self.events.clear()

    def receive(self, body: bytes) -> list[bytes]:
        """One host frame in, the frames it causes out."""
        header = parse_header(body)
        message = parse_message(body)
        assert message is not None
        self.seen.append(message)
        if isinstance(message, messages.Open) and message.KIND not in self.refuse:
            return self._reply(header.seq, self._open(message))
        if isinstance(message, messages.Open):
            return self._reply(header.seq, messages.Refused(7, self.refuse[message.KIND], message.KIND, 0))
        if header.session != self.session or header.session == 0:
            return []
        if isinstance(message, messages.Resend):
            return self._resend(message)
        if isinstance(message, messages.EventAck):
            self.events.pop(message.event_no, None)
            return []
        if header.seq in self.replies:
            return [self.replies[header.seq]]
        answer = self._refusal(message) or self._answer(message)
        return [] if answer is None else self._reply(header.seq, answer)

    def _refusal(self, request: Message) -> messages.Refused | None:
        if request.KIND not in self.refuse:
            return None
        return messages.Refused(7, self.refuse[request.KIND], request.KIND, 0)

    def _reply(self, seq: int, answer: Message) -> list[bytes]:
        body = frame_body(answer, self.session, seq)
        self.replies[seq] = body
        return [body]

    def _open(self, message: messages.Open) -> messages.Opened:
        resumed = (
            message.last_session == self.session != 0
            and message.last_boot_id == self.boot_id
            and not message.fresh
        )
        if not resumed and message.session != self.session:
            self.session = message.session
            self.ring.clear()
            self.replies.clear()
        return messages.Opened(
            digest=int.from_bytes(hashlib.sha256(self.sheet).digest()[:8], "little"),
            uptime_tick=self.tick,
            next_index=self.next_index,
            boot_id=self.boot_id,
            tick_hz=1_000_000,
            ring_bytes=self.ring_blocks * (BLOCK_OVERHEAD + 5 * self.count),
            oldest_seq=self.oldest_seq,
            next_seq=self.next_seq,
            torque_min=-5,
            torque_max=5,
            frame_bytes_max=1024,
            session=self.session,
            config_epoch=self.config_epoch,
            minor=0,
            reset_cause=self.reset_cause,
            state=self.state,
            resumed=int(resumed),
            firmware=b"1.0.0".ljust(16, b"\0"),
            board=b"QF-1".ljust(16, b"\0"),
        )

    def _answer(self, message: Message) -> Message | None:
        match message:
            case messages.Sheet():
                part = self.sheet[message.offset : message.offset + messages.SHEET_PART_BYTES]
                return messages.SheetPart(message.offset, len(self.sheet), part)
            case messages.Setup():
                return self._setup(message)
            case messages.Run():
                self.state = DeviceState.RUNNING
            case messages.Halt():
                self.state = DeviceState.READY
            case messages.Probe():
                return messages.Probed(message.host_ns, self.tick, self.tick + 1, message.probe_id)
            case messages.Drive():
                return messages.DriveReply(message.command_no, 0, 1, 0)
            case messages.Firmware():
                return FIRMWARE_REPLY
            case messages.Switch():
                self.outputs[message.output] = bool(message.on)
                return messages.Done(message.output, message.KIND)
            case messages.Lease():
                return None
            case _:
                pass
        return messages.Done(0, message.KIND)

    def _setup(self, message: messages.Setup) -> Message:
        if self.state == DeviceState.RUNNING:
            return messages.Refused(0, Reason.NOT_NOW, message.KIND, 0)
        self.config_epoch += 1
        applied = {
            "rate_millihz": message.rate_millihz,
            "samples_per_block": message.samples_per_block,
            "status_ms": message.status_ms,
            "stream": message.stream,
            **self.alter_setup,
        }
        self.state = DeviceState.READY
        return messages.SetupReply(config_epoch=self.config_epoch, reserved=0, **applied)

    def _resend(self, message: messages.Resend) -> list[bytes]:
        wanted = [(message.first_seq + i) & 0xFFFFFFFF for i in range(message.count)]
        have = [self.ring[seq] for seq in wanted if seq in self.ring]
        gone = [
            seq for seq in wanted if seq not in self.ring and (seq - self.next_seq) & 0xFFFFFFFF >= 1 << 31
        ]
        if gone:
            return [self._notice(messages.Gone(gone[0], len(gone))), *have]
        return have

    def _notice(self, message: Message) -> bytes:
        body = frame_body(message, self.session, self.notice_seq)
        self.notice_seq += 1
        return body

    def produce(
        self, blocks: int = 1, *, lose_samples: int = 0, form: int = EncoderForm.DELTA16
    ) -> list[bytes]:
        """Sample on; `lose_samples` are skipped before the first block, as by an overrun in the device."""
        out = []
        self.next_index += lose_samples
        for _ in range(blocks):
            numbers = range(self.next_index, self.next_index + self.count)
            torque, encoder = [torque_of(i) for i in numbers], [encoder_of(i) for i in numbers]
            block = block_message(
                self.next_index, self.tick, torque, encoder, form=form, config_epoch=self.config_epoch
            )
            body = frame_body(block, self.session, self.next_seq)
            self.ring[self.next_seq] = body
            while len(self.ring) > self.ring_blocks:
                del self.ring[next(iter(self.ring))]
            self.next_seq = (self.next_seq + 1) & 0xFFFFFFFF
            self.next_index += self.count
            out.append(body)
        return out

    def status(self) -> bytes:
        """The heartbeat."""
        return self._notice(
            messages.Status(
                tick=self.tick,
                next_index=self.next_index,
                boot_id=self.boot_id,
                newest_seq=(self.next_seq - 1) & 0xFFFFFFFF,
                oldest_seq=self.oldest_seq,
                rx_bad_crc=0,
                rx_bad_cobs=0,
                rx_oversize=0,
                rx_overrun=0,
                tx_stalls=0,
                blocks_overwritten_unsent=self.overwritten,
                adc_overrange=0,
                encoder_errors=0,
                resent=0,
                leases_refused=0,
                ring_high_water=0,
                inputs=3,
                state=self.state,
                lease=0,
                outputs=0,
                cpu_pct=10,
            )
        )

    def event(self, event_no: int) -> bytes:
        """Something happened, or is repeated."""
        event = messages.Event(
            tick=self.tick, event_no=event_no, value_a=1, value_b=3, code=2, severity=0, latched=0
        )
        self.events[event_no] = event
        self.event_seq += 1
        return frame_body(event, self.session, self.event_seq)
