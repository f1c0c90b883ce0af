"""A virtual fixture behind the daemon: a port without a line, on whichever loop runs us.

Bytes written reach the device after a seeded delay like that of a USB serial adapter, and so does its answer.
"""

import asyncio

import numpy as np

from nightturn.errors import PortError
from nightturn.transport.port import OnBytes, OnLost
from nightturn.virtual.device import VirtualDevice
from nightturn.world import Clock

UP_NS = (80_000, 300_000)  # host to device: stack and bus
DOWN_NS = (80_000, 1_000_000)  # device to host: stack and polling
POLL_LEAD = 0.96


class VirtualPort:
    """Couples a `VirtualDevice` to a station."""

    def __init__(
        self, name: str, device: VirtualDevice, clock: Clock, rng: np.random.Generator, poll_s: float
    ) -> None:
        self.name = name
        self.device = device
        self._clock = clock
        self._rng = rng
        self._poll_s = poll_s
        self._on_bytes: OnBytes | None = None
        self._on_lost: OnLost | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._underway = bytearray()
        self._loop = asyncio.get_running_loop()

    def open(self, on_bytes: OnBytes, on_lost: OnLost) -> None:
        """Plug the line in.

        Raises:
            PortError: the scripted outage keeps the line down.
        """
        now_ns = self._clock.monotonic_ns()
        self.device.advance(now_ns)
        self.device.take_output()
        if not self.device.line_up(now_ns):
            raise PortError(f"{self.name}: the line is down")
        self._on_bytes, self._on_lost = on_bytes, on_lost
        # The first poll comes a little early, so that what a control tick sees is fresh.
        self._timer = self._loop.call_later(self._poll_s * POLL_LEAD, self._poll)

    def write(self, content: bytes) -> None:
        """Hand bytes to the device after the delay of a line."""
        if self._on_bytes is None:
            return
        if not self._underway:
            self._loop.call_later(int(self._rng.integers(*UP_NS)) / 1e9, self._arrive)
        self._underway += content

    def close(self) -> None:
        """Unplug."""
        if self._timer is not None:
            self._timer.cancel()
        self._on_bytes = self._on_lost = None

    def guard(self, *, closed: bool) -> None:
        """A person at the fixture closes its guard, or opens it."""
        self.device.guard(self._clock.monotonic_ns(), closed=closed)

    def _poll(self) -> None:
        now_ns = self._clock.monotonic_ns()
        self.device.advance(now_ns)
        if not self.device.line_up(now_ns):
            lost = self._on_lost
            self.close()
            if lost is not None:
                lost("the line was lost")
            return
        self._timer = self._loop.call_later(self._poll_s, self._poll)
        self._deliver()

    def _arrive(self) -> None:
        """What was written reaches the device; its answer is on the way."""
        content, self._underway = bytes(self._underway), bytearray()
        now_ns = self._clock.monotonic_ns()
        if self._on_bytes is not None and self.device.line_up(now_ns):
            self.device.receive(content, now_ns)
            self._loop.call_later(int(self._rng.integers(*DOWN_NS)) / 1e9, self._deliver)

    def _deliver(self) -> None:
        content = self.device.take_output()
        if content and self._on_bytes is not None:
            self._on_bytes(self._clock.monotonic_ns(), content)
