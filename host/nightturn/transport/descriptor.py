"""A port over a file descriptor: read on readiness, stamp before decoding, write without blocking.

After a stall every line of a hall has as much to read as it holds. Read each to its end, and the newest of the last one waits
for all of the others'; read a little of each in a turn of the loop, and turns that are slow for whatever reason bring less than
comes in meanwhile. Either way leases lapse. So a line that has more to read is read by turns with all the others, until none has more or
time is up. Then the loop does what else there is, once, before it goes on: what a sync has made durable waits there, and the core,
whose control ticks come right behind the reads, would call the disk slow where only the loop was.
"""

import asyncio
import os
import select
from weakref import WeakKeyDictionary

from nightturn.transport.port import OnBytes, OnLost
from nightturn.world import Clock

READ_BYTES = 2048
"""At most at a time: 36 ms of samples at 10 kS/s. 64 lines by turns take 20 ms, so that each has a lease that soon after a stall."""
MORE_BYTES = READ_BYTES * 3 // 4
"""A read of so many says that more may wait: a tty may give less than it has. A poll of a USB line at 10 kS/s brings less than that."""
TURN_S = 0.1
"""Of reading by turns in one turn of the loop, after which no further round begins: for 64 fixtures some 0.15 s of samples."""
TURN_S_MAX = 0.2
"""As much, behind something else that has kept the loop for that long: what comes in meanwhile is read, or leases lapse."""
WRITE_BACKLOG_MAX = 64 * 1024  # the device answers within ms; more waiting means that nobody reads


class Turns:
    """The lines of one loop, read by turns where one of them has more to read than is taken at a time.

    Attributes:
        over: whether this turn of the loop has read for as long as it may; whoever has more is read in the next one.
        again: whether the turn before was over; the first line that is readable begins with all the others then.
    """

    def __init__(self) -> None:
        self.over = self.again = False
        self._lines: dict[int, DescriptorPump] = {}
        self._readable = select.poll()
        self._under_way = False
        self._until_s: float | None = None  # when no further round begins in this turn of the loop
        self._ended_s = 0.0  # when the last round did

    def join(self, descriptor: int, line: "DescriptorPump") -> None:
        """A line more."""
        self._lines[descriptor] = line
        self._readable.register(descriptor, select.POLLIN)

    def leave(self, descriptor: int) -> None:
        """A line less."""
        del self._lines[descriptor]
        self._readable.unregister(descriptor)

    def waits(self, descriptor: int) -> bool:
        """Whether a line has something to read."""
        return any(each == descriptor for each, _ in self._readable.poll(0))

    def more(self) -> None:
        """A line was read and has more: all that have something come next, by turns, until none has more or time is up."""
        if self._under_way or self.over:
            return
        loop = asyncio.get_running_loop()
        if self._until_s is None:
            now_s = loop.time()
            self._until_s = now_s + min(max(TURN_S, now_s - self._ended_s), TURN_S_MAX)
            loop.call_soon(self._next_turn)  # which is ahead of every line that is readable then
            self.again = False
        self._under_way = True
        try:
            more = True
            while more and not self.over:
                some = [self._lines[descriptor] for descriptor, _ in self._readable.poll(0)]
                more = sum(each.in_turn() for each in some) > 0  # each is read, whatever another has
                self._ended_s = loop.time()
                self.over = more and self._ended_s >= self._until_s
        finally:
            self._under_way = False

    def _next_turn(self) -> None:
        """Tasks that were woken meanwhile come next, then lines again."""
        self._until_s, self.again, self.over = None, self.over, False


_TURNS: "WeakKeyDictionary[asyncio.AbstractEventLoop, Turns]" = WeakKeyDictionary()


class DescriptorPump:
    """Moves bytes between a non-blocking descriptor and the station."""

    def __init__(self, descriptor: int, clock: Clock, on_bytes: OnBytes, on_lost: OnLost) -> None:
        self._fd = descriptor
        self._clock = clock
        self._on_bytes = on_bytes
        self._on_lost = on_lost
        self._waiting = bytearray()
        self._loop = asyncio.get_running_loop()
        self._turns = _TURNS.setdefault(self._loop, Turns())
        self._turns.join(descriptor, self)
        self._ahead = False  # of what the loop believes to be readable
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
            self._turns.leave(self._fd)
            self._loop.remove_reader(self._fd)
            if self._waiting:
                self._loop.remove_writer(self._fd)
                self._waiting.clear()

    def _readable(self) -> None:
        if self._turns.over:
            return  # the loop asks again in its next turn
        if self._turns.again:
            self._turns.more()
            return
        if self._ahead:
            self._ahead = False
            if not self._turns.waits(self._fd):
                return  # a serial line from which nothing can be read gives what one gives that is gone
        if self._read():
            self._turns.more()

    def in_turn(self) -> bool:
        """Read once more before the loop comes to it; whether even more may wait."""
        self._ahead = True
        return self._open and self._read()

    def _read(self) -> bool:
        """Read once, and hand on what came; whether more may wait."""
        stamp_ns = self._clock.monotonic_ns()
        try:
            content = os.read(self._fd, READ_BYTES)
        except BlockingIOError:
            return False
        except OSError as error:
            self._lost(f"reading failed: {error.strerror}")
            return False
        if content:
            self._on_bytes(stamp_ns, content)
        else:
            self._lost("the line was closed")
        return self._open and len(content) >= MORE_BYTES

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
