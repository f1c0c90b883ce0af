"""The device half in numbers: samples a second, instructions a sample, flash and RAM, power-on to reply, lease to off.

    python tests/benchmarks/device_speed.py

Needs the tools that `tests/run` installs, and valgrind for the instructions.
"""

import re
import shutil
import statistics
import subprocess
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.device.build import DEVICE, built
from tests.device.client import Client
from tests.device.qemu import Qemu

from nightturn_protocol import messages
from nightturn_protocol.messages import Axis, DriveMode, EventCode, Stream

SAMPLES = 20_000_000
COUNTED_SAMPLES = 1_000_000
RATES_HZ = (10_000, 20_000)
STREAM_S = 5.0
STARTS = 10
LAPSES = 10
WINDOW_MS = 300


def row(what: str, measured: str, bound: str = "") -> None:
    """One line of the table."""
    print(f"| {what} | {measured} | {bound} |", flush=True)


def flat_out() -> None:
    """The core alone, native."""
    program = str(built("flat-out"))
    began_s = time.perf_counter()
    subprocess.run([program, str(SAMPLES), "100"], check=True, capture_output=True)
    row("core, native, one core", f"{SAMPLES / (time.perf_counter() - began_s) / 1e6:.1f} MS/s")
    if shutil.which("valgrind") is None:
        row("instructions a sample", "valgrind is not installed")
        return
    counted = [_instructions(program, samples) for samples in (COUNTED_SAMPLES, 2 * COUNTED_SAMPLES)]
    row("instructions a sample (native, callgrind)", f"{(counted[1] - counted[0]) / COUNTED_SAMPLES:.0f}")


def _instructions(program: str, samples: int) -> int:
    command = ["valgrind", "--tool=callgrind", "--callgrind-out-file=/dev/null", program, str(samples), "100"]
    printed = subprocess.run(command, check=True, capture_output=True, text=True).stderr
    found = re.search(r"Collected : (\d+)", printed)
    assert found, printed
    return int(found[1])


def sizes() -> None:
    """What the images take."""
    for machine in ("mps2-an385", "mps2-an386"):
        printed = subprocess.run(
            ["arm-none-eabi-size", built(f"{machine}.elf")], check=True, capture_output=True, text=True
        ).stdout
        text, initialised, zeroed = (int(word) for word in printed.splitlines()[1].split()[:3])
        row(
            f"{machine}: flash / RAM",
            f"{(text + initialised) / 1024:.1f} KiB / {(initialised + zeroed) / 1024:.1f} KiB",
        )


def unpaced() -> Path:
    """The image whose line has no rate of its own."""
    folder = DEVICE / "build" / "unpaced"
    subprocess.run(
        ["make", "-s", f"BUILD={folder}", "MPS2_OPTIONS=-DNT_LINE_BAUD=0u", str(folder / "mps2-an385.elf")],
        cwd=DEVICE,
        check=True,
    )
    return folder / "mps2-an385.elf"


def listen(host: Client, seconds: float) -> None:
    """Hear what comes, and say something now and then: a device falls silent with a silent host."""
    until_s = time.perf_counter() + seconds
    while (left_s := until_s - time.perf_counter()) > 0:
        host.send(messages.EventAck(0))
        host.listen(min(left_s, 0.5))


def emulated_rates() -> None:
    """How many samples a second come through, by the rate that was asked for."""
    image = unpaced()
    for rate_hz in RATES_HZ:
        with Qemu(image) as board, Client(board.port) as host:
            host.open(0x1234)
            setup = messages.Setup(rate_hz * 1000, 100, 100, Stream.BRIDGE, 0)
            host.ask(setup, messages.SetupReply)
            host.ask(messages.Run(0), messages.Done)
            listen(host, 0.5)
            first = len(host.heard)
            began_s = time.perf_counter()
            listen(host, STREAM_S)
            spent_s = time.perf_counter() - began_s
            heard = [message for _, message in host.heard[first:]]
            samples = sum(each.count for each in heard if isinstance(each, messages.Block))
            status = [each for each in heard if isinstance(each, messages.Status)][-1]
            row(
                f"mps2-an385 under QEMU, asked for {rate_hz / 1000:g} kS/s",
                f"{samples / spent_s / 1000:.1f} kS/s, {status.blocks_overwritten_unsent} blocks overwritten, "
                f"device load {status.cpu_pct} %, bad frames {host.bad}",
            )


def first_reply() -> None:
    """From starting QEMU to the first valid answer."""
    image = built("mps2-an385.elf")
    spent_ms = []
    for _ in range(STARTS):
        began_s = time.perf_counter()
        with Qemu(image) as board, Client(board.port) as host:
            while not any(isinstance(each, messages.Opened) for _, each in host.heard):
                host.session = 0x1234
                host.send(messages.Open(0, 1, 0, 0, 0, 0x1234, 0, 1))
                host.listen(0.005)
            spent_ms.append((time.perf_counter() - began_s) * 1000)
    row(
        "power-on to first valid reply (QEMU's start included)",
        f"median {statistics.median(spent_ms):.0f} ms, most {max(spent_ms):.0f} ms, of {STARTS}",
    )


def lease_drop() -> None:
    """From the end of the lease to the drive told to stop, and until the host knows."""
    in_device_us, at_host_ms = [], []
    with Qemu(built("mps2-an385.elf")) as board, Client(board.port) as host:
        host.open(0x1234)
        for number in range(1, LAPSES + 1):
            host.ask(messages.Clear(0), messages.Done)
            seen = host.next(messages.Status).tick
            granted_s = time.perf_counter()
            host.send(messages.Lease(seen, 7.0, 5.0, WINDOW_MS, 0))
            drive = messages.Drive(0, 1 << 62, number, 1.0, 2.0, 50.0, Axis.DRIVE, DriveMode.SPEED, 0)
            reply = host.ask(drive, messages.DriveReply)
            assert reply.accepted, reply
            lapsed = host.next(messages.Event)
            while lapsed.code != EventCode.LEASE_LAPSED or lapsed.tick < seen:
                host.send(messages.EventAck(lapsed.event_no))
                lapsed = host.next(messages.Event)
            at_host_ms.append((time.perf_counter() - granted_s) * 1000 - WINDOW_MS)
            host.send(messages.EventAck(lapsed.event_no))
            in_device_us.append(lapsed.tick - seen - WINDOW_MS * 1000)
            host.listen(0.3)
    row(
        "lease drop: end of the window to drive off, device's clock",
        f"median {statistics.median(in_device_us):.0f} us, most {max(in_device_us)} us, of {LAPSES}",
    )
    row(
        "the same until the host has the event (its own clock, both ways of the line in it)",
        f"median {statistics.median(at_host_ms):.1f} ms, most {max(at_host_ms):.1f} ms",
    )


def main() -> None:
    """Print the table."""
    print("| what | measured | bound |\n|---|---|---|")
    flat_out()
    sizes()
    emulated_rates()
    first_reply()
    lease_drop()


if __name__ == "__main__":
    main()
