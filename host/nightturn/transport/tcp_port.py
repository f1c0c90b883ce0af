"""A device behind a TCP address (`socket://host:port`), for bridges on the bench's own network.

Connecting never holds the loop up for longer than `AT_ONCE_S`: other fixtures' motion leases are renewed on it.
"""

import asyncio
import errno
import os
import select
import socket

from nightturn.errors import PortError
from nightturn.transport.descriptor import DescriptorPump
from nightturn.transport.port import OnBytes, OnLost
from nightturn.world import Clock

CONNECT_S_MAX = 2.0
AT_ONCE_S = 0.05  # a bridge on this network answers within that, or refuses


class TcpPort:
    """A byte stream over TCP, without delay for small frames."""

    def __init__(self, host: str, port: int, clock: Clock) -> None:
        self.name = f"socket://{host}:{port}"
        self._address = (host, port)
        self._clock = clock
        self._socket: socket.socket | None = None
        self._pump: DescriptorPump | None = None
        self._waiting: asyncio.TimerHandle | None = None

    def open(self, on_bytes: OnBytes, on_lost: OnLost) -> None:
        """Connect and begin to read; a bridge that takes its time is waited for on the loop, then lost if it stays away.

        Raises:
            PortError: nobody listens there or it is not reachable.
        """
        loop = asyncio.get_running_loop()
        connection, number = self._connect()
        self._socket = connection
        if number == errno.EINPROGRESS:
            _, ready, _ = select.select([], [connection], [], AT_ONCE_S)
            number = connection.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR) if ready else number
        if number == errno.EINPROGRESS:
            loop.add_writer(connection, self._connected, on_bytes, on_lost)
            self._waiting = loop.call_later(CONNECT_S_MAX, self._gave_up, on_lost, errno.ETIMEDOUT)
        elif number:
            self.close()
            raise PortError(self._why(number))
        else:
            self._start(on_bytes, on_lost)

    def write(self, content: bytes) -> None:
        """Hand bytes to the line."""
        if self._pump is not None:
            self._pump.write(content)

    def close(self) -> None:
        """Close the connection."""
        if self._waiting is not None and self._socket is not None:
            self._waiting.cancel()
            self._waiting = None
            asyncio.get_running_loop().remove_writer(self._socket)
        if self._pump is not None:
            self._pump.close()
            self._pump = None
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _connect(self) -> tuple[socket.socket, int]:
        try:
            family, kind, proto, _, address = socket.getaddrinfo(*self._address, type=socket.SOCK_STREAM)[0]
        except OSError as error:
            raise PortError(f"{self.name}: {error.strerror or error}; check the name") from error
        connection = socket.socket(family, kind, proto)
        connection.settimeout(0)
        return connection, connection.connect_ex(address)

    def _connected(self, on_bytes: OnBytes, on_lost: OnLost) -> None:
        """The answer to a connect that was not answered at once."""
        connection = self._socket
        assert connection is not None
        number = connection.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        if number:
            self._gave_up(on_lost, number)
            return
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None
        asyncio.get_running_loop().remove_writer(connection)
        self._start(on_bytes, on_lost)

    def _gave_up(self, on_lost: OnLost, number: int) -> None:
        self.close()
        on_lost(self._why(number))

    def _start(self, on_bytes: OnBytes, on_lost: OnLost) -> None:
        assert self._socket is not None
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._pump = DescriptorPump(self._socket.fileno(), self._clock, on_bytes, on_lost)

    def _why(self, number: int) -> str:
        return f"{self.name}: {os.strerror(number)}; check that the device's bridge runs"
