"""The host's real link and the C core on one line in virtual time; the line is bent frame by frame, as the test says.

What the link says is checked as it comes: each sample is the one the device took, each hole is declared, in order, once.
"""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

from tests.device.device import BOOT_ID, DRIVE, MS, SET_OUTPUT, Device, Frame
from tests.device.library import core
from tests.device.order import Order

from nightturn.acquisition.link import Link, LinkSettings
from nightturn.acquisition.outputs import (
    BlockIn,
    DeviceEvent,
    LinkFault,
    Missing,
    Output,
    Reply,
    Restarted,
    SendFrame,
    Skipped,
    StatusIn,
)
from nightturn_protocol import messages as wire
from nightturn_protocol.framing import HEADER_BYTES, Deframer, to_wire
from nightturn_protocol.pattern import pattern_encoder, pattern_torque

NS = 1_000_000  # of a millisecond
STEP_MS = 5
TICK_MS = 50
PROBE_MS = 100
BLOCK = 10
PERIOD = MS  # ticks between samples at 1000 samples/s
BYTES_PER_STEP = 1000
LATE_STEPS = {"late": 1, "very late": 7}
FATES = ("", "", "", "lose", "twice", "late", "very late", "flip", "no end", "noise")


@dataclass
class Way:
    """One direction of the line: the next frames' fates, and what is late."""

    fates: list[str] = field(default_factory=list)
    held: list[tuple[int, bytes]] = field(default_factory=list)
    bent: bool = False

    def carry(self, data: bytes, step: int) -> list[bytes]:
        """What arrives now instead of these bytes."""
        fate = self.fates.pop(0) if self.fates else ""
        self.bent = self.bent or bool(fate)
        match fate:
            case "lose":
                return []
            case "twice":
                self.held.append((step + 2, data))
                return [data]
            case "flip":
                at = len(data) // 2
                return [data[:at] + bytes([data[at] ^ 0x41]) + data[at + 1 :]]
            case "no end":
                return [data[:-1]]
            case "noise":
                return [b"\x55AT\r", data]
            case "late" | "very late":
                self.held.append((step + LATE_STEPS[fate], data))
                return []
            case _:
                return [data]

    def due(self, step: int) -> list[bytes]:
        """Late frames whose time has come."""
        ready = [data for at, data in self.held if at <= step]
        self.held = [(at, data) for at, data in self.held if at > step]
        return ready


def samples_of(block: wire.Block) -> list[tuple[int, int]]:
    """Torque and encoder of a DELTA16 block."""
    n, data = block.count, block.samples
    torque = [int.from_bytes(data[3 * k : 3 * k + 3], "little", signed=True) for k in range(n)]
    value, pairs = block.encoder_base, []
    for k in range(n):
        value += int.from_bytes(data[3 * n + 2 * k : 3 * n + 2 * k + 2], "little", signed=True)
        pairs.append((torque[k], value))
    return pairs


