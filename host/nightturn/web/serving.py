"""The page served over a data root until somebody ends it."""

import socket
import time
from pathlib import Path

from nightturn.errors import ConfigError
from nightturn.storage.standing import recorder_alive
from nightturn.web.app import Facts, application
from nightturn.web.listening import Address
from nightturn.web.nights import Nights

CLOSING_S = 2


def serve_page(root: Path, address: Address, listener: socket.socket) -> None:
    """Serve the page of a data root on a socket that listens already, until a signal asks for the end.

    Raises:
        ConfigError: uvicorn is not installed.
    """
    try:
        import uvicorn
    except ModuleNotFoundError as error:
        raise ConfigError(
            "needs uvicorn, which is not installed", where="the page", allowed="pip install 'nightturn[web]'"
        ) from error
    facts = Facts(str(root), lambda: recorder_alive(root), time.time_ns)
    config = uvicorn.Config(
        application(Nights(root), facts, address.names),
        log_config=None,
        access_log=False,
        server_header=False,
        lifespan="off",
        ws="websockets-sansio",
        ws_max_size=4096,
        timeout_graceful_shutdown=CLOSING_S,
    )
    uvicorn.Server(config).run(sockets=[listener])
