"""What a device reports, in words: each event code has a sentence, made of its values and the names in the sheet.

What the two values of a code mean is in PROTOCOL.md, section 7.
"""

from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, field

from nightturn.model.quantities import quantity
from nightturn_protocol import messages as wire

CABLE = "look at the bridge cable and its plug"
BY_ITSELF = "CLEAR needed, which the host sends by itself"
BY_GO = "CLEAR needed, which `go` sends"
ROUTINE = int(
    wire.Input.DRIVE_READY
    | wire.Input.BRAKE_RELEASED
    | wire.Input.WINDING_SHORTED
    | wire.Input.WINDING_ENERGISED
    | wire.Input.INDEX_SEEN
)
"""Inputs that change as the shaft turns and comes to rest; every sample carries them."""
INPUT_BITS = 16
INPUT_NAMES = {int(one).bit_length() - 1: str(one.name).lower() for one in wire.Input}
OUTPUTS: Mapping[int, str] = {
    wire.Output.SHUNT: "shunt relay",
    wire.Output.BRAKE: "brake",
    wire.Output.WINDING: "winding contactor",
    wire.Output.LAMP: "warning lamp",
}
DRIVEN: Mapping[int, str] = {1: "turning drive", 2: "actuator", 3: "turning drive and actuator"}
RESET_CAUSES: Mapping[int, str] = {
    wire.ResetCause.POWER: "power on",
    wire.ResetCause.PIN: "reset pin",
    wire.ResetCause.WATCHDOG: "watchdog",
    wire.ResetCause.SOFTWARE: "its own software",
    wire.ResetCause.FAULT: "a crash",
    wire.ResetCause.BROWNOUT: "supply voltage too low",
    wire.ResetCause.UNKNOWN: "a cause that it does not know",
}


@dataclass(frozen=True, slots=True)
class DeviceWords:
    """What a sheet and a calibration say about the numbers of an event.

    Attributes:
        inputs: the inputs that the sheet names.
        slow: the names of its slow channels, by number.
        torque_unit: of torque; empty when counts are all that is known.
        torque_scale, torque_zero: torque is (counts - zero) times scale.
    """

    inputs: tuple[str, ...] = ()
    slow: Mapping[int, str] = field(default_factory=dict)
    torque_unit: str = ""
    torque_scale: float = 1.0
    torque_zero: float = 0.0

    def torque(self, counts: int) -> str:
        """Torque with its unit."""
        if not self.torque_unit:
            return f"{counts} counts"
        return quantity((counts - self.torque_zero) * self.torque_scale, self.torque_unit)

    def input(self, bit: int) -> str:
        """An input by its number, counted from 1, and the name that the sheet has for it."""
        name = INPUT_NAMES.get(bit, "")
        return f"input {bit + 1} {name}" if name in self.inputs else f"input {bit + 1}"


def inputs_text(word: int, named: Collection[str]) -> str:
    """What a sheet's inputs say: `guard closed, stop chain healthy; not drive ready`; the index mark, which comes each turn, is left out."""
    bits = [
        (bit, name)
        for bit, name in INPUT_NAMES.items()
        if name in named and 1 << bit != wire.Input.INDEX_SEEN
    ]
    on, off = (
        ", ".join(name.replace("_", " ") for bit, name in bits if bool(word >> bit & 1) is wanted)
        for wanted in (True, False)
    )
    return "; ".join(filter(None, (on, f"not {off}" if off else ""))) or "the device names no input"


def is_routine(event: wire.Event, watched: int) -> bool:
    """Whether an input has only changed as the shaft turns; what is `watched` is an intervention, which has its own sentence."""
    if event.code != wire.EventCode.INPUT_CHANGED:
        return False
    changed = (event.value_a ^ event.value_b) & (1 << INPUT_BITS) - 1
    return not changed & ~(ROUTINE | watched)


def device_event(event: wire.Event, words: DeviceWords) -> str:
    """The sentence of an event; of a code that this version does not know, one that says so with its numbers."""
    make = SENTENCES.get(event.code)
    numbers = f"{title(event.code)}; values {event.value_a} and {event.value_b}"
    return _with_clear(event, make(event, words) if make is not None else numbers)


def title(code: int) -> str:
    """What a code means, in a few words and without its values."""
    return TITLES.get(code, f"device event of code {code}, which this version does not know")


def reset_cause(code: int) -> str:
    """Why a device started, also for a reason that this version does not know."""
    return RESET_CAUSES.get(code, f"cause {code}, which this version does not know")


def _with_clear(event: wire.Event, text: str) -> str:
    if not event.latched:
        return text
    return f"{text}; {BY_ITSELF if event.code == wire.EventCode.LEASE_LAPSED else BY_GO}"


