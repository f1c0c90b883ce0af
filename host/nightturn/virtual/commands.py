"""What the device does with DRIVE and SWITCH: each command once, whatever the line does with its copies.

The motion lease is not a safety function.
"""

import math
from collections.abc import Sequence

from nightturn.virtual.clock import TICK_HZ
from nightturn.virtual.firmware import Firmware
from nightturn.virtual.sheet import OUTPUTS
from nightturn_protocol import messages as wire
from nightturn_protocol.conversation import seq_distance
from nightturn_protocol.messages import Axis, DriveMode, Reason

TICKS_PER_MS = TICK_HZ // 1000
DRIVES = {(Axis.DRIVE, DriveMode.SPEED), (Axis.DRIVE, DriveMode.TRAVEL), (Axis.ACTUATOR, DriveMode.TORQUE)}


class Commands:
    """The newest command of the session and the newest SWITCH of each output, so that no old one acts again."""

    def __init__(self, firmware: Firmware, features: Sequence[str]) -> None:
        self._firmware = firmware
        self._features = features
        self._command_no, self._command_reason = 0, Reason.NONE  # the newest of this session, and its answer
        self._switch_seq: dict[int, int] = {}  # of the last SWITCH of each output, or of the OPEN before it

    def begin_session(self) -> None:
        """Commands are numbered anew."""
        self._command_no = 0

    def opened(self, seq: int) -> None:
        """An OPEN with this number: what was sent before it is no order any more."""
        self._switch_seq = dict.fromkeys(map(int, wire.Output), seq)

    def drive(self, message: wire.Drive) -> wire.Message:
        """Carry a command out, or say why not."""
        reason = self._command(message)
        self._firmware.refresh_inputs()
        return wire.DriveReply(message.command_no, reason, int(reason is Reason.NONE), 0)

    def _command(self, message: wire.Drive) -> Reason:
        """Carry a command out once; one that is not newer than the newest is answered only, a refused one is used up."""
        number, off = message.command_no, message.mode == DriveMode.OFF
        if not off and 0 < number <= self._command_no:
            return self._command_reason if number == self._command_no else Reason.TOO_LATE
        reason = self._carry_out_off(message) if off else self._carry_out_drive(message)
        if number > self._command_no:
            self._command_no, self._command_reason = number, Reason.TOO_LATE if off else reason
        return reason

    def _carry_out_off(self, message: wire.Drive) -> Reason:
        """OFF is always taken, whatever else the command says; with an axis that does not exist both go off."""
        ramp = message.ramp if math.isfinite(message.ramp) and message.ramp > 0 else 0.0
        if message.axis != Axis.DRIVE:
            self._firmware.rig.set_torque(0.0, ramp)
        if message.axis != Axis.ACTUATOR:
            self._firmware.rig.set_speed(0.0, ramp)
        return Reason.NONE

    def _carry_out_drive(self, message: wire.Drive) -> Reason:
        reason = self._why_not(message)
        if reason is not Reason.NONE:
            return reason
        rig = self._firmware.rig
        if message.mode == DriveMode.TORQUE:
            rig.set_torque(message.setpoint, message.ramp)
        elif message.mode == DriveMode.SPEED:
            rig.set_speed(message.setpoint, message.ramp)
        else:
            rig.travel(message.travel_counts, abs(message.setpoint), message.ramp)
        return Reason.NONE

    def _why_not(self, message: wire.Drive) -> Reason:
        """Why a command is refused; never silently clamped."""
        firmware = self._firmware
        if not all(map(math.isfinite, (message.setpoint, message.speed_limit, message.ramp))):
            return Reason.NOT_FINITE
        unnamed = message.axis not in set(Axis) or message.mode not in set(DriveMode)
        if unnamed or not message.command_no or not message.not_after_tick:
            return Reason.OUT_OF_RANGE
        if (message.axis, message.mode) not in DRIVES:
            return Reason.UNSUPPORTED
        if firmware.tick > message.not_after_tick:
            return Reason.TOO_LATE
        if firmware.rig.interlocked:
            return Reason.INTERLOCK
        if firmware.lease.state is not wire.LeaseState.LIVE:
            lapsed = firmware.lease.state is wire.LeaseState.LAPSED
            return Reason.LATCHED if lapsed else Reason.NO_LEASE
        if firmware.events.latched:
            return Reason.LATCHED
        return self._torque_bounds(message) if message.axis == Axis.ACTUATOR else self._speed_bounds(message)

    def _torque_bounds(self, message: wire.Drive) -> Reason:
        firmware = self._firmware
        torque, limit = abs(message.setpoint), message.speed_limit
        if torque > firmware.plant.product.rated_torque_nm or limit < 0 or message.ramp < 0:
            return Reason.OUT_OF_RANGE
        most = limit or firmware.plant.product.speed_max_rad_s  # how fast it may spin up
        if torque > firmware.lease.torque_max or most > firmware.lease.speed_max:
            return Reason.LEASE_LIMIT
        return Reason.INTERLOCK if firmware.plant.shorted else Reason.NONE

    def _speed_bounds(self, message: wire.Drive) -> Reason:
        firmware = self._firmware
        speed, limit = abs(message.setpoint), message.speed_limit
        travels = message.mode == DriveMode.TRAVEL
        most = (
            min(limit, firmware.plant.product.speed_max_rad_s)
            if limit > 0
            else firmware.plant.product.speed_max_rad_s
        )
        if (
            speed > most
            or limit < 0
            or message.ramp < 0
            or (travels and (not message.travel_counts or not speed))
        ):
            return Reason.OUT_OF_RANGE
        if max(speed, limit) > firmware.lease.speed_max:
            return Reason.LEASE_LIMIT
        return Reason.NOT_NOW if travels and firmware.rig.moving else Reason.NONE

    def switch(self, message: wire.Switch, seq: int) -> wire.Message | Reason:
        """Work an output; an order that a later one has overtaken is too late."""
        firmware = self._firmware
        if OUTPUTS not in self._features:
            return Reason.UNSUPPORTED
        if message.output not in set(wire.Output):
            return Reason.OUT_OF_RANGE
        if seq_distance(self._switch_seq[message.output], seq) <= 0:
            return Reason.TOO_LATE
        self._switch_seq[message.output] = seq
        until = None
        if message.on:
            if not 0 < message.expire_ms <= wire.LEASE_WINDOW_MS_MAX:
                return Reason.OUT_OF_RANGE
            until = firmware.tick + message.expire_ms * TICKS_PER_MS
        reason = firmware.rig.switch(wire.Output(message.output), until)
        firmware.refresh_inputs()
        return wire.Done(request=wire.Switch.KIND, detail=message.output) if reason is Reason.NONE else reason
