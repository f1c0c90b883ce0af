"""A port as the station sees it: opened with two callbacks, written to, closed."""

from collections.abc import Callable
from typing import Protocol

OnBytes = Callable[[int, bytes], None]
OnLost = Callable[[str], None]


class Port(Protocol):
    """A byte stream to one device; callbacks run on the loop's thread."""

    name: str

    def open(self, on_bytes: OnBytes, on_lost: OnLost) -> None:
        """Open and begin to read; each read is stamped before anything else.

        Raises:
            PortError: absent, busy or not permitted; the message says which and how to mend it.
        """
        ...

    def write(self, content: bytes) -> None:
        """Hand bytes to the line; what does not fit in the driver waits, bounded."""
        ...

    def close(self) -> None:
        """Stop reading and give the port back."""
        ...
