"""A device behind a TCP address (`socket://host:port`), for bridges on the bench's own network."""

import socket

from nightturn.errors import PortError
from nightturn.transport.descriptor import DescriptorPump
from nightturn.transport.port import OnBytes, OnLost
from nightturn.world import Clock

CONNECT_S_MAX = 2.0


class TcpPort:
    """A byte stream over TCP, without delay for small frames."""

    def __init__(self, host: str, port: int, clock: Clock) -> None:
        self.name = f"socket://{host}:{port}"
        self._address = (host, port)
        self._clock = clock
        self._socket: socket.socket | None = None
        self._pump: DescriptorPump | None = None

    def open(self, on_bytes: OnBytes, on_lost: OnLost) -> None:
        """Connect and begin to read.

        Raises:
            PortError: nobody listens there or it is not reachable.
        """
        try:
            connection = socket.create_connection(self._address, timeout=CONNECT_S_MAX)
        except OSError as error:
            why = error.strerror or "no answer"
            raise PortError(f"{self.name}: {why}; is the device's bridge running?") from error
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._socket = connection
        self._pump = DescriptorPump(connection.fileno(), self._clock, on_bytes, on_lost)

    def write(self, content: bytes) -> None:
        """Hand bytes to the line."""
        if self._pump is not None:
            self._pump.write(content)

    def close(self) -> None:
        """Close the connection."""
        if self._pump is not None:
            self._pump.close()
            self._pump = None
        if self._socket is not None:
            self._socket.close()
            self._socket = None
