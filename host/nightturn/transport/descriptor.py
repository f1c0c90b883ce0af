"""A port over a file descriptor: read on readiness, stamp before decoding, write without blocking."""

import asyncio
import os

from nightturn.transport.port import OnBytes, OnLost
from nightturn.world import Clock

READ_BYTES = 4096
"""At most at a time. After a stall every fixture of a hall has as much to read as its line holds: taken a little of each
by turns, the newest of none waits for all of another's, and no lease lapses meanwhile. A tty gives no more at a time anyway."""
WRITE_BACKLOG_MAX = 64 * 1024  # the device answers within ms; more waiting means that nobody reads


class DescriptorPump:
    """Moves bytes between a non-blocking descriptor and the station."""

    def __init__(self, descriptor: int, clock: Clock, on_bytes: OnBytes, on_lost: OnLost) -> None:
        self._fd = descriptor
        self._clock = clock
        self._on_bytes = on_bytes
        self._on_lost = on_lost
        self._waiting = bytearray()
        self._loop = asyncio.get_running_loop()
        self._open = True
        os.set_blocking(descriptor, False)
        self._loop.add_reader(descriptor, self._readable)

    def write(self, content: bytes) -> None:
        """Write now what fits, the rest when the driver takes more."""
        if not self._open:
            return
        if not self._waiting:
            content = content[self._write_some(content) :]
        if content:
            if len(self._waiting) + len(content) > WRITE_BACKLOG_MAX:
                self._lost(f"the device does not read: {len(self._waiting)} bytes wait to be written")
                return
            if not self._waiting:
                self._loop.add_writer(self._fd, self._writable)
            self._waiting += content

    def close(self) -> None:
        """Stop; the descriptor stays the owner's to close."""
        if self._open:
            self._open = False
            self._loop.remove_reader(self._fd)
            if self._waiting:
                self._loop.remove_writer(self._fd)
                self._waiting.clear()

    def _readable(self) -> None:
        stamp_ns = self._clock.monotonic_ns()
        try:
            content = os.read(self._fd, READ_BYTES)
        except BlockingIOError:
            return
        except OSError as error:
            self._lost(f"reading failed: {error.strerror}")
            return
        if content:
            self._on_bytes(stamp_ns, content)
        else:
            self._lost("the line was closed")

    def _writable(self) -> None:
        done = self._write_some(bytes(self._waiting))
        del self._waiting[:done]
        if not self._waiting and self._open:
            self._loop.remove_writer(self._fd)

    def _write_some(self, content: bytes) -> int:
        try:
            return os.write(self._fd, content)
        except BlockingIOError:
            return 0
        except OSError as error:
            self._lost(f"writing failed: {error.strerror}")
            return len(content)

    def _lost(self, reason: str) -> None:
        if self._open:
            self.close()
            self._on_lost(reason)
