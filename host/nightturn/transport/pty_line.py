"""A pty whose other end other programs open through a stable link: how a virtual fixture is served."""

import asyncio
import os
import pty
import tty
from pathlib import Path

from nightturn.errors import PortError
from nightturn.transport.descriptor import DescriptorPump
from nightturn.transport.port import OnBytes, OnLost
from nightturn.world import Clock

WAITING_BYTES_MAX = 48 * 1024
"""What waits here beside the 18 KB that the system keeps for a pty: together as much as the buffer of a serial port's driver."""
UNREAD_NS_MAX = 1_000_000_000
"""So long nobody has read a byte: then nobody will, and who opens the line next does not want what was meant for another."""


class PtyLine:
    """The master side; the slave stays open here so that the line survives its users' coming and going."""

    def __init__(self, link: Path, clock: Clock) -> None:
        self.name = str(link)
        self._link = link
        self._clock = clock
        self._master = -1
        self._slave = -1
        self._pump: DescriptorPump | None = None
        self._waiting = bytearray()
        self._moved_ns = 0

    def open(self, on_bytes: OnBytes, on_lost: OnLost) -> None:
        """Make the pty and point the link at it.

        Raises:
            PortError: the link's place is taken by something that is not a link, or is not writable.
        """
        if self._link.exists() and not self._link.is_symlink():
            raise PortError(f"{self._link}: a file that is not a link has this name; choose another one")
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        temporary = self._link.with_name(f".{self._link.name}.{os.getpid()}")
        try:
            self._link.parent.mkdir(parents=True, exist_ok=True)
            temporary.unlink(missing_ok=True)
            temporary.symlink_to(os.ttyname(self._slave))
            temporary.replace(self._link)
        except OSError as error:
            self._close_ends()
            raise PortError(f"{self._link}: the link cannot be made: {error.strerror}") from error
        self._pump = DescriptorPump(self._master, self._clock, on_bytes, on_lost)

    def write(self, content: bytes) -> None:
        """Write what fits and keep a little: like a device, this end never waits for its reader, and what is too much is gone."""
        if self._pump is None:
            return
        if self._waiting and self._clock.monotonic_ns() - self._moved_ns > UNREAD_NS_MAX:
            self._forget()
        if not self._waiting:
            content = content[self._written(content) :]
            if content:
                asyncio.get_running_loop().add_writer(self._master, self._writable)
        self._waiting += content[: WAITING_BYTES_MAX - len(self._waiting)]

    def _writable(self) -> None:
        del self._waiting[: self._written(bytes(self._waiting))]
        if not self._waiting:
            self._forget()

    def _written(self, content: bytes) -> int:
        try:
            count = os.write(self._master, content)
        except BlockingIOError:
            return 0
        self._moved_ns = self._clock.monotonic_ns()
        return count

    def _forget(self) -> None:
        self._waiting.clear()
        asyncio.get_running_loop().remove_writer(self._master)

    def close(self) -> None:
        """Remove the link and close both ends."""
        if self._pump is not None:
            self._forget()
            self._pump.close()
            self._pump = None
            if (
                self._link.is_symlink()
                and self._slave >= 0
                and str(self._link.readlink()) == os.ttyname(self._slave)
            ):
                self._link.unlink()
            self._close_ends()

    def _close_ends(self) -> None:
        os.close(self._master)
        os.close(self._slave)
        self._master = self._slave = -1
