"""One device: the C core behind its fake port, driven by ticks; frames go in as messages and come out as bodies."""

import ctypes
import hashlib
import json
from dataclasses import dataclass, replace
from typing import Any, TypeVar

from tests.device.library import Call, core

from nightturn_protocol import messages as wire
from nightturn_protocol.framing import Deframer, frame_body, parse_header, parse_message, to_wire

TICK_HZ = 1_000_000
MS = TICK_HZ // 1000
LATER = 1 << 62  # a tick that no test reaches
SESSION = 0x1234
BOOT_ID = 0xB0071D
SAFE_INPUTS = int(wire.Input.GUARD_CLOSED | wire.Input.STOP_CHAIN_HEALTHY)
FEATURES = {"drive": 1, "outputs": 2, "firmware": 4, "extremes": 8}
SET_RATE, DRIVE, DRIVE_OFF, SET_OUTPUT, SET_LEASE = range(1, 6)
SHEET = {
    "schema": 1,
    "device": "harness board",
    "tick_hz": TICK_HZ,
    "torque": {"bits": 24, "unit": "V", "scale": "1.1920928955078125e-06"},
    "encoder": {"counts_per_rev": 1048576, "absolute": True},
    "rates_hz": [100, 500, 1000, 10000],
    "slow": [{"no": 0, "name": "bearing", "unit": "degC"}, {"no": 1, "name": "winding", "unit": "degC"}],
    "inputs": ["guard_closed", "stop_chain_healthy", "drive_fault", "user_1"],
    "features": ["drive", "extremes", "firmware", "outputs", "pattern"],
    "limits": {"speed_rad_per_s": 7.0, "torque_nm": 20.0},
}
M = TypeVar("M", bound=wire.Message)


@dataclass(frozen=True, slots=True)
class Frame:
    """A frame of the device; `led` when a delimiter went before it."""

    body: bytes
    led: bool

    @property
    def kind(self) -> int:
        return parse_header(self.body).kind

    @property
    def seq(self) -> int:
        return parse_header(self.body).seq

    @property
    def session(self) -> int:
        return parse_header(self.body).session

    @property
    def message(self) -> Any:
        message = parse_message(self.body)
        assert message is not None
        return message


def lease(seen_tick: int, window_ms: int = 500, speed: float = 7.0, torque: float = 20.0) -> wire.Lease:
    """A LEASE; not a safety function, and tested all the same."""
    return wire.Lease(seen_tick, speed, torque, window_ms, 0)


def drive(
    mode: int = wire.DriveMode.SPEED,
    setpoint: float = 1.0,
    *,
    axis: int = wire.Axis.DRIVE,
    travel: int = 0,
    limit: float = 0.0,
    ramp: float = 0.0,
    not_after: int = LATER,
    command: int = 0,
) -> wire.Drive:
    """A DRIVE, valid for long unless said; without a number `Device.tell` gives it the next one."""
    return wire.Drive(travel, not_after, command, setpoint, limit, ramp, axis, mode, 0)


