"""The link test on a real port: bytes are stamped when they are read, probes when they are written."""

import asyncio
import signal
from collections.abc import Callable

from nightturn.bench.locks import PortLocks
from nightturn.bench.ports import port_at
from nightturn.bench.worlds import RealClock
from nightturn.linktest.core import LinkTest, Phase
from nightturn.linktest.report import Report, report_of
from nightturn.linktest.stream_choice import Wanted
from nightturn.transport.port import Port
from nightturn.world import Clock
from nightturn_protocol.framing import parse_header, to_wire
from nightturn_protocol.messages import Open, Probe

TICK_S = 0.02


class Shell:
    """Couples a test to a port, on whichever loop runs us; `on_stream` is called once, when the pattern begins."""

    def __init__(
        self,
        test: LinkTest,
        port: Port,
        clock: Clock,
        on_stream: Callable[[LinkTest], None] = lambda _test: None,
    ) -> None:
        self._test = test
        self._port = port
        self._clock = clock
        self._on_stream = on_stream

    async def run(self, stop: asyncio.Event) -> None:
        """Open the port, tick until the test is done, close the port; returns soon after `stop` is set.

        Raises:
            PortError: the port cannot be opened.
        """
        told = False
        self._port.open(self._bytes, self._test.lost)
        try:
            self._send(self._test.opened(self._clock.monotonic_ns()))
            while self._test.phase is not Phase.DONE:
                await asyncio.sleep(TICK_S)
                if stop.is_set():
                    self._send(self._test.stop(self._clock.monotonic_ns()))
                self._send(self._test.tick(self._clock.monotonic_ns()))
                if self._test.ups and not told:
                    told = True
                    self._on_stream(self._test)
        finally:
            self._port.close()

    def _bytes(self, stamp_ns: int, content: bytes) -> None:
        self._send(self._test.received(stamp_ns, content))

    def _send(self, bodies: list[bytes]) -> None:
        for body in bodies:
            kind = parse_header(body).kind
            stamp_ns = self._clock.monotonic_ns()
            # The line was idle before an OPEN: one delimiter keeps noise picked up meanwhile from swallowing it.
            self._port.write(b"\0" + to_wire(body) if kind == Open.KIND else to_wire(body))
            if kind == Probe.KIND:
                self._test.probe_sent(body, stamp_ns)


def run_link_test(text: str, wanted: Wanted, nonce: int, on_stream: Callable[[LinkTest], None]) -> Report:
    """Test what answers on a port, in real time; Ctrl-C ends the test early and in order.

    `on_stream` is called when the device has answered and the pattern begins.

    Raises:
        ConfigError: the port's text, the rate or the line's bit rate cannot be used.
        DeviceError: the port cannot be opened, or nothing there can be tested.
    """
    return asyncio.run(_tested(text, wanted, nonce, on_stream))


async def _tested(text: str, wanted: Wanted, nonce: int, on_stream: Callable[[LinkTest], None]) -> Report:
    stop = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    clock = RealClock()
    locks = PortLocks("nightturn linktest")
    port = port_at(text, clock, locks, where="PORT", owner="linktest", baud=wanted.line_baud)
    test = LinkTest(wanted, nonce)
    try:
        await Shell(test, port, clock, on_stream).run(stop)
    finally:
        locks.release()
    return report_of(test, text)
