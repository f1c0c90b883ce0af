"""A pty whose other end other programs open through a stable link: how a virtual fixture is served."""

import os
import pty
import tty
from pathlib import Path

from nightturn.errors import PortError
from nightturn.transport.descriptor import DescriptorPump
from nightturn.transport.port import OnBytes, OnLost
from nightturn.world import Clock


class PtyLine:
    """The master side; the slave stays open here so that the line survives its users' coming and going."""

    def __init__(self, link: Path, clock: Clock) -> None:
        self.name = str(link)
        self._link = link
        self._clock = clock
        self._master = -1
        self._slave = -1
        self._pump: DescriptorPump | None = None

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
        """Write what fits: like a device, this end never waits for its reader."""
        if self._pump is None:
            return
        try:
            os.write(self._master, content)
        except BlockingIOError:
            return

    def close(self) -> None:
        """Remove the link and close both ends."""
        if self._pump is not None:
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