class CoreLine:
    """Both ends, the clock, and the truth that what is said is held against."""

    def __init__(self, stream: int = wire.Stream.BRIDGE) -> None:
        self.settings = LinkSettings(1_000_000, BLOCK, 100, stream=stream)
        self.device = Device()
        self.boots = 1
        self.boot_tick = 0
        self.lost_by_device: set[int] = set()
        self.to_host, self.to_device = Way(), Way()
        self.order = Order()
        self.step = 0
        self.now_ns = 0
        self.up = False
        self.budget = BYTES_PER_STEP
        self.pending: list[Frame] = []
        self.bent = False  # anything was done to the line, the device or the host
        self.record_no = 0
        self.hosts = 0
        self.link: Link
        self.requests: dict[int, wire.Message] = {}
        self.replies: dict[int, wire.Message | None] = {}
        self.effects: Counter[tuple[int, float]] = Counter()
        self.setpoints: dict[int, float] = {}
        self.switched: dict[int, int] = {}
        self.commands = 0
        self.seen_tick = 0
        self.new_host()

    # the two ends

    def new_host(self, *, remembers: bool = False) -> None:
        """The host's program begins anew, with what it wrote down or without."""
        session, boot = (self.link.session, self.link.boot_id) if remembers else (0, 0)
        self.hosts += 1
        self.link = Link.start(self.settings, self.hosts * 1_000_000, session, boot)
        self.wanted: int | None = None
        self.told: set[int] = set()
        self.missing: list[Missing] = []
        self.requests.clear()
        self.ends: Counter[str] = Counter()
        self.blocks_in = 0
        self.connect()

    def reset_device(self) -> None:
        """A reset: another boot, tick and sample number from 0."""
        self.bent = True
        self.count_effects()
        self.boots += 1
        self.boot_tick = self.now_ns // 1000
        self.pending.clear()
        self.lost_by_device.clear()
        self.device.start(BOOT_ID + self.boots, wire.ResetCause.WATCHDOG, tick=0)
        self.order = Order()

    def connect(self) -> None:
        """The byte stream opens."""
        self.up = True
        self.deframer = Deframer()
        self.say(self.link.opened(self.now_ns))

    def disconnect(self) -> None:
        """The byte stream is lost."""
        self.bent = True
        self.up = False
        self.to_host.held.clear()
        self.to_device.held.clear()
        self.say(self.link.lost(self.now_ns))

    # time

    def run(self, ms: int) -> None:
        """Time passes on both ends."""
        for _ in range(max(1, ms // STEP_MS)):
            self._step()

    def _step(self) -> None:
        self.step += 1
        self.now_ns += STEP_MS * NS
        self.device.run(STEP_MS)
        for data in self.to_device.due(self.step):
            self._at_device(data)
        self._from_device()
        if self.now_ns % (TICK_MS * NS) == 0:
            self.say(self.link.tick(self.now_ns))
            if self.link.wants_reopen and self.up:
                self.disconnect()
                self.connect()
        if self.now_ns % (PROBE_MS * NS) == 0 and self.link.state.value == "running":
            self.say([self.link.notice(wire.Probe(self.now_ns, 0, 0, self.step))])
        self.count_effects()

    def _from_device(self) -> None:
        left = self.budget
        for data in self.to_host.due(self.step):
            self._at_host(data)
        while left > 0:
            first_live, overwritten = self.device["next_send"], self.device["overwritten_unsent"]
            waits = self.device["next_seq"] != first_live
            data = self.device.next()
            if not data:
                return
            left -= len(data)
            self.order.sent(data, first_live, overwritten, waits=waits)
            if self.up:
                for arriving in self.to_host.carry(data, self.step):
                    self._at_host(arriving)

    def _at_host(self, data: bytes) -> None:
        for body in self.deframer.receive_bytes(data):
            self.record_no += 1
            if body[1] == wire.Block.KIND:
                self.blocks_in += 1
            self.say(self.link.frame(self.now_ns, self.record_no, body))
        self.say(self.link.bad(self.now_ns, self.deframer.take_bad()[0]))

    def _at_device(self, data: bytes) -> None:
        if self.up:
            self.device.receive(data)

    # what the link says

    def say(self, outputs: Iterable[Output]) -> None:
        """Carry frames to the device; hold everything else against the truth."""
        for output in outputs:
            if isinstance(output, SendFrame):
                for data in self.to_device.carry(to_wire(output.body), self.step) if self.up else ():
                    self._at_device(data)
            elif isinstance(output, BlockIn | Missing | Skipped):
                self._series(output)
            else:
                self._other(output)
        assert sum(self.ends.values()) <= self.blocks_in, "a BLOCK record ends once"

    def _series(self, output: BlockIn | Missing | Skipped) -> None:
        match output:
            case BlockIn():
                self.ends["block"] += 1
                self._block(output)
            case Missing():
                self._missing(output)
            case Skipped():
                self.ends[output.why] += 1

    def _other(self, output: Output) -> None:
        match output:
            case DeviceEvent():
                assert output.event.event_no not in self.told, "an event is told once"
                self.told.add(output.event.event_no)
            case Reply():
                self.replies[output.request_seq] = output.message
            case Restarted():
                self.wanted = None
                self.told.clear()
            case StatusIn():
                self.seen_tick = output.status.tick
            case LinkFault():
                assert self.bent or self.to_host.bent or self.to_device.bent, output
                assert output.kind not in {"wrong_major", "sheet", "malformed"}, output
            case _:
                pass

    def _block(self, output: BlockIn) -> None:
        assert self.wanted is None or output.index == self.wanted, "in order, no hole undeclared"
        self.wanted = output.index + output.count
        block = wire.Block.decode(output.body[HEADER_BYTES:])
        assert output.tick == output.index * PERIOD, "tick and number go together"
        for number, pair in enumerate(samples_of(block)):
            index = output.index + number
            assert index not in self.lost_by_device
            if self.settings.stream == wire.Stream.PATTERN:
                assert pair == (pattern_torque(index), pattern_encoder(index))
            else:
                tick = index * PERIOD
                assert pair == (core().h_torque_at(tick), core().h_encoder_at(tick))
        self.seen_tick = max(self.seen_tick, output.tick)

    def _missing(self, output: Missing) -> None:
        assert self.wanted is not None or output.index_from >= 0
        assert self.wanted is None or output.index_from == self.wanted, "holes are declared in order"
        assert output.index_to > output.index_from
        self.wanted = output.index_to
        self.missing.append(output)
        if output.cause == "device":
            return
        assert self.bent or self.to_host.bent or self.to_device.bent, "a good line loses nothing"
        if output.cause == "overwritten":
            assert self.device["overwritten_unsent"] or self.boots > 1, (
                "the device says when its ring went round"
            )

    # requests

    def request(self, message: wire.Message) -> int | None:
        """A request on the control lane, while the stream runs."""
        if self.link.state.value != "running":
            return None
        seq, frame = self.link.request(message, self.now_ns)
        self.requests[seq] = message
        self.replies.pop(seq, None)
        if isinstance(message, wire.Drive) and message.mode != wire.DriveMode.OFF:
            self.setpoints[seq] = message.setpoint
        if isinstance(message, wire.Switch):
            self.switched[seq] = message.output
        self.say([frame])
        return seq

    def count_effects(self) -> None:
        """What the port was told, by setpoint and output."""
        for call in self.device.calls(DRIVE, SET_OUTPUT):
            if call.what == DRIVE:
                self.effects[DRIVE, round(call.setpoint, 3)] += 1
            elif call.on:
                self.effects[SET_OUTPUT, call.which] += 1

    def assert_each_drive_happened_once(self) -> None:
        """Never twice, whatever the line did; once when the reply says so, not at all when it refuses."""
        for seq, setpoint in self.setpoints.items():
            happened = self.effects[DRIVE, round(setpoint, 3)]
            assert happened <= 1
            reply = self.replies.get(seq)
            overtaken = isinstance(reply, wire.DriveReply) and reply.reason == wire.Reason.TOO_LATE
            if (
                isinstance(reply, wire.DriveReply) and not overtaken
            ):  # else nobody knows whether it was carried out
                assert happened == reply.accepted

    def assert_each_switch_happened_once(self) -> None:
        """For each output no more often than it was asked for, and as often as the replies say so."""
        for output in wire.Output:
            asked = [seq for seq, which in self.switched.items() if which == output]
            done = sum(isinstance(self.replies.get(seq), wire.Done) for seq in asked)
            assert done <= self.effects[SET_OUTPUT, output] <= len(asked)

    # the end

    def heal(self) -> None:
        """A good line for long enough."""
        for way in (self.to_host, self.to_device):
            way.fates.clear()
        self.budget = BYTES_PER_STEP
        self.device["lose"] = 0
        if not self.up:
            self.connect()
        self.run(4500)

    def assert_settled(self) -> None:
        """The stream runs, everything produced was delivered or declared, every event arrived."""
        assert self.link.state.value == "running"
        assert self.link.boot_id == self.device_boot
        assert self.device["next_send"] == self.device["next_seq"]
        assert self.wanted is not None
        behind = self.device["next_index"] - self.wanted
        assert 0 <= behind <= BLOCK, "all but the block under way"
        assert self.device["events_kept"] == 0
        assert sum(self.ends.values()) == self.blocks_in, "every BLOCK record ended"
        self.assert_each_drive_happened_once()
        self.assert_each_switch_happened_once()

    @property
    def device_boot(self) -> int:
        """The boot id of the device."""
        return BOOT_ID + self.boots if self.boots > 1 else BOOT_ID
