"""The page in a process of its own: it has no line, no lease and no tape, and may be killed without touching a night."""

import contextlib
import multiprocessing
import os
import signal
import socket
from collections.abc import Callable
from dataclasses import dataclass
from importlib.util import find_spec
from multiprocessing.connection import Connection
from pathlib import Path

from nightturn.errors import ConfigError
from nightturn.web.acting import Act
from nightturn.web.listening import Address, Tls, listening_socket

NEEDS = ("argon2", "jinja2", "starlette", "uvicorn", "websockets")
NICE = 5
ENDS_S = 4.0


@dataclass(frozen=True, slots=True)
class Order:
    """What the process shows, where it listens, whether a daemon feeds it, and with which certificate it answers."""

    root: Path
    address: Address
    fed: bool
    tls: Tls | None = None


Entry = Callable[[Order, socket.socket, "Connection[bytes, bytes]"], None]


class PageProcess:
    """Starts the process; `line` is where rows for it go, and its end is the process's end."""

    def __init__(self, order: Order, entry: Entry | None = None) -> None:
        """Nothing runs before `start`.

        Args:
            order: what it shows.
            entry: where the process begins; without it the page can ask no daemon for anything.
        """
        self._order = order
        self._entry = entry or run_page_process
        self._process: multiprocessing.process.BaseProcess | None = None
        self.line: Connection[bytes, bytes] | None = None
        self.url = ""

    def start(self) -> None:
        """Listen, and have the process answer.

        Raises:
            ConfigError: the port is taken, or a package that the page needs is not installed.
        """
        check_packages()
        listener = listening_socket(self._order.address)
        port = listener.getsockname()[1]
        self.url = self._order.address.url(port, tls=self._order.tls is not None)
        context = multiprocessing.get_context("spawn")
        reader, self.line = context.Pipe(duplex=False)
        self._process = context.Process(
            target=self._entry, args=(self._order, listener, reader), name="nightturn-page", daemon=True
        )
        self._process.start()
        reader.close()
        listener.close()

    def close(self) -> None:
        """End the process; what is under way is given a moment."""
        if self.line is not None:
            self.line.close()
        if self._process is not None:
            self._process.join(ENDS_S)
            if self._process.is_alive():
                self._process.kill()
                self._process.join()


def check_packages() -> None:
    """Whether the page can be served here.

    Raises:
        ConfigError: something is not installed; names the extra.
    """
    absent = [name for name in NEEDS if find_spec(name) is None]
    if absent:
        raise ConfigError(
            f"needs {', '.join(absent)}, not installed here",
            where="the page",
            allowed="pip install 'nightturn[web]'",
        )


def run_page_process(
    order: Order, listener: socket.socket, line: "Connection[bytes, bytes]", act: Act | None = None
) -> None:
    """Entry point of the process. Ctrl-C on the terminal is its parent's business."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with contextlib.suppress(OSError):
        os.nice(NICE)
    from nightturn.web.serving import serve_below

    serve_below(order, listener, line, act)
