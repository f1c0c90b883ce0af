"""A serial line or pty: pyserial opens and sets it up, exclusively and truly raw; the pump reads it."""

import errno
import os
import termios

import serial

from nightturn.errors import PortError
from nightturn.transport.descriptor import DescriptorPump
from nightturn.transport.port import OnBytes, OnLost
from nightturn.world import Clock

DEFAULT_BAUD = 921_600
# What would alter, swallow or add bytes on the way, by place in the list of `tcgetattr`: input, output, local.
COOKED: tuple[tuple[int, tuple[str, ...]], ...] = (
    (0, ("IXON", "IXOFF", "ICRNL", "INLCR", "IGNCR", "ISTRIP", "PARMRK")),
    (1, ("OPOST",)),
    (3, ("ICANON", "ECHO", "ISIG", "IEXTEN")),
)


class SerialPort:
    """A line named by its path, best by a stable one (`/dev/serial/by-id/…`)."""

    def __init__(self, path: str, clock: Clock, baud: int | None = None) -> None:
        self.name = path
        self._clock = clock
        self._baud = baud or DEFAULT_BAUD
        self._serial: serial.Serial | None = None
        self._pump: DescriptorPump | None = None

    def open(self, on_bytes: OnBytes, on_lost: OnLost) -> None:
        """Open and begin to read.

        Raises:
            PortError: absent, busy or not permitted.
        """
        try:
            line = serial.Serial(self.name, self._baud, timeout=0, write_timeout=0, exclusive=True)
        except (serial.SerialException, OSError, ValueError) as error:
            raise PortError(f"{self.name}: {_why(self.name, error)}") from error
        problem = not_raw(line.fileno())
        if problem:
            line.close()
            raise PortError(f"{self.name}: the line cannot be set to raw mode ({problem} stays on)")
        self._serial = line
        self._pump = DescriptorPump(line.fileno(), self._clock, on_bytes, on_lost)

    def write(self, content: bytes) -> None:
        """Hand bytes to the line."""
        if self._pump is not None:
            self._pump.write(content)

    def close(self) -> None:
        """Give the line back."""
        if self._pump is not None:
            self._pump.close()
            self._pump = None
        if self._serial is not None:
            self._serial.close()
            self._serial = None


def not_raw(descriptor: int) -> str:
    """The first flag that would alter bytes on the way, or an empty text; 0x00 must pass."""
    try:
        attributes = termios.tcgetattr(descriptor)
    except termios.error:
        return ""
    for place, names in COOKED:
        for name in names:
            if attributes[place] & getattr(termios, name):
                return name
    return ""


def _why(path: str, error: Exception) -> str:
    """The cause and the remedy in words."""
    code = getattr(error, "errno", None)
    text = str(error)
    if code == errno.ENOENT or not os.path.lexists(path):
        return "there is no such port; plug the device in, or list the ports with `nightturn ports`"
    if code == errno.EACCES:
        return (
            "no permission; add your user to the group that owns the port (often `dialout`) and log in again"
        )
    if code in {errno.EBUSY, errno.EAGAIN} or "exclusively lock" in text or "busy" in text:
        return "the port is busy: another program holds it; close that program"
    return f"cannot be opened: {text}"
