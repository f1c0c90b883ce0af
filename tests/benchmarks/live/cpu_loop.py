"""A loop whose clock is the CPU time of its own work, and fixtures at the other ends of sockets, for `loop_cost.py`."""

import asyncio
import contextlib
import select
import selectors
import socket
import threading
import time
from collections.abc import Iterator

from typing_extensions import override

from nightturn.bench.virtual_loop import VirtualLoop
from nightturn.transport import descriptor
from nightturn.transport.descriptor import DescriptorPump
from nightturn.transport.port import OnBytes, OnLost
from nightturn.virtual.device import VirtualDevice
from nightturn.world import Clock

STEP_S = 0.01  # how finely the fixtures are looked at while the loop works


class Wires:
    """The fixtures at the far ends of their sockets."""

    def __init__(self) -> None:
        self._all: list[tuple[VirtualDevice, socket.socket]] = []
        self._seen_s = 0.0

    def join(self, device: VirtualDevice) -> socket.socket:
        """A fixture more; our end of its line."""
        ours, theirs = socket.socketpair()
        theirs.setblocking(False)
        self._all.append((device, theirs))
        return ours

    def advance(self, now_s: float) -> None:
        """What all of them do up to now; they read what was written to them, and answer."""
        if now_s - self._seen_s < STEP_S:
            return
        self._seen_s, now_ns = now_s, round(now_s * 1e9) + 1_000_000_000
        for device, wire in self._all:
            with contextlib.suppress(BlockingIOError):
                device.receive(wire.recv(65_536), now_ns)
            device.advance(now_ns)
            content = device.take_output()
            if content:
                wire.sendall(content)


class _Selector(selectors.DefaultSelector):
    """Never waits: it has the fixtures go on, and moves the clock where nothing is ready."""

    def __init__(self, loop: "CpuLoop") -> None:
        super().__init__()
        self._loop = loop

    @override
    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        """What is ready now, or at the next moment at which something is."""
        loop = self._loop
        until_s = loop.time() + (timeout if timeout is not None else 1.0)
        while True:
            with loop.uncounted():
                loop.wires.advance(loop.time())
                ready = super().select(0)
            if ready or loop.time() >= until_s:
                return ready
            loop.jump(min(STEP_S, until_s - loop.time() + 1e-6))


class CpuLoop(VirtualLoop):
    """A loop whose clock is the CPU time of its own work, and jumps over what it would sleep."""

    def __init__(self) -> None:
        self.wires = Wires()
        self._jumped_s = -time.thread_time()
        self._uncounted = 0
        self._owner = threading.get_ident()
        asyncio.SelectorEventLoop.__init__(self, _Selector(self))

    @override
    def time(self) -> float:
        """Seconds since the loop was made."""
        return self._frozen_s if self._uncounted else self._jumped_s + time.thread_time()

    @property
    def now_ns(self) -> int:
        """As the clock of a virtual world says it."""
        return round(self.time() * 1e9) + 1_000_000_000

    def jump(self, seconds: float) -> None:
        """The loop sleeps, or stands still."""
        self._jumped_s += seconds

    @contextlib.contextmanager
    def uncounted(self) -> Iterator[None]:
        """Work of others on this thread."""
        if self._uncounted:
            yield
            return
        self._frozen_s = self.time()
        self._uncounted = 1
        try:
            yield
        finally:
            self._uncounted = 0
            self._jumped_s = self._frozen_s - time.thread_time()


class _Polled:
    """A poll in front of which the fixtures go on."""

    def __init__(self, poll: "select.poll", loop: CpuLoop) -> None:
        self._poll, self._loop = poll, loop

    def poll(self, timeout_ms: float) -> list[tuple[int, int]]:
        """What is readable now."""
        with self._loop.uncounted():
            self._loop.wires.advance(self._loop.time())
        return self._poll.poll(timeout_ms)

    def register(self, descriptor: int, events: int) -> None:
        """A line more."""
        self._poll.register(descriptor, events)

    def unregister(self, descriptor: int) -> None:
        """A line less."""
        self._poll.unregister(descriptor)


class Wire:
    """A `Port` on a socket."""

    def __init__(self, name: str, loop: CpuLoop, device: VirtualDevice, clock: Clock) -> None:
        self.name = name
        self._socket = loop.wires.join(device)
        self._clock = clock
        self._pump: DescriptorPump | None = None

    def open(self, on_bytes: OnBytes, on_lost: OnLost) -> None:
        """Begin to read."""
        self._pump = DescriptorPump(self._socket.fileno(), self._clock, on_bytes, on_lost)

    def write(self, content: bytes) -> None:
        """To the fixture."""
        if self._pump is not None:
            self._pump.write(content)

    def close(self) -> None:
        """No more."""
        if self._pump is not None:
            self._pump.close()
            self._pump = None


def let_fixtures_go_on(loop: CpuLoop) -> None:
    """While lines are read by turns as well; call it when there are lines."""
    turns = descriptor._TURNS[loop]
    setattr(turns, "_readable", _Polled(turns._readable, loop))  # noqa: B010 - put in from outside
