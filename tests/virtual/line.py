"""The host's side of a line to a virtual device, for tests: asks, listens, counts time itself."""

import numpy as np
import numpy.typing as npt

from nightturn.virtual.catalogue import from_spec
from nightturn.virtual.device import VirtualDevice
from nightturn_protocol import messages as wire
from nightturn_protocol.framing import Deframer, Header, frame_body, parse_header, parse_message, to_wire

MS = 1_000_000
SESSION = 77
Heard = tuple[Header, wire.Message]


def unpack(block: wire.Block) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Torque and encoder counts of a block, in the plainest way."""
    count = block.count
    torque = [int.from_bytes(block.samples[3 * i : 3 * i + 3], "little", signed=True) for i in range(count)]
    rest = block.samples[3 * count :]
    if block.encoder_form == wire.EncoderForm.DELTA16:
        encoder = block.encoder_base + np.cumsum(np.frombuffer(rest, "<i2").astype(np.int64))
    else:
        encoder = block.encoder_base + np.frombuffer(rest, "<i4").astype(np.int64)
    return np.array(torque, np.int64), encoder


class HostSide:
    """A host that keeps everything it hears."""

    def __init__(self, spec: str = "pan15?seed=7", *, start_ns: int = 0) -> None:
        self.device: VirtualDevice = from_spec(spec).build(start_ns)
        self.now_ns = start_ns
        self.session = SESSION
        self.seq = 0
        self.heard: list[Heard] = []
        self.wire_bytes = b""
        self.deframer = Deframer()

    # ---- line ---------------------------------------------------------------------------------------------------

    def listen(self) -> list[Heard]:
        """What the device has put on the line since the last time."""
        data = self.device.take_output()
        self.wire_bytes += data
        found: list[Heard] = []
        for body in self.deframer.receive_bytes(data):
            message = parse_message(body)
            assert message is not None
            found.append((parse_header(body), message))
        assert self.deframer.bad == 0
        self.heard += found
        return found

    def after(self, ms: float) -> list[Heard]:
        """Let time pass, then listen."""
        self.now_ns += round(ms * MS)
        self.device.advance(self.now_ns)
        return self.listen()

    def put(self, message: wire.Message, *, seq: int | None = None, session: int | None = None) -> bytes:
        """Send a frame; returns its bytes so that it can be sent again."""
        self.seq += 1
        number = self.seq if seq is None else seq
        body = frame_body(message, self.session if session is None else session, number)
        data = to_wire(body)
        self.device.receive(b"\0" + data, self.now_ns)
        return data

    def ask(self, message: wire.Message) -> wire.Message:
        """Send a request and return its answer."""
        self.put(message)
        answers = [
            m
            for h, m in self.listen()
            if h.seq == self.seq and m.LANE is wire.Lane.CONTROL and not isinstance(m, wire.Event)
        ]
        assert len(answers) == 1, answers
        return answers[0]

    # ---- phrases -------------------------------------------------------------------------------------------------

    def open(self, *, fresh: int = 1, last: tuple[int, int] = (0, 0), next_seq: int = 0) -> wire.Opened:
        """OPEN; `last` is (boot_id, session)."""
        opened = self.ask(
            wire.Open(0, self.seq + 1, last[0], next_seq, last[1], self.session, wire.MINOR, fresh)
        )
        assert isinstance(opened, wire.Opened)
        self.session = opened.session
        return opened

    def set_up(
        self,
        rate_hz: int = 1000,
        per_block: int = 100,
        status_ms: int = 100,
        stream: int = wire.Stream.BRIDGE,
    ) -> wire.Message:
        """SETUP."""
        return self.ask(wire.Setup(rate_hz * 1000, per_block, status_ms, stream, 0))

    def streaming(self, rate_hz: int = 1000, per_block: int = 100, **more: int) -> "HostSide":
        """OPEN, SETUP, RUN."""
        self.open()
        assert isinstance(self.set_up(rate_hz, per_block, **more), wire.SetupReply)
        assert isinstance(self.ask(wire.Run(0)), wire.Done)
        return self

    @property
    def tick(self) -> int:
        """The device's newest tick, asked for with a probe."""
        probed = self.ask(wire.Probe(1, 2, 0, 0))
        assert isinstance(probed, wire.Probed)
        return probed.tick_tx

    def lease(
        self, window_ms: int = 1000, speed: float = 10.0, torque: float = 15.0, seen: int | None = None
    ) -> None:
        """LEASE for what was just seen."""
        self.put(wire.Lease(self.tick if seen is None else seen, speed, torque, window_ms, 0))
        self.listen()

    def drive(
        self,
        mode: wire.DriveMode,
        setpoint: float = 0.0,
        *,
        axis: int = wire.Axis.DRIVE,
        counts: int = 0,
        ramp: float = 2.0,
        limit: float | None = None,
        not_after: int = 1 << 62,
    ) -> wire.Reason:
        """DRIVE; the reason it was refused, NONE when taken. A torque may spin its axis up to 1 rad/s, unless said."""
        if limit is None:
            limit = 1.0 if mode == wire.DriveMode.TORQUE else 0.0
        reply = self.ask(wire.Drive(counts, not_after, self.seq, setpoint, limit, ramp, axis, mode, 0))
        assert isinstance(reply, wire.DriveReply)
        assert reply.accepted == (reply.reason == wire.Reason.NONE)
        return wire.Reason(reply.reason)

    def keep_going(self, ms: int, step_ms: int = 500) -> None:
        """Let time pass while the lease is kept alive."""
        for _ in range(ms // step_ms):
            self.lease()
            self.after(step_ms)

    # ---- what was heard --------------------------------------------------------------------------------------------

    def of(self, kind: type[wire.Message]) -> list[wire.Message]:
        """All messages of a kind heard so far."""
        return [message for _, message in self.heard if isinstance(message, kind)]

    def opened(self) -> wire.Opened:
        """The newest OPENED."""
        return [message for _, message in self.heard if isinstance(message, wire.Opened)][-1]

    def blocks(self) -> list[wire.Block]:
        """All blocks heard so far."""
        return [message for _, message in self.heard if isinstance(message, wire.Block)]

    def events(self, code: wire.EventCode) -> list[wire.Event]:
        """Different events of a code heard so far."""
        found = {m.event_no: m for _, m in self.heard if isinstance(m, wire.Event) and m.code == code}
        return list(found.values())

    def status(self) -> wire.Status:
        """The newest STATUS."""
        newest = [message for _, message in self.heard if isinstance(message, wire.Status)]
        return newest[-1]

    def series(self) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], npt.NDArray[np.int64]]:
        """Index, torque and encoder of all samples heard."""
        parts = [(b.first_index + np.arange(b.count), *unpack(b)) for b in self.blocks()]
        index, torque, encoder = (np.concatenate(columns) for columns in zip(*parts, strict=True))
        return index, torque, encoder
