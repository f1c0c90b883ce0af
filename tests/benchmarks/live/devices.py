"""The child with every virtual fixture of the load, on one loop: python -m tests.benchmarks.live.devices FOLDER COUNT."""

import asyncio
import contextlib
import gc
import signal
import sys
from pathlib import Path

from nightturn.bench.worlds import RealClock
from nightturn.daemon.virtual_server import POLL_S, Served, device_of
from nightturn.transport.port import Port
from nightturn.transport.pty_line import PtyLine

PROBE_S = 0.01


def line_of(folder: Path, number: int) -> Path:
    """Where the pty of a fixture is found."""
    return folder / f"line-{number}"


def lags_of(folder: Path) -> Path:
    """Where stands second by second how late the fixtures' loop has woken at worst: CLOCK_MONOTONIC and lag, seconds."""
    return folder / "devices.lag"


async def watch_lag(place: Path) -> None:
    """Look at the loop until cancelled."""
    loop = asyncio.get_running_loop()
    worst_s, said_s = 0.0, loop.time()
    with place.open("w", encoding="ascii", buffering=1) as lines:
        while True:
            due_s = loop.time() + PROBE_S
            await asyncio.sleep(PROBE_S)
            now_s = loop.time()
            worst_s = max(worst_s, now_s - due_s)
            if now_s - said_s >= 1.0:
                lines.write(f"{now_s} {worst_s}\n")
                worst_s, said_s = 0.0, now_s


async def serve_all(folder: Path, count: int) -> None:
    """Serve until cancelled. USR1 opens the guard of every fixture, USR2 closes it."""
    clock = RealClock()
    all_served, lines = [], []
    for number in range(count):
        served = Served(device_of(f"pan15?seed={number}"))
        line: Port = PtyLine(line_of(folder, number), clock)
        line.open(served.on_bytes, lambda _reason: None)
        served.attach(line.write)
        all_served.append(served)
        lines.append(line)

    def guards(closed: bool) -> None:
        for served in all_served:
            served.device.guard(clock.monotonic_ns(), closed=closed)

    loop = asyncio.get_running_loop()
    loop.add_signal_handler(signal.SIGUSR1, guards, False)
    loop.add_signal_handler(signal.SIGUSR2, guards, True)
    tasks = [asyncio.create_task(_apart(served, place / count)) for place, served in enumerate(all_served)]
    tasks.append(asyncio.create_task(watch_lag(lags_of(folder))))
    gc.collect()
    gc.freeze()  # as in the daemon: a full round of the collector stops every fixture
    ending = asyncio.Event()
    loop.add_signal_handler(signal.SIGTERM, ending.set)
    await ending.wait()
    for task in tasks:
        task.cancel()
    for line in lines:
        line.close()


async def _apart(served: Served, place: float) -> None:
    """As devices of their own would: not all at the same moments."""
    await asyncio.sleep(place * POLL_S)
    await served.run()


def main() -> None:
    """Serve the fixtures that the command line names."""
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(serve_all(Path(sys.argv[1]), int(sys.argv[2])))


if __name__ == "__main__":
    main()
