"""Runs a whole link test in virtual time."""

import asyncio
from collections.abc import Callable

from tests.linktest.pattern_device import DevicePort, PatternDevice

from nightturn.bench.virtual_loop import VirtualLoop
from nightturn.bench.worlds import VirtualClock
from nightturn.linktest.core import LinkTest
from nightturn.linktest.report import Report, report_of
from nightturn.linktest.shell import Shell
from nightturn.linktest.stream_choice import Wanted
from nightturn.transport.port import Port
from nightturn.world import Clock

BAUD = 921_600
NONCE = 77
# all the waits of a test together; virtual, so that a test that would hang ends at once
LIMIT_S = 60.0


def wanted(seconds: float = 2.0, rate_hz: int | None = None) -> Wanted:
    return Wanted(seconds, rate_hz, BAUD, declared=False)


def play(
    make: Callable[[Clock], Port], ask: Wanted | None = None, stop_after_s: float | None = None
) -> LinkTest:
    """The test of the port that `make` makes, played to its end."""
    loop = VirtualLoop()
    clock = VirtualClock(loop, 0)
    test = LinkTest(ask or wanted(), NONCE)

    async def act() -> None:
        stop = asyncio.Event()
        if stop_after_s is not None:
            loop.call_later(stop_after_s, stop.set)
        await asyncio.wait_for(Shell(test, make(clock), clock).run(stop), LIMIT_S)

    try:
        loop.run_until_complete(act())
    finally:
        loop.close()
    return test


class Played:
    """A test of the scripted device, and what is left of both."""

    def __init__(
        self,
        device: PatternDevice | None = None,
        ask: Wanted | None = None,
        stop_after_s: float | None = None,
        **line: object,
    ) -> None:
        self.device = device or PatternDevice()
        self.ports: list[DevicePort] = []

        def make(clock: Clock) -> Port:
            self.ports.append(DevicePort(self.device, clock, **line))  # type: ignore[arg-type]  # the port's own fields
            return self.ports[0]

        self.test = play(make, ask, stop_after_s)

    @property
    def port(self) -> DevicePort:
        return self.ports[0]

    @property
    def report(self) -> Report:
        return report_of(self.test, "fake")

    @property
    def found(self) -> set[str]:
        return {finding.kind for finding in self.report.findings}