def _boot(event: wire.Event, _words: DeviceWords) -> str:
    return f"device started: {reset_cause(event.value_a)}"


def _input_changed(event: wire.Event, words: DeviceWords) -> str:
    changes = list(_changes(event, words))
    return "; ".join(changes) if changes else "inputs reported as changed, but all are as before"


def _changes(event: wire.Event, words: DeviceWords) -> Iterator[str]:
    for bit in range(INPUT_BITS):
        if (event.value_a ^ event.value_b) >> bit & 1:
            yield f"{words.input(bit)} went {'on' if event.value_b >> bit & 1 else 'off'}"


def _lease_lapsed(event: wire.Event, _words: DeviceWords) -> str:
    driven = DRIVEN.get(event.value_a, "")
    return f"motion lease ran out{f' with {driven} on' if driven else ''}; the device turned everything off"


def _torque_trip(event: wire.Event, words: DeviceWords) -> str:
    limit = -event.value_b if event.value_a < 0 else event.value_b
    return f"torque trip: {words.torque(event.value_a)}, the device's own limit is {words.torque(limit)}"


def _saturated(event: wire.Event, words: DeviceWords) -> str:
    """Value a is where the signal is, or a and b are its two ends; the one farther out is the end it has reached."""
    return f"torque signal at the end of its range ({words.torque(max(event.value_a, event.value_b, key=abs))}); {CABLE}"


def _bridge_open(_event: wire.Event, _words: DeviceWords) -> str:
    return f"bridge open, or its converter is silent; {CABLE}"


def _over_temperature(event: wire.Event, words: DeviceWords) -> str:
    channel = words.slow.get(event.value_a, f"slow channel {event.value_a}")
    return f"{channel} is above the device's own limit of {event.value_b} °C, or has no reading"


def _drive_fault(_event: wire.Event, words: DeviceWords) -> str:
    return f"drive fault ({words.input(_bit(wire.Input.DRIVE_FAULT))}); look at the drive's display"


def _guard_opened(event: wire.Event, words: DeviceWords) -> str:
    return f"guard opened ({words.input(_bit(wire.Input.GUARD_CLOSED))}){_while(event)}"


def _encoder_fault(_event: wire.Event, _words: DeviceWords) -> str:
    return "encoder fault: no valid angle; look at the encoder cable and its plug"


def _stop_chain(event: wire.Event, words: DeviceWords) -> str:
    return f"stop chain opened ({words.input(_bit(wire.Input.STOP_CHAIN_HEALTHY))}){_while(event)}"


def _output_expired(event: wire.Event, _words: DeviceWords) -> str:
    return (
        f"{OUTPUTS.get(event.value_a, f'output {event.value_a}')} switched off by itself: not renewed in time"
    )


def _bit(one: wire.Input) -> int:
    return int(one).bit_length() - 1


def _while(event: wire.Event) -> str:
    driven = DRIVEN.get(event.value_a, "")
    return f" with {driven} on" if driven else ""


SENTENCES: Mapping[int, Callable[[wire.Event, DeviceWords], str]] = {
    wire.EventCode.BOOT: _boot,
    wire.EventCode.INPUT_CHANGED: _input_changed,
    wire.EventCode.LEASE_LAPSED: _lease_lapsed,
    wire.EventCode.TORQUE_TRIP: _torque_trip,
    wire.EventCode.ADC_SATURATED: _saturated,
    wire.EventCode.BRIDGE_OPEN: _bridge_open,
    wire.EventCode.OVER_TEMPERATURE: _over_temperature,
    wire.EventCode.DRIVE_FAULT: _drive_fault,
    wire.EventCode.GUARD_OPENED: _guard_opened,
    wire.EventCode.ENCODER_FAULT: _encoder_fault,
    wire.EventCode.STOP_CHAIN: _stop_chain,
    wire.EventCode.OUTPUT_EXPIRED: _output_expired,
}
TITLES: Mapping[int, str] = {
    wire.EventCode.BOOT: "device started",
    wire.EventCode.INPUT_CHANGED: "input changed",
    wire.EventCode.LEASE_LAPSED: "motion lease ran out",
    wire.EventCode.TORQUE_TRIP: "torque trip",
    wire.EventCode.ADC_SATURATED: "torque signal at the end of its range",
    wire.EventCode.BRIDGE_OPEN: "bridge open",
    wire.EventCode.OVER_TEMPERATURE: "temperature above the device's own limit",
    wire.EventCode.DRIVE_FAULT: "drive fault",
    wire.EventCode.GUARD_OPENED: "guard opened",
    wire.EventCode.ENCODER_FAULT: "encoder fault",
    wire.EventCode.STOP_CHAIN: "stop chain opened",
    wire.EventCode.OUTPUT_EXPIRED: "output switched off by itself",
}
