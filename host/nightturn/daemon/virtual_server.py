"""Serves one virtual fixture on a pty behind a stable link, or on a TCP address."""

import asyncio
import os
import signal
import socket
from collections.abc import Callable
from pathlib import Path

from nightturn.bench.locks import link_key, take_named, us
from nightturn.bench.truth import write_truth_file
from nightturn.bench.worlds import RealClock
from nightturn.errors import PortError
from nightturn.transport.descriptor import DescriptorPump
from nightturn.transport.port import Port
from nightturn.transport.pty_line import PtyLine
from nightturn.virtual.catalogue import from_spec
from nightturn.virtual.device import VirtualDevice

POLL_S = 0.02


def device_of(spec: str) -> VirtualDevice:
    """A device with a boot id of its own: two starts of one seed are two boots.

    Raises:
        ConfigError: unknown product, key or fault.
    """
    entropy = int.from_bytes(os.urandom(4), "little")
    return from_spec(spec).build(RealClock().monotonic_ns(), entropy)


class Served:
    """Couples a device to whatever line is up."""

    def __init__(self, device: VirtualDevice) -> None:
        self.device = device
        self._clock = RealClock()
        self._write: Callable[[bytes], None] | None = None

    def attach(self, write: Callable[[bytes], None] | None) -> None:
        """Bytes go here from now on; None unplugs."""
        self._write = write

    def guard_on_signals(self) -> None:
        """A person at the fixture: USR1 opens its guard, USR2 closes it."""
        loop = asyncio.get_running_loop()
        for number, closed in ((signal.SIGUSR1, False), (signal.SIGUSR2, True)):
            loop.add_signal_handler(number, self._guard, closed)

    def _guard(self, closed: bool) -> None:  # noqa: FBT001 - the handler of a signal takes no keywords
        self.device.guard(self._clock.monotonic_ns(), closed=closed)
        self._flush()

    def on_bytes(self, stamp_ns: int, content: bytes) -> None:
        """Bytes from the host."""
        self.device.receive(content, stamp_ns)
        self._flush()

    async def run(self) -> None:
        """Advance the device in real time, for ever."""
        while True:
            now_ns = self._clock.monotonic_ns()
            self.device.advance(now_ns)
            if self.device.line_up(now_ns):
                self._flush()
            else:
                self.device.take_output()
            await asyncio.sleep(POLL_S)

    def _flush(self) -> None:
        content = self.device.take_output()
        if content and self._write is not None:
            self._write(content)


async def serve_pty(spec: str, link: Path, on_ready: Callable[[str], None]) -> None:
    """Serve on a pty behind `link` until cancelled; then the ground truth is written beside the link.

    Raises:
        PortError: the link cannot be made, or another process serves there.
        ConfigError: bad spec.
    """
    _end_on_signal()
    served = Served(device_of(spec))
    served.guard_on_signals()
    served_link = take_named(link_key(link), str(link), us("nightturn virtual"))
    line: Port = PtyLine(link, RealClock())
    line.open(served.on_bytes, lambda _reason: None)
    served.attach(line.write)
    on_ready(line.name)
    try:
        await served.run()
    finally:
        line.close()
        served_link.release()
        write_truth_file(link.with_name(f"{link.name}.truth.json"), served.device)


async def serve_tcp(spec: str, address: str, on_ready: Callable[[str], None]) -> None:
    """Serve on `host:port`, one host at a time, until cancelled.

    Raises:
        PortError: the address is taken or not ours.
        ConfigError: bad spec or address.
    """
    _end_on_signal()
    served = Served(device_of(spec))
    served.guard_on_signals()
    host, _, port = address.rpartition(":")
    try:
        listener = socket.create_server((host or "127.0.0.1", int(port)))
    except (OSError, ValueError) as error:
        raise PortError(
            f"{address}: cannot listen there: {error}; give host:port with a free port"
        ) from error
    listener.settimeout(0)
    on_ready("socket://{}:{}".format(*listener.getsockname()[:2]))
    runner = asyncio.create_task(served.run())
    try:
        while True:
            connection, _ = await asyncio.get_running_loop().sock_accept(listener)
            await _one_host(served, connection)
    finally:
        runner.cancel()
        listener.close()


async def _one_host(served: Served, connection: socket.socket) -> None:
    gone = asyncio.Event()
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    pump = DescriptorPump(connection.fileno(), RealClock(), served.on_bytes, lambda _reason: gone.set())
    served.attach(pump.write)
    try:
        await gone.wait()
    finally:
        served.attach(None)
        pump.close()
        connection.close()


def _end_on_signal() -> None:
    """A polite end does what Ctrl-C does, so that link and port are given back.

    Not by raising SIGINT: a shell that starts this in the background lets it be ignored.
    """
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, _interrupt)


def _interrupt() -> None:
    raise KeyboardInterrupt
