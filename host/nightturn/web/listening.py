"""Where the page listens: loopback, unless there are a certificate and people who may look."""

import ipaddress
import socket
from dataclasses import dataclass

from nightturn.errors import ConfigError

LISTEN = "127.0.0.1:8742"
PORT_MAX = 65535
LOOPBACK_NAMES = ("localhost", "127.0.0.1", "::1")
BACKLOG = 64


@dataclass(frozen=True, slots=True)
class Address:
    """A host and a port; `names` are those under which a browser on that host may ask."""

    host: str
    port: int

    @property
    def names(self) -> tuple[str, ...]:
        """What may stand in a Host header."""
        return LOOPBACK_NAMES

    def url(self, port: int) -> str:
        """What a person types into a browser."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"http://{host}:{port}/"


def address_of(text: str, *, where: str = "--listen") -> Address:
    """An address from `127.0.0.1:8742`, `localhost:8742` or `[::1]:8742`; port 0 takes a free one.

    Raises:
        ConfigError: it is none, or not a loopback address.
    """
    host, colon, port = text.rpartition(":")
    host = host.removeprefix("[").removesuffix("]")
    if not colon or not host or not (port.isascii() and port.isdecimal()) or int(port) > PORT_MAX:
        raise ConfigError(f"{text!r} is no address", where=where, allowed=f"HOST:PORT, such as {LISTEN}")
    if not _loopback(host):
        raise ConfigError(
            f"{host} can be reached by others, and this page asks nobody who they are",
            where=where,
            allowed=f"a loopback address such as {LISTEN}; from elsewhere through a tunnel, ssh -L 8742:{LISTEN} HOST",
        )
    return Address(host, int(port))


def _loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def listening_socket(address: Address) -> socket.socket:
    """A socket that listens there.

    Raises:
        ConfigError: the port is taken, or the address is not this computer's.
    """
    family = socket.AF_INET6 if ":" in address.host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((address.host, address.port))
        listener.listen(BACKLOG)
    except OSError as error:
        listener.close()
        raise ConfigError(
            f"the page cannot listen on {address.host}:{address.port}: {(error.strerror or str(error)).lower()}",
            where="[web] listen or --listen",
            allowed="a free port of this computer; 0 takes any",
        ) from error
    return listener
