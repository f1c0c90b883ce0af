"""The device's hands on the rig: guard, stop chain, relays, and the two machines it drives."""

from dataclasses import dataclass, field

from nightturn.virtual.motion import level_course, speed_course, travel_course
from nightturn.virtual.plant import Plant
from nightturn_protocol import messages as wire
from nightturn_protocol.messages import Input, Output

RAMP_RAD_S2 = 2.0  # when a command names none
STOP_RAMP_RAD_S2 = 50.0  # when the guard opens
GENTLEST_RAD_S2 = 1.0  # a lapsed lease is not stretched by a gentle ramp
TORQUE_RAMP_SHARE = 4.0  # rated torques per second


@dataclass(slots=True)
class Rig:
    """Inputs, outputs and axes; what a reset does to them is `power_up`.

    Attributes:
        guard_closed: the guard.
        guard_latched: it was open and nobody has cleared that.
        turning: the drive axis is on; after a TRAVEL it holds and stays on.
        energised: the actuator axis is on.
        expiry: tick at which each output that is on falls back to off.
    """

    plant: Plant
    guard_closed: bool = True
    guard_latched: bool = False
    turning: bool = False
    energised: bool = False
    expiry: dict[Output, int] = field(default_factory=dict)
    _ramp: float = RAMP_RAD_S2

    def power_up(self) -> None:
        """A device that starts drives nothing and has every output off."""
        self.expiry.clear()
        self._apply_outputs()
        self.guard_latched = not self.guard_closed
        self.stop(STOP_RAMP_RAD_S2)

    # ---- inputs -------------------------------------------------------------------------------------------------

    @property
    def interlocked(self) -> bool:
        """Whether guard or brake forbid motion."""
        return not self.guard_closed or self.guard_latched or Output.BRAKE in self.expiry

    def inputs(self) -> int:
        """The input word now."""
        word = Input.STOP_CHAIN_HEALTHY | Input.INDEX_SEEN
        if self.guard_closed:
            word |= Input.GUARD_CLOSED
        if not self.interlocked:
            word |= Input.DRIVE_READY
        if Output.BRAKE not in self.expiry:
            word |= Input.BRAKE_RELEASED
        if Output.WINDING in self.expiry:
            word |= Input.WINDING_SHORTED
        if self.energised:
            word |= Input.WINDING_ENERGISED
        return int(word)

    # ---- outputs ------------------------------------------------------------------------------------------------

    def all_outputs_off(self) -> None:
        """At the end of a session."""
        self.expiry.clear()
        self._apply_outputs()

    def switch(self, output: Output, until_tick: int | None) -> wire.Reason:
        """Turn an output on until a tick, or off."""
        if until_tick is None:
            self.expiry.pop(output, None)
        elif output is Output.BRAKE and self.moving:
            return wire.Reason.NOT_NOW
        elif output is Output.WINDING and self.energised:
            return wire.Reason.INTERLOCK
        else:
            self.expiry[output] = until_tick
        self._apply_outputs()
        return wire.Reason.NONE

    def expires_at(self) -> int | None:
        """The next tick at which an output falls back."""
        return min(self.expiry.values(), default=None)

    def expire(self, tick: int) -> list[Output]:
        """Turn off what has run out."""
        gone = [output for output, until in self.expiry.items() if until <= tick]
        for output in gone:
            del self.expiry[output]
        if gone:
            self._apply_outputs()
        return gone

    def output_word(self) -> int:
        """Bit n = output n is on."""
        return sum(1 << output for output in self.expiry)

    def _apply_outputs(self) -> None:
        self.plant.shunt = Output.SHUNT in self.expiry
        self.plant.shorted = Output.WINDING in self.expiry

    # ---- axes ---------------------------------------------------------------------------------------------------

    @property
    def moving(self) -> bool:
        """Whether the drive turns or is about to."""
        return not self.plant.drive.still(self.plant.index)

    def driven(self) -> int:
        """Bit 0: the drive axis is on; bit 1: the actuator axis is."""
        return int(self.turning) | int(self.energised) << 1

    def ramp_down(self) -> None:
        """The lease is gone: both axes off, no gentler than a limit."""
        self.stop(max(self._ramp, GENTLEST_RAD_S2))

    def stop(self, ramp_rad_s2: float) -> None:
        """Both axes off."""
        self.set_speed(0.0, ramp_rad_s2)
        self.set_torque(0.0, 0.0)
        self.energised = False

    def set_speed(self, speed_rad_s: float, ramp_rad_s2: float) -> None:
        """Turn at a speed from the next sample on; a ramp of 0 means the default."""
        plant, index = self.plant, self.plant.index
        piece = plant.drive.piece(index)
        ramp = ramp_rad_s2 or RAMP_RAD_S2
        if speed_rad_s == 0.0 and not self.turning:  # a stop under way is never softened
            ramp = max(ramp, self._ramp)
        self.turning = speed_rad_s != 0.0
        if speed_rad_s == 0.0 and not piece.moving and plant.drive.still(index):
            return
        self._ramp = ramp
        ahead = speed_course(
            index,
            piece.value(index),
            piece.rate_at(index),
            plant.per_sample(speed_rad_s),
            plant.per_sample(self._ramp) / plant.rate_hz,
        )
        plant.drive.replace(index, ahead)

    def travel(self, counts: int, speed_rad_s: float, ramp_rad_s2: float) -> None:
        """Turn by a number of counts and stand."""
        plant, index = self.plant, self.plant.index
        self.turning = True
        self._ramp = ramp_rad_s2 or RAMP_RAD_S2
        ahead = travel_course(
            index,
            plant.drive.piece(index).value(index),
            float(counts),
            plant.per_sample(speed_rad_s),
            plant.per_sample(self._ramp) / plant.rate_hz,
        )
        plant.drive.replace(index, ahead)

    def set_torque(self, torque_nm: float, ramp_nm_s: float) -> None:
        """Hold a torque from the next sample on."""
        plant, index = self.plant, self.plant.index
        ramp = ramp_nm_s or TORQUE_RAMP_SHARE * plant.product.rated_torque_nm
        value = plant.torque.piece(index).value(index)
        if value != torque_nm or plant.torque.piece(index).moving:
            plant.torque.replace(index, level_course(index, value, torque_nm, ramp / plant.rate_hz))
        self.energised = torque_nm != 0.0
