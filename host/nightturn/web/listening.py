"""Where the page listens: loopback, unless there are a certificate and people who may look."""

import ipaddress
import socket
import ssl
from dataclasses import dataclass

from nightturn.errors import ConfigError

LISTEN = "127.0.0.1:8742"
PORT_MAX = 65535
ANY_HOST = frozenset({"0.0.0.0", "::"})  # noqa: S104 - compared with, never listened on unasked
LOOPBACK_NAMES = ("localhost", "127.0.0.1", "::1")
BACKLOG = 64


@dataclass(frozen=True, slots=True)
class Address:
    """A host and a port; `others` are names of this computer, `names` all under which a browser may ask."""

    host: str
    port: int
    others: tuple[str, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """What may stand in a Host header."""
        own = () if self.loopback or self.host in ANY_HOST else (self.host,)
        return (*LOOPBACK_NAMES, *own, *self.others)

    @property
    def loopback(self) -> bool:
        """Whether nobody but this computer can ask there."""
        return _loopback(self.host)

    def url(self, port: int, *, tls: bool = False) -> str:
        """What a person types into a browser."""
        named = self.others[0] if self.host in ANY_HOST and self.others else self.host
        host = f"[{named}]" if ":" in named else named
        return f"{'https' if tls else 'http'}://{host}:{port}/"


@dataclass(frozen=True, slots=True)
class Tls:
    """A certificate and its key, PEM files."""

    cert: str
    key: str

    def check(self) -> None:
        """Whether the two can be used.

        Raises:
            ConfigError: they cannot be read, or do not belong together.
        """
        try:
            ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(self.cert, self.key)
        except OSError as error:  # of SSL too
            raise ConfigError(
                f"{self.cert} with {self.key} cannot be used: {error.strerror or error}".lower(),
                where="[web] cert, key",
                allowed="PEM files of a certificate and of its key",
            ) from error


def address_of(
    text: str, *, where: str = "--listen", guarded: bool = False, others: tuple[str, ...] = ()
) -> Address:
    """An address from `127.0.0.1:8742`, `localhost:8742` or `[::1]:8742`; port 0 takes a free one.

    Args:
        text: HOST:PORT.
        where: the setting that it comes from.
        guarded: whether TLS and people who sign in stand before the page, so that others may ask.
        others: names of this computer under which others may ask.

    Raises:
        ConfigError: it is none, or not a loopback address where nothing guards the page.
    """
    host, colon, port = text.rpartition(":")
    host = host.removeprefix("[").removesuffix("]")
    if not colon or not host or not (port.isascii() and port.isdecimal()) or int(port) > PORT_MAX:
        raise ConfigError(f"{text!r} is no address", where=where, allowed=f"HOST:PORT, such as {LISTEN}")
    if not guarded and not _loopback(host):
        raise ConfigError(
            f"{host} can be reached by others, and this page asks nobody who they are",
            where=where,
            allowed=f"a loopback address such as {LISTEN}; from elsewhere through a tunnel, ssh -L 8742:{LISTEN} HOST",
        )
    return Address(host, int(port), others)


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
