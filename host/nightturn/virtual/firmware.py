"""One boot of the device: session, stream, lease, outputs and events on the device's own clock.

Order inside a call: samples up to a moment, the blocks they complete, then what that moment brings. So samples depend
on when commands came and on nothing else.
"""

from dataclasses import dataclass

from nightturn.virtual.clock import TICK_HZ
from nightturn.virtual.eventlog import EventLog
from nightturn.virtual.lease import MotionLease
from nightturn.virtual.outlet import Outlet
from nightturn.virtual.plant import Plant
from nightturn.virtual.rig import Rig
from nightturn.virtual.ring import Ring
from nightturn.virtual.sampler import Cutter, Sampler
from nightturn_protocol import messages as wire
from nightturn_protocol.framing import Deframer, frame_body, to_wire

SILENCE_TICKS = wire.SILENCE_MS * (TICK_HZ // 1000)
SUPPLY_V = 24.0
CPU_PCT = 12


@dataclass(frozen=True, slots=True)
class Crash:
    """What a crash left in memory that a reset does not clear; all 0 when there was none."""

    pc: int = 0
    lr: int = 0
    cause: int = 0


NO_CRASH = Crash()


@dataclass(frozen=True, slots=True)
class Boot:
    """What tells this boot from others, and what it found out about itself; bit n of `self_test`: test n failed."""

    boot_id: int
    cause: wire.ResetCause
    serial: bytes
    self_test: int = 0
    crash: Crash = NO_CRASH


class Firmware:
    """Everything a reset wipes out.

    Attributes:
        tick: the moment everything has been carried to.
        session: 0 when none is open; the device is mute then.
        heard_tick: when the last valid frame of the session came.
        resent: blocks sent again.
    """

    def __init__(self, plant: Plant, rig: Rig, boot: Boot, ring_bytes: int, outlet: Outlet) -> None:
        self.boot = boot
        self.plant = plant
        self.rig = rig
        self.outlet = outlet
        self.deframer = Deframer()
        self.sampler = Sampler(plant, TICK_HZ)
        self.cutter = Cutter()
        self.ring = Ring(ring_bytes)
        self.lease = MotionLease()
        self.events = EventLog()
        self.tick = 0
        self.session = 0
        self.heard_tick = 0
        self.resent = 0
        self.configured = False
        self._notice_seq = 0
        self._next_status = 0
        self.rig.power_up()
        self.cutter.inputs = self.rig.inputs()
        self.events.add(0, wire.EventCode.BOOT, wire.Severity.INFO, (int(boot.cause), 0))

    # ---- time -------------------------------------------------------------------------------------------------

    def advance(self, tick: int) -> None:
        """Carry everything to a tick."""
        while True:
            due = min(self._deadlines(), default=None)
            if due is None or due > tick:
                self._sample(tick)
                return
            self._sample(due)
            self._expire(due)

    def _deadlines(self) -> list[int]:
        """Ticks at which the lease or an output runs out."""
        return [at for at in (self.lease.lapses_at(), self.rig.expires_at()) if at is not None]

    def _sample(self, tick: int) -> None:
        """Samples up to a tick, and what they and the heartbeat put on the line, in order of time."""
        railed = self.sampler.take(tick)
        while self._next_status <= tick:
            self.emit_blocks(self._next_status)
            self._heartbeat(self._next_status)
            self._next_status += self.sampler.setup.status_ms * (TICK_HZ // 1000)
        self.emit_blocks(tick)
        self.tick = tick
        if railed:
            values = (self.sampler.torque_max or 0, self.sampler.torque_min or 0)
            self.events.add(tick, wire.EventCode.ADC_SATURATED, wire.Severity.WARNING, values)
        self.send_events()

    def _expire(self, tick: int) -> None:
        """Carry out what runs out at this tick."""
        lapses = self.lease.lapses_at()
        if lapses is not None and lapses <= tick:
            self._lapse(tick)
        for output in self.rig.expire(tick):
            self.events.add(tick, wire.EventCode.OUTPUT_EXPIRED, wire.Severity.INFO, (output, 0))
        self.refresh_inputs()
        self.send_events()

    def _lapse(self, tick: int) -> None:
        """The lease is over: quietly when no axis is on, else both ramp down and that is latched."""
        driven = self.rig.driven()
        self.rig.ramp_down()  # a gentle stop that is under way ends with the lease too
        if not driven:
            self.lease.end()
            return
        self.lease.lapse()
        self.events.add(tick, wire.EventCode.LEASE_LAPSED, wire.Severity.ALARM, (driven, 0), latched=True)

    def next_due(self) -> int:
        """The next tick at which something goes out or has to happen."""
        due = self._deadlines()
        if self.talking(self.tick):
            due.append(self._next_status)
            repeat = self.events.next_due()
            if repeat is not None:
                due.append(repeat)
            if self.sampler.running:
                due.append(self.sampler.block_due())
        return max(min(due, default=self.tick + TICK_HZ), self.tick + 1)

    # ---- output -----------------------------------------------------------------------------------------------

    def talking(self, tick: int) -> bool:
        """Whether the device may send: a session is open and the host was heard lately."""
        return self.session != 0 and tick - self.heard_tick < SILENCE_TICKS

    def emit_blocks(self, tick: int, *, rest: bool = False) -> None:
        """Put the blocks complete at a tick into the ring and, while talking, on the line."""
        if self.sampler.running:
            for frame in self.sampler.blocks(self.sampler.index_at(tick), self.cutter, rest=rest):
                self.ring.push(frame)
                if self.talking(tick):
                    self.pump()

    def pump(self) -> None:
        """Send what waits in the ring, oldest first, as far as there is room."""
        while self.ring.next_send < self.ring.next_seq and self.outlet.room(wire.WIRE_BYTES_MAX):
            self.outlet.put(self.ring.send_next())

    def send(self, message: wire.Message, seq: int | None = None, session: int | None = None) -> None:
        """Put a message on the line; without `seq` it is a notice with the next number of its own."""
        if seq is None:
            seq, self._notice_seq = self._notice_seq, (self._notice_seq + 1) & 0xFFFFFFFF
        self.outlet.put(to_wire(frame_body(message, self.session if session is None else session, seq)))

    def send_events(self) -> None:
        """Send events that are new or have waited long enough for their acknowledgement."""
        if self.talking(self.tick):
            for event in self.events.due(self.tick):
                self.send(event, event.event_no)

    def refresh_inputs(self) -> None:
        """Latch the input word; a change closes the block under way and is an event."""
        before, after = self.cutter.inputs, self.rig.inputs()
        if before == after:
            return
        self.emit_blocks(self.tick, rest=True)
        self.cutter.inputs = after
        self.events.add(self.tick, wire.EventCode.INPUT_CHANGED, wire.Severity.INFO, (before, after))

    # ---- what it says ------------------------------------------------------------------------------------------

    @property
    def state(self) -> wire.DeviceState:
        """What the device is doing."""
        if self.sampler.running:
            return wire.DeviceState.RUNNING
        return wire.DeviceState.READY if self.configured else wire.DeviceState.IDLE

    def _heartbeat(self, tick: int) -> None:
        if not self.talking(tick):
            return
        index = self.sampler.index_at(tick)
        self.send(self._status(tick, index))
        unit = self.plant.condition
        temperatures = (
            unit.housing_degc,
            unit.winding_degc,
            unit.bearing_degc,
            unit.ambient_degc,
            unit.ambient_degc,
        )
        excitation_v = self.plant.product.bridge.excitation_v
        values = (*(round(value, 2) for value in temperatures), SUPPLY_V, excitation_v)
        self.send(wire.Slow(tick, tuple(enumerate(values))))

    def _status(self, tick: int, next_index: int) -> wire.Status:
        deframer = self.deframer
        return wire.Status(
            tick=tick,
            next_index=next_index,
            boot_id=self.boot.boot_id,
            newest_seq=(self.ring.next_send - 1) & 0xFFFFFFFF,  # what waits unsent is not lost
            oldest_seq=self.ring.oldest_seq & 0xFFFFFFFF,
            rx_bad_crc=deframer.bad_crc & 0xFFFFFFFF,
            rx_bad_cobs=(deframer.bad_cobs + deframer.undersize) & 0xFFFFFFFF,
            rx_oversize=deframer.oversize & 0xFFFFFFFF,
            rx_overrun=0,
            tx_stalls=self.outlet.stalls & 0xFFFFFFFF,
            blocks_overwritten_unsent=self.ring.overwritten_unsent & 0xFFFFFFFF,
            adc_overrange=self.sampler.overrange & 0xFFFFFFFF,
            encoder_errors=0,
            resent=self.resent & 0xFFFFFFFF,
            leases_refused=self.lease.refused & 0xFFFFFFFF,
            ring_high_water=self.ring.high_water,
            inputs=self.cutter.inputs,
            state=self.state,
            lease=self.lease.state,
            outputs=self.rig.output_word(),
            cpu_pct=CPU_PCT,
        )