class Device:
    """A board with a 1 MHz tick, two slow channels and every feature, unless `board` says otherwise."""

    def __init__(
        self,
        *,
        boot_id: int = BOOT_ID,
        self_test: int = 0,
        limits: tuple[tuple[int, float], ...] = (),
        sheet: bytes | None = None,
        tick: int = 0,
        **board: float,
    ) -> None:
        self._core = core()
        self._handle = self._core.h_new()
        self._out = ctypes.create_string_buffer(2048)
        self.sheet = (
            json.dumps(SHEET, sort_keys=True, separators=(",", ":")).encode() if sheet is None else sheet
        )
        digest = int.from_bytes(hashlib.sha256(self.sheet).digest()[:8], "little")
        self._core.h_sheet(self._handle, self.sheet, len(self.sheet), digest)
        for name, value in {"slow_channels": 2, **board}.items():
            assert self._core.h_board(self._handle, name.encode(), value), name
        for channel, degc in limits:
            self._core.h_limit(self._handle, channel, degc)
        self.now = tick
        self.session = SESSION
        self._seq = 0
        self._notice_seq = 0
        self.command_no = 0
        self.start(boot_id, self_test=self_test)

    def __del__(self) -> None:
        if hasattr(self, "_handle"):
            self._core.h_free(self._handle)

    def start(
        self,
        boot_id: int = BOOT_ID,
        cause: int = wire.ResetCause.POWER,
        self_test: int = 0,
        tick: int | None = None,
    ) -> None:
        """Power on, or a reset."""
        self.now = self.now if tick is None else tick
        self._calls = 0
        self._core.h_start(self._handle, boot_id, cause, self_test, self.now)
        self._calls = self["calls"]

    # facts

    def __getitem__(self, name: str) -> int:
        assert self._core.h_has(name.encode()), name
        value: int = self._core.h_get(self._handle, name.encode())
        return value

    def __setitem__(self, name: str, value: int) -> None:
        assert self._core.h_has(name.encode()), name
        self._core.h_set(self._handle, name.encode(), value)

    def slow(self, channel: int, value: float) -> None:
        """What a slow channel reads from now on."""
        self._core.h_slow(self._handle, channel, value)

    def note(self, *, overrun: int = 0, stalls: int = 0, cpu_pct: int = 0) -> None:
        """What only the port can count."""
        self._core.h_note(self._handle, overrun, stalls, cpu_pct)

    def self_test(self) -> int:
        """Bits of the core's own tests."""
        return int(self._core.h_self_test(self._handle))

    def forbidden(self) -> bool:
        """Whether the core says that motion is forbidden."""
        return bool(self._core.h_forbidden(self._handle))

    def calls(self, *whats: int) -> list[Call]:
        """Calls into the port since the last time, all or of some sorts."""
        found = []
        for number in range(self._calls, self["calls"]):
            call = Call()
            assert self._core.h_call(self._handle, number, ctypes.byref(call)), "too many calls to keep"
            found.append(call)
        self._calls = self["calls"]
        return [call for call in found if not whats or call.what in whats]

    def check(self) -> None:
        """Every promise of harness_promises.c holds."""
        broken = self._core.h_broken(self._handle)
        assert broken is None, broken.decode()

    # time and bytes

    def receive(self, data: bytes, tick: int | None = None) -> None:
        """Bytes of the host."""
        self._core.h_receive(self._handle, data, len(data), self.now if tick is None else tick)
        self.check()

    def poll(self, ticks: int = 0) -> None:
        """Time passes without samples."""
        self.now += ticks
        self._core.h_poll(self._handle, self.now)
        self.check()

    def run(self, ms: float) -> None:
        """Time passes, with all samples that are due."""
        self.now += round(ms * MS)
        self._core.h_advance(self._handle, self.now)
        self.check()

    def sample(
        self, torque: int = 0, encoder: int = 0, inputs: int = SAFE_INPUTS, flags: int = 0, *, after: int = MS
    ) -> None:
        """One sample, so many ticks after now."""
        self.now += after
        self._core.h_sample(self._handle, self.now, torque, encoder, inputs, flags)
        self.check()

    def next(self, tick: int | None = None) -> bytes:
        """The bytes that go on the idle line next, empty when there are none."""
        n = self._core.h_next(self._handle, self.now if tick is None else tick, self._out)
        self.check()
        return self._out.raw[:n]

    def drain(self) -> list[Frame]:
        """Everything the device has to say at this moment."""
        frames = []
        while data := self.next():
            deframer = Deframer()
            (body,) = deframer.receive_bytes(data)
            assert deframer.bad == deframer.torn == 0
            frames.append(Frame(body, led=data[0] == 0))
        return frames

    # conversation

    def tell(self, message: wire.Message, *, seq: int | None = None, session: int | None = None) -> int:
        """A message of the host, whole and undamaged; its seq."""
        if isinstance(message, wire.Drive) and message.command_no == 0:
            self.command_no = self.command_no + 1 if seq is None else seq
            message = replace(message, command_no=self.command_no)
        if seq is None and message.LANE is wire.Lane.CONTROL:
            seq = self._seq = self._seq + 1
        elif seq is None:
            seq = self._notice_seq = self._notice_seq + 1
        body = frame_body(message, self.session if session is None else session, seq)
        self.receive(to_wire(body))
        return seq

    def ask(self, message: wire.Message, *, seq: int | None = None, session: int | None = None) -> Any:
        """The answer to a request; whatever else the device says is dropped."""
        seq = self.tell(message, seq=seq, session=session)
        answers = [
            f.message
            for f in self.drain()
            if f.seq == seq and f.message.LANE is wire.Lane.CONTROL and not isinstance(f.message, wire.Event)
        ]
        assert len(answers) <= 1
        return answers[0] if answers else None

    def open(
        self,
        session: int = SESSION,
        *,
        fresh: int = 1,
        last_session: int = 0,
        last_boot_id: int = 0,
        nonce: int = 1,
    ) -> wire.Opened:
        """Begin or take up a session."""
        message = wire.Open(0, nonce, last_boot_id, 0, last_session, session, 0, fresh)
        answer = self.ask(message, session=session)
        assert isinstance(answer, wire.Opened), answer
        self.session = answer.session
        return answer

    def stream(
        self,
        rate_hz: int = 1000,
        samples: int = 10,
        *,
        status_ms: int = 1000,
        stream: int = 0,
        start: int = 0,
    ) -> None:
        """SETUP and RUN."""
        assert isinstance(self.ask(setup(rate_hz, samples, status_ms, stream)), wire.SetupReply)
        assert isinstance(self.ask(wire.Run(start)), wire.Done)

    def armed(self) -> "Device":
        """A session, a sample that shows safe inputs, a live lease."""
        self.open()
        self.run(2)
        self.tell(lease(self.now))
        assert self["lease_state"] == wire.LeaseState.LIVE
        self.drain()
        self.calls()
        return self

    def events(self, *codes: int) -> list[wire.Event]:
        """Events sent now, all or of some codes."""
        found = [f.message for f in self.drain() if isinstance(f.message, wire.Event)]
        return [event for event in found if not codes or event.code in codes]

    def blocks(self) -> list[wire.Block]:
        """Blocks sent now."""
        return [f.message for f in self.drain() if isinstance(f.message, wire.Block)]


def setup(rate_hz: int = 1000, samples: int = 10, status_ms: int = 1000, stream: int = 0) -> wire.Setup:
    """A SETUP."""
    return wire.Setup(rate_hz * 1000, samples, status_ms, stream, 0)
