"""The unix socket in the data root through which other processes of this computer reach the daemon."""

import asyncio
import contextlib
import grp
import os
import socket
import stat
from collections.abc import Awaitable, Callable
from pathlib import Path

import structlog

from nightturn.bench.locks import runtime_folder
from nightturn.bench.runs import bench_word
from nightturn.daemon.control_protocol import (
    LINE_BYTES_MAX,
    Answer,
    Request,
    answer_line,
    read_request,
    refused,
    too_long,
)
from nightturn.errors import ConfigError, StorageError, fault

SOCKET_NAME = "control.sock"
SUN_PATH_BYTES_MAX = 107  # unix(7): 108 with the NUL
CONNECTIONS_MAX = 16
IDLE_S = 10.0
OWNER_ONLY, OWNER_AND_GROUP = 0o600, 0o660

Handler = Callable[[Request], Awaitable[Answer]]


class UnansweredError(Exception):
    """Raised by a handler that cannot answer in time; the connection is closed without a word, as by a daemon that hangs."""


log: structlog.stdlib.BoundLogger = structlog.get_logger()


def socket_path(root: Path) -> Path:
    """Where the socket of a data root is: in it, or in the runtime folder where its path would be too long.

    Raises:
        PortError: there is no runtime folder.
    """
    place = root.resolve() / SOCKET_NAME
    if len(os.fsencode(place)) <= SUN_PATH_BYTES_MAX:
        return place
    return runtime_folder() / f"{bench_word(root)}.sock"


class ControlSocket:
    """Listens until `close`; gives each request to the handler, and its answer back.

    When all connections are taken, the oldest one makes room: a person who wants to stop something always gets through.

    Args:
        path: see `socket_path`; whatever socket is there is a dead daemon's, because the root is locked.
        group: who may connect besides the owner, a name of this computer's groups.
        handler: carries a request out, in less time than a client waits.
    """

    def __init__(self, path: Path, group: str | None, handler: Handler) -> None:
        self.path = path
        self._group = group
        self._handler = handler
        self._server: asyncio.Server | None = None
        self._connections: dict[asyncio.Task[None], None] = {}

    async def open(self) -> None:
        """Listen.

        Raises:
            ConfigError: there is no such group, or it is not ours to give.
            StorageError: something else is in the socket's place, or it cannot be made.
        """
        listener = self._listener()
        self._server = await asyncio.start_unix_server(self._connected, sock=listener, limit=LINE_BYTES_MAX)

    async def close(self) -> None:
        """Take no more requests and remove the socket; what is under way ends unanswered."""
        if self._server is None:
            return
        self._server.close()
        for task in list(self._connections):
            task.cancel()
        await asyncio.gather(*self._connections, return_exceptions=True)
        self.path.unlink(missing_ok=True)

    def _listener(self) -> socket.socket:
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            if self.path.exists() and stat.S_ISSOCK(self.path.lstat().st_mode):
                self.path.unlink()
            before = os.umask(0o177)  # never open to others, not even between these lines
            try:
                listener.bind(str(self.path))
            finally:
                os.umask(before)
            self._permit()
        except OSError as error:
            listener.close()
            raise StorageError(f"{self.path}: no socket can be made there: {error.strerror}") from error
        except ConfigError:
            listener.close()
            self.path.unlink(missing_ok=True)
            raise
        return listener

    def _permit(self) -> None:
        if self._group is None:
            return
        where, allowed = "[bench] control_group", "a group of this computer that you belong to"
        try:
            number = grp.getgrnam(self._group).gr_gid
        except KeyError as error:
            raise ConfigError(f"no group {self._group!r}", where=where, allowed=allowed) from error
        try:
            os.chown(self.path, -1, number)
        except PermissionError as error:
            raise ConfigError(f"{self._group!r} is not your group", where=where, allowed=allowed) from error
        self.path.chmod(OWNER_AND_GROUP)

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        if len(self._connections) >= CONNECTIONS_MAX:
            next(iter(self._connections)).cancel()
        self._connections[task] = None
        try:
            with contextlib.suppress(OSError, TimeoutError, UnansweredError, asyncio.CancelledError):
                while await self._one(reader, writer):
                    pass
        finally:
            self._connections.pop(task, None)
            writer.close()

    async def _one(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> bool:
        """Answer one request; whether another may follow."""
        async with asyncio.timeout(IDLE_S):
            try:
                line = await reader.readuntil(b"\n")
            except asyncio.IncompleteReadError:
                return False
            except asyncio.LimitOverrunError:
                writer.write(answer_line(too_long()))
                await writer.drain()
                return False
        request = read_request(line)
        answer = await carried_out(self._handler, request) if isinstance(request, Request) else request
        writer.write(answer_line(answer))
        async with asyncio.timeout(IDLE_S):
            await writer.drain()
        return True


async def carried_out(handler: Handler, request: Request) -> Answer:
    """What the handler answers; a fault of it is an answer too.

    Raises:
        UnansweredError: the handler's own.
    """
    try:
        return await handler(request)
    except UnansweredError:
        raise
    except Exception as error:  # noqa: BLE001 - a fault of one request ends neither daemon nor fixtures
        _failed(request, error)
        return refused(
            request.id, f"a fault of the daemon kept it from that: {fault(error)}; its log has more"
        )


def _failed(request: Request, error: Exception) -> None:
    log.critical(
        "request_failed", command=request.command, fixture=request.fixture, why=fault(error), exc_info=error
    )
