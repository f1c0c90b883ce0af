"""What the device does with each message of the host: one function each, all through `handle`."""

from collections import OrderedDict
from collections.abc import Callable, Sequence
from typing import TypeAlias

from nightturn.virtual.clock import TICK_HZ
from nightturn.virtual.commands import Commands
from nightturn.virtual.firmware import Firmware
from nightturn.virtual.sampler import StreamSetup
from nightturn.virtual.sheet import EXTREMES, FIRMWARE, digest_of
from nightturn_protocol import messages as wire
from nightturn_protocol.errors import MalformedError
from nightturn_protocol.framing import HEADER_BYTES, MUST_UNDERSTAND, Header, parse_header
from nightturn_protocol.messages import Reason

VERSION = b"1.0.0-virtual"
BUILD = b"virtual fixture, reproducible"

Answer: TypeAlias = wire.Message | Reason | None


class Control:
    """Takes the frames of the host, answers each request once and repeats the answer to a retry."""

    def __init__(self, firmware: Firmware, sheet: bytes, features: Sequence[str]) -> None:
        self.strays = 0  # frames of another session, another version or no sense
        self._firmware = firmware
        self._sheet = sheet
        self._features = features
        self._answered: OrderedDict[int, tuple[bytes, wire.Message]] = OrderedDict()
        self._commands = Commands(firmware, features)
        self._seq = 0  # of the request under way
        self._carried_out: dict[int, Callable[..., Answer]] = {
            wire.Sheet.KIND: self._sheet_part,
            wire.Setup.KIND: self._setup,
            wire.Run.KIND: self._run,
            wire.Halt.KIND: self._halt,
            wire.Probe.KIND: self._probe,
            wire.EventAck.KIND: self._event_ack,
            wire.Resend.KIND: self._resend,
            wire.Lease.KIND: self._lease,
            wire.Drive.KIND: self._commands.drive,
            wire.Clear.KIND: self._clear,
            wire.Firmware.KIND: self._firmware_info,
            wire.Switch.KIND: lambda message: self._commands.switch(message, self._seq),
            wire.Extremes.KIND: self._extremes,
            wire.Close.KIND: self._close,
            wire.Open.KIND: self._open,
        }

    def handle(self, body: bytes) -> None:
        """Take one frame at the firmware's tick."""
        header = parse_header(body)
        opening = header.kind == wire.Open.KIND
        if header.major != wire.MAJOR:
            self.strays += 1
            if opening:
                self._refuse(header, Reason.VERSION, wire.MAJOR)
            return
        session = self._firmware.session
        echo = (
            header.kind in wire.BY_KIND and header.kind not in self._carried_out
        )  # its own frame, come back
        if not opening and (session == 0 or header.session != session or echo):
            self.strays += 1
            return
        if not opening:
            self._heard()
        self._dispatch(header, body)
        self._firmware.send_events()

    def _heard(self) -> None:
        """A valid frame: a device that had fallen silent speaks again, the oldest unsent block first."""
        firmware = self._firmware
        was_talking = firmware.talking(firmware.tick)
        firmware.heard_tick = firmware.tick
        if not was_talking:
            firmware.pump()

    def _dispatch(self, header: Header, body: bytes) -> None:
        carry_out = self._carried_out.get(header.kind)
        if carry_out is None:
            self.strays += 1
            if header.kind & MUST_UNDERSTAND:
                self._refuse(header, Reason.UNKNOWN_KIND, 0)
            return
        kind = wire.BY_KIND[header.kind]
        asks = kind.LANE is wire.Lane.CONTROL
        known = self._answered.get(header.seq)
        if asks and known is not None and known[0] == body:
            self._firmware.send(known[1], header.seq)
            return
        try:
            self._seq = header.seq
            answer = carry_out(kind.decode(body[HEADER_BYTES:]))
        except MalformedError:
            answer = Reason.MALFORMED
        if isinstance(answer, Reason):
            answer = wire.Refused(0, answer, header.kind, 0)
        if asks and answer is not None:
            self._answer(header, body, answer)

    def _answer(self, header: Header, body: bytes, answer: wire.Message) -> None:
        self._firmware.send(answer, header.seq, self._firmware.session or header.session)
        if not _is_anew(header.kind, answer):
            self._answered[header.seq] = (body, answer)
            self._answered.move_to_end(header.seq)
            if len(self._answered) > wire.REPLIES_KEPT:
                self._answered.popitem(last=False)

    def _refuse(self, header: Header, reason: Reason, detail: int) -> None:
        self._firmware.send(wire.Refused(detail, reason, header.kind, 0), header.seq, header.session)

    # ---- session ------------------------------------------------------------------------------------------------

    def _open(self, message: wire.Open) -> Answer:
        firmware = self._firmware
        if message.session == 0:
            return Reason.OUT_OF_RANGE
        resumed = (
            not message.fresh
            and firmware.session != 0
            and message.last_session == firmware.session
            and message.last_boot_id == firmware.boot.boot_id
        )
        if not resumed and firmware.lease.state is wire.LeaseState.LIVE:
            return Reason.NOT_NOW  # nobody takes over what another host may be turning
        if not resumed:
            firmware.events.tell_again()
            self._answered.clear()
            self._end_session()
            firmware.session = firmware.cutter.session = message.session
            firmware.cutter.next_seq = 0
            firmware.ring.empty()
        firmware.heard_tick = firmware.tick
        self._commands.opened(self._seq)
        opened = self._opened(resumed=resumed)
        firmware.sampler.torque_min = firmware.sampler.torque_max = None
        return opened

    def _opened(self, *, resumed: bool) -> wire.Opened:
        firmware, sampler = self._firmware, self._firmware.sampler
        return wire.Opened(
            digest=digest_of(self._sheet),
            uptime_tick=firmware.tick,
            next_index=sampler.next_index,
            boot_id=firmware.boot.boot_id,
            tick_hz=TICK_HZ,
            ring_bytes=firmware.ring.capacity,
            oldest_seq=firmware.ring.oldest_seq & 0xFFFFFFFF,
            next_seq=firmware.ring.next_seq & 0xFFFFFFFF,
            torque_min=sampler.torque_min or 0,
            torque_max=sampler.torque_max or 0,
            frame_bytes_max=wire.FRAME_BYTES_MAX,
            session=firmware.session,
            config_epoch=firmware.cutter.config_epoch,
            minor=wire.MINOR,
            reset_cause=firmware.boot.cause,
            state=firmware.state,
            resumed=int(resumed),
            firmware=VERSION.ljust(16, b"\0"),
            board=firmware.boot.serial.ljust(16, b"\0"),
        )

    def _end_session(self) -> None:
        """Streams stop, drive off."""
        firmware = self._firmware
        self._stop_stream()
        firmware.rig.ramp_down()
        firmware.rig.all_outputs_off()
        firmware.lease.end()
        firmware.refresh_inputs()
        self._commands.begin_session()

    def _close(self, _message: wire.Close) -> Answer:
        """Answered in the session that it ends: that is in the header of CLOSE."""
        self._end_session()
        self._firmware.session = self._firmware.cutter.session = 0
        return wire.Done(request=wire.Close.KIND, detail=0)

    def _sheet_part(self, message: wire.Sheet) -> Answer:
        total = len(self._sheet)
        if message.offset >= total:
            return Reason.OUT_OF_RANGE
        part = self._sheet[message.offset : message.offset + wire.SHEET_PART_BYTES]
        return wire.SheetPart(message.offset, total, part)

    # ---- stream -------------------------------------------------------------------------------------------------

    def _setup(self, message: wire.Setup) -> Answer:
        firmware = self._firmware
        sampler = firmware.sampler
        setup = StreamSetup.of(message)
        if setup is None:
            return Reason.OUT_OF_RANGE
        if sampler.running and setup != sampler.setup:
            return Reason.NOT_NOW
        if setup.rate_hz != sampler.setup.rate_hz and (firmware.rig.moving or firmware.rig.driven()):
            return Reason.NOT_NOW
        if not sampler.running:
            sampler.apply(setup)
            firmware.configured = True
            firmware.cutter.config_epoch = (firmware.cutter.config_epoch + 1) & 0xFFFF
        return wire.SetupReply(
            setup.rate_hz * 1000,
            setup.samples_per_block,
            setup.status_ms,
            firmware.cutter.config_epoch,
            setup.stream,
            0,
        )

    def _run(self, message: wire.Run) -> Answer:
        firmware = self._firmware
        if not firmware.configured:
            return Reason.NOT_NOW
        if not firmware.sampler.running:
            firmware.sampler.run(message.start_tick)
        return wire.Done(request=wire.Run.KIND, detail=0)

    def _halt(self, _message: wire.Halt) -> Answer:
        self._stop_stream()
        return wire.Done(request=wire.Halt.KIND, detail=0)

    def _stop_stream(self) -> None:
        firmware = self._firmware
        firmware.emit_blocks(firmware.tick, rest=True)
        firmware.sampler.halt()

    def _resend(self, message: wire.Resend) -> Answer:
        firmware = self._firmware
        ring, outlet = firmware.ring, firmware.outlet
        stop = message.first_seq + min(message.count, wire.RESEND_BLOCKS_MAX)
        gone = min(ring.oldest_seq, stop) - message.first_seq
        if gone > 0:
            firmware.send(wire.Gone(message.first_seq, gone))
        for seq in range(max(message.first_seq, ring.oldest_seq), min(stop, ring.next_send)):
            block = ring.again(seq)
            if block is None or not outlet.room(len(block)):
                break
            outlet.put(block)
            firmware.resent += 1
        return None

    # ---- clock, events ------------------------------------------------------------------------------------------

    def _probe(self, message: wire.Probe) -> Answer:
        tick = self._firmware.tick
        return wire.Probed(host_ns=message.host_ns, tick_rx=tick, tick_tx=tick, probe_id=message.probe_id)

    def _event_ack(self, message: wire.EventAck) -> Answer:
        self._firmware.events.acknowledge(message.event_no)
        return None

    def _clear(self, message: wire.Clear) -> Answer:
        firmware = self._firmware
        events = firmware.events
        stands = set() if firmware.rig.guard_closed else {wire.EventCode.GUARD_OPENED}
        if any(
            code in stands and event.event_no == message.event_no for code, event in events.latched.items()
        ):
            return Reason.INTERLOCK
        for code, event in list(events.latched.items()):
            # without a number nobody has looked at anything: only what a silent host leaves behind
            lapsed = not message.event_no and code is wire.EventCode.LEASE_LAPSED
            if lapsed or (event.event_no <= message.event_no and code not in stands):
                del events.latched[code]
        if not events.holds(wire.EventCode.LEASE_LAPSED):
            firmware.lease.clear()
        firmware.rig.guard_latched = events.holds(wire.EventCode.GUARD_OPENED)
        firmware.refresh_inputs()
        return wire.Done(request=wire.Clear.KIND, detail=len(events.latched))

    # ---- motion: the lease is not a safety function ---------------------------------------------------------------

    def _lease(self, message: wire.Lease) -> Answer:
        self._firmware.lease.offer(message, self._firmware.tick)
        return None

    # ---- overload memory -----------------------------------------------------------------------------------------

    def _extremes(self, message: wire.Extremes) -> Answer:
        if EXTREMES not in self._features:
            return Reason.UNSUPPORTED
        return self._firmware.sampler.overload.read(message.seen_no, self._firmware.tick)

    # ---- firmware ------------------------------------------------------------------------------------------------

    def _firmware_info(self, _message: wire.Firmware) -> Answer:
        if FIRMWARE not in self._features:
            return Reason.UNSUPPORTED
        boot = self._firmware.boot
        return wire.FirmwareReply(
            flash_crc=digest_of(VERSION) & 0xFFFFFFFF,
            config_hash=digest_of(self._sheet) & 0xFFFFFFFF,
            self_test=boot.self_test,
            crash_pc=boot.crash.pc,
            crash_lr=boot.crash.lr,
            crash_cause=boot.crash.cause,
            build=BUILD.ljust(32, b"\0"),
        )


def _is_anew(kind: int, answer: wire.Message) -> bool:
    """Whether a retry is a new request: a probe, for its stamps are what matters, and an OPEN that came at a bad time."""
    refused_for_now = isinstance(answer, wire.Refused) and answer.reason == Reason.NOT_NOW
    return kind == wire.Probe.KIND or (kind == wire.Open.KIND and refused_for_now)
