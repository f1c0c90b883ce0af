"""How fast a virtual fixture makes a night, BLOCK encoding included: CPU seconds against seconds of samples.

Run: `python tests/benchmarks/virtual_speed.py [--json]`. It prints; it asserts nothing.
"""

import argparse
import json
import math
import sys
import time
from dataclasses import asdict, dataclass

from nightturn.virtual.catalogue import from_spec
from nightturn.virtual.device import VirtualDevice
from nightturn_protocol import messages as wire
from nightturn_protocol.framing import frame_body, to_wire

SESSION = 7
LEASE_EVERY_NS = 500_000_000
WARM_UP_S = 4
CASES = (  # name, rate, step of advance in ms, seconds of samples, turning, bounds
    ("turning, 10 kS/s, 100 ms", 10_000, 100, 300, True),
    ("turning, 10 kS/s, 500 ms", 10_000, 500, 300, True),
    ("turning, 1 kS/s, 500 ms", 1_000, 500, 1200, True),
    ("standing, 1 kS/s, 500 ms", 1_000, 500, 1200, False),
)
REAL_TIME_BOUND = 250.0  # at 10 kS/s
CALL_BOUND_US = 150.0  # at 1 kS/s, 500 samples


@dataclass(frozen=True, slots=True)
class Result:
    """One case: the bound is a least real-time factor, or a most time for a call."""

    case: str
    samples_per_s: float
    times_real_time: float
    us_per_call: float
    bound: str
    met: bool


def send(device: VirtualDevice, message: wire.Message, seq: int, now_ns: int) -> None:
    """Hand the device one frame."""
    device.receive(to_wire(frame_body(message, SESSION, seq)), now_ns)


def lease(device: VirtualDevice, now_ns: int) -> None:
    """Echo the device's tick, as the host does."""
    tick = now_ns // 1000
    send(device, wire.Lease(tick, 10.0, 15.0, 1000, 0), 0, now_ns)


def opened(rate_hz: int, *, turning: bool) -> VirtualDevice:
    """A device that streams and, perhaps, turns while it holds a torque."""
    device = from_spec("pan15?seed=7").build()
    messages: tuple[wire.Message, ...] = (
        wire.Open(0, 1, 0, 0, 0, SESSION, 0, 1),
        wire.Setup(rate_hz * 1000, 100, 500, 0, 0),
        wire.Run(0),
    )
    for seq, message in enumerate(messages):
        send(device, message, seq + 1, 1_000_000 * seq + 1_000_000)
    if turning:
        lease(device, 5_000_000)
        send(
            device,
            wire.Drive(0, 1 << 62, 1, 5.0, 1.0, 20.0, wire.Axis.ACTUATOR, wire.DriveMode.TORQUE, 0),
            8,
            6_000_000,
        )
        speed = 3.0 * math.tau / 60
        send(
            device,
            wire.Drive(0, 1 << 62, 2, speed, 0.0, 2.0, wire.Axis.DRIVE, wire.DriveMode.SPEED, 0),
            9,
            6_000_000,
        )
    device.take_output()
    return device


def measure(case: str, rate_hz: int, step_ms: int, seconds: int, *, turning: bool) -> Result:
    """CPU time of `advance` and `take_output` alone; the lease's frames are counted in, as in a live fixture."""
    device = opened(rate_hz, turning=turning)
    now = 6_000_000
    calls = seconds * 1000 // step_ms
    spent = 0.0
    for call in range(-WARM_UP_S * 1000 // step_ms, calls):
        now += step_ms * 1_000_000
        before = time.process_time()
        device.advance(now)
        device.take_output()
        spent += (time.process_time() - before) if call >= 0 else 0.0
        if now % LEASE_EVERY_NS < step_ms * 1_000_000:
            lease(device, now)
    factor, per_call = seconds / spent, spent / calls * 1e6
    by_factor = rate_hz >= 10_000
    return Result(
        case,
        samples_per_s=rate_hz * seconds / spent,
        times_real_time=factor,
        us_per_call=per_call,
        bound=f">= {REAL_TIME_BOUND:g}x" if by_factor else f"<= {CALL_BOUND_US:g} us/call",
        met=factor >= REAL_TIME_BOUND if by_factor else per_call <= CALL_BOUND_US,
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", action="store_true", help="print one JSON document")
    as_json: bool = parser.parse_args().json
    results = [
        measure(name, rate, step, seconds, turning=turning) for name, rate, step, seconds, turning in CASES
    ]
    if as_json:
        json.dump([asdict(result) for result in results], sys.stdout, indent=2)
        print()
        return
    print(f"{'case':28} {'MS/s':>7} {'x real time':>12} {'us/call':>9}  bound")
    for result in results:
        print(
            f"{result.case:28} {result.samples_per_s / 1e6:7.2f} {result.times_real_time:12.0f} "
            f"{result.us_per_call:9.1f}  {result.bound} {'met' if result.met else 'MISSED'}"
        )


if __name__ == "__main__":
    main()
