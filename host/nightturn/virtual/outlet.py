"""The way out: bytes for the line, within a bound; while the line is down they go nowhere."""

OUT_BYTES_MAX = 256 * 1024


class Outlet:
    """Frames in the order in which they go on the line.

    Attributes:
        up: the line carries bytes; when not, what is sent is lost, as on a cut cable.
        stalls: frames that found no room.
    """

    def __init__(self) -> None:
        self.up = True
        self.stalls = 0
        self._frames: list[bytes] = []
        self._bytes = 0

    def room(self, length: int) -> bool:
        """Whether so many bytes fit; counts a stall when not."""
        if self._bytes + length <= OUT_BYTES_MAX:
            return True
        self.stalls += 1
        return False

    def put(self, frame: bytes) -> None:
        """One frame; dropped without room."""
        if self.up and self.room(len(frame)):
            self._frames.append(frame)
            self._bytes += len(frame)

    def take(self) -> bytes:
        """Everything that waits."""
        out = b"".join(self._frames)
        self._frames.clear()
        self._bytes = 0
        return out
