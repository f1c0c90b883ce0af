"""What `nightturn page` may show, checked before anything listens."""

import os
import socket
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from nightturn.errors import ConfigError, RunNotFoundError
from nightturn.storage.zones import zone_of
from nightturn.telemetry.address import parse_url
from nightturn.telemetry.fleet import Fleet
from nightturn.telemetry.fleet_reader import FleetReader
from nightturn.web.listening import Address

PASSWORD = "NIGHTTURN_MQTT_PASSWORD"  # noqa: S105 - the name of the variable


@dataclass(frozen=True, slots=True)
class Shown:
    """Something to serve: its name for people, for `--json`, and what serves it until a signal asks for the end."""

    name: str
    what: Mapping[str, str]
    serve: Callable[[Address, socket.socket], None]

    def __call__(self, address: Address, listener: socket.socket) -> None:
        """Serve it."""
        self.serve(address, listener)


def of_root(root: Path) -> Shown:
    """A data root.

    Raises:
        RunNotFoundError: there is none.
    """
    if not root.is_dir():
        raise RunNotFoundError(f"{root} is not a folder; give the data root (`data` in bench.toml)")

    def serve(address: Address, listener: socket.socket) -> None:
        from nightturn.web.serving import serve_page

        serve_page(root, address, listener)

    return Shown(str(root), {"root": str(root)}, serve)


def of_broker(url: str, cafile: Path | None, timezone: str) -> Shown:
    """What every host at a broker says.

    Raises:
        ConfigError: the address or the time zone cannot be used.
    """
    if zone_of(timezone) is None:
        raise ConfigError(
            f"{timezone!r} is no time zone here", where="--timezone", allowed="a name such as Europe/Vienna"
        )
    broker = parse_url(
        url, password=os.environ.get(PASSWORD), cafile=str(cafile) if cafile is not None else None
    )
    fleet = Fleet(time.monotonic, time.time_ns)
    reader = FleetReader(broker, fleet)

    def serve(address: Address, listener: socket.socket) -> None:
        from nightturn.web.serving import serve_fleet

        serve_fleet(reader, fleet, timezone, address, listener)

    return Shown(broker.text, {"broker": broker.text}, serve)
