"""The line between the daemon's first process and one of its workers: whole messages over a socket that nobody waits for.

A message is its length in four bytes, then the pickled object: both ends are one program of one start, over a socket that one
of them has inherited from the other.
"""

import asyncio
import contextlib
import pickle
import socket
import struct
from collections.abc import Callable

import structlog

HEAD = struct.Struct("!I")
MESSAGE_BYTES_MAX = 64 << 20
"""Far beyond a batch of rows; a length above it is no length."""
BUFFER_BYTES_MAX = 1 << 20
"""So much may wait in the buffer of a line before it is full."""
READ_BYTES = 1 << 16

log: structlog.stdlib.BoundLogger = structlog.get_logger()


class BrokenLineError(Exception):
    """What came is no message."""


def framed(message: object) -> bytes:
    """A message as bytes of the line."""
    content = pickle.dumps(message)
    return HEAD.pack(len(content)) + content


class Unframer:
    """Takes bytes as they come, gives whole messages."""

    def __init__(self) -> None:
        self._bytes = bytearray()

    def take(self, content: bytes) -> list[object]:
        """The messages that are whole now.

        Raises:
            BrokenLineError: the bytes are no messages.
        """
        self._bytes += content
        found: list[object] = []
        while len(self._bytes) >= HEAD.size:
            (size,) = HEAD.unpack_from(self._bytes)
            if size > MESSAGE_BYTES_MAX:
                raise BrokenLineError(f"a message of {size} bytes; allowed: up to {MESSAGE_BYTES_MAX}")
            if len(self._bytes) < HEAD.size + size:
                break
            whole = bytes(self._bytes[HEAD.size : HEAD.size + size])
            del self._bytes[: HEAD.size + size]
            found.append(pickle.loads(whole))  # noqa: S301 - from our own process, over a socket nobody else has
        return found


class WorkerLine:
    """One end of the line, on the loop of its process. Nothing here waits: what cannot leave stays in a buffer.

    Attributes:
        lost: set when the other end is gone.
    """

    def __init__(self, take: Callable[[object], None], has_room: Callable[[], None] = lambda: None) -> None:
        """Args: what takes each message, and what is called when the buffer is no longer full."""
        self.lost: asyncio.Event = asyncio.Event()
        self._take = take
        self._has_room = has_room
        self._writer: asyncio.StreamWriter | None = None
        self._reading: asyncio.Task[None] | None = None
        self._emptying: asyncio.Task[None] | None = None

    async def open(self, end: socket.socket) -> None:
        """Begin to read what comes."""
        reader, self._writer = await asyncio.open_connection(sock=end)
        self._writer.transport.set_write_buffer_limits(high=BUFFER_BYTES_MAX)
        self._reading = asyncio.create_task(self._read(reader))

    @property
    def full(self) -> bool:
        """The buffer holds `BUFFER_BYTES_MAX` or more; whoever has rows keeps them until there is room."""
        return self._emptying is not None

    def send(self, message: object) -> None:
        """Put a message into the buffer; to an end that is gone, nowhere."""
        if self._writer is None or self._writer.is_closing():
            return
        self._writer.write(framed(message))
        if self._emptying is None and self._writer.transport.get_write_buffer_size() >= BUFFER_BYTES_MAX:
            self._emptying = asyncio.create_task(self._emptied(self._writer))

    def close(self) -> None:
        """Close when the buffer has left."""
        if self._writer is not None:
            self._writer.close()

    async def _emptied(self, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError):
            await writer.drain()
        self._emptying = None
        self._has_room()

    async def _read(self, reader: asyncio.StreamReader) -> None:
        unframer = Unframer()
        try:
            with contextlib.suppress(OSError):  # a killed end resets the line
                while content := await reader.read(READ_BYTES):
                    for message in unframer.take(content):
                        self._take(message)
        except BrokenLineError as error:
            _broken(error)
        finally:
            self.lost.set()
            self.close()


def _broken(error: BrokenLineError) -> None:
    log.error("worker_line_broken", why=str(error), next="the worker process is ended")
