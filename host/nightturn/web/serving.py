"""The page served over a data root: in this process until a signal asks for the end, or below a parent until its line ends."""

import contextlib
import socket
import threading
import time
from collections.abc import Iterator
from multiprocessing.connection import Connection
from pathlib import Path
from typing import TYPE_CHECKING

from typing_extensions import override

from nightturn.storage.standing import recorder_alive
from nightturn.telemetry.fleet import Fleet
from nightturn.telemetry.fleet_reader import FleetReader
from nightturn.web.acting import Act
from nightturn.web.app import Facts, application
from nightturn.web.fleet_app import FleetFacts, fleet_application
from nightturn.web.heard import Hearing
from nightturn.web.listening import Address
from nightturn.web.nights import Nights
from nightturn.web.people import People
from nightturn.web.signing import Door

if TYPE_CHECKING:
    from starlette.applications import Starlette
    from uvicorn import Config, Server

    from nightturn.web.child import Order

CLOSING_S = 2
FILES_S = 3.0
"""Between two looks at the files: figures come once a cycle, which takes minutes."""
SOCKET_BYTES_MAX = 4096
"""Of what a browser says on a socket; it has nothing to say."""


def serve_page(root: Path, address: Address, listener: socket.socket) -> None:
    """Serve the page of a data root on a socket that listens already, until a signal asks for the end."""
    from uvicorn import Server

    with contextlib.suppress(KeyboardInterrupt):
        Server(_config(_application(root, address))).run(sockets=[listener])


def serve_fleet(
    reader: FleetReader, fleet: Fleet, timezone: str, address: Address, listener: socket.socket
) -> None:
    """Serve the page of what a broker says on a socket that listens already, until a signal asks for the end."""
    from uvicorn import Server

    facts = FleetFacts(reader.text, lambda: reader.connected, timezone, time.time_ns, time.monotonic)
    reader.start()
    with contextlib.suppress(KeyboardInterrupt):
        Server(_config(fleet_application(fleet, facts, address.names))).run(sockets=[listener])
    reader.close()


def serve_below(
    order: "Order", listener: socket.socket, line: "Connection[bytes, bytes]", act: Act | None
) -> None:
    """The same in a child process, until the other end of the line is closed, as a parent's death does too."""
    hearing = Hearing(time.monotonic) if order.fed else None
    closed = not order.address.loopback
    door = Door(People(order.root), closed=closed, tls=order.tls is not None, act=act)
    config = _config(_application(order.root, order.address, hearing, door))
    if order.tls is not None:
        config.ssl_certfile, config.ssl_keyfile = order.tls.cert, order.tls.key
    server = _server_below(config)

    def hear() -> None:
        with contextlib.suppress(EOFError, OSError):
            while True:
                message = line.recv_bytes()
                if hearing is not None:
                    hearing.take(message)
        server.should_exit = True

    threading.Thread(target=hear, name="nightturn-line", daemon=True).start()
    server.run(sockets=[listener])


def _application(
    root: Path, address: Address, hearing: Hearing | None = None, door: Door | None = None
) -> "Starlette":
    facts = Facts(str(root), lambda: recorder_alive(root), time.time_ns)
    return application(Nights(root, hearing, keep_s=FILES_S), facts, address.names, door)


def _config(shown: "Starlette") -> "Config":
    from uvicorn import Config

    from nightturn.web.patience import PatientProtocol

    return Config(
        shown,
        log_config=None,
        access_log=False,
        server_header=False,
        lifespan="off",
        http=PatientProtocol,
        ws="websockets-sansio",
        ws_max_size=SOCKET_BYTES_MAX,
        timeout_graceful_shutdown=CLOSING_S,
    )


def _server_below(config: "Config") -> "Server":
    """A server that takes no signals: its parent decides when it ends."""
    from uvicorn import Server

    class Below(Server):
        """Ends by `should_exit` alone."""

        @override
        @contextlib.contextmanager
        def capture_signals(self) -> Iterator[None]:
            yield

    return Below(config)
