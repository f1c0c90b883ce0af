"""From the `port` of a fixture to an open line: serial path, `socket://host:port` or `virtual:spec`."""

import zlib

import numpy as np

from nightturn.bench.locks import HeldPort, PortLocks, address_key, device_key
from nightturn.bench.virtual_port import VirtualPort
from nightturn.errors import ConfigError
from nightturn.settings.rig import FixtureSettings
from nightturn.transport.port import Port
from nightturn.transport.serial_port import SerialPort
from nightturn.transport.tcp_port import TcpPort
from nightturn.virtual.catalogue import from_spec
from nightturn.world import Clock

SOCKET = "socket://"
VIRTUAL = "virtual:"
POLL_S = 0.05


def port_for(settings: FixtureSettings, clock: Clock, locks: PortLocks, poll_s: float = POLL_S) -> Port:
    """The port of a fixture.

    Raises:
        ConfigError: the address or the virtual fixture's spec cannot be used.
    """
    where = f"port of fixture {settings.id}"
    return port_at(
        settings.port, clock, locks, where=where, owner=settings.id, baud=settings.line_baud, poll_s=poll_s
    )


def port_at(
    text: str,
    clock: Clock,
    locks: PortLocks,
    *,
    where: str,
    owner: str,
    baud: int | None = None,
    poll_s: float = POLL_S,
) -> Port:
    """The port that a text names: held for `owner` from its first opening on; a virtual one is nobody else's anyway.

    `where` is for the message, `owner` also goes into a virtual line's chance.

    Raises:
        ConfigError: the address or the virtual fixture's spec cannot be used.
    """
    if text.startswith(VIRTUAL):
        seed = zlib.crc32(f"{owner}:{text}".encode())
        device = from_spec(text.removeprefix(VIRTUAL)).build(clock.monotonic_ns())
        return VirtualPort(text, device, clock, np.random.default_rng(seed), poll_s)
    if text.startswith(SOCKET):
        host, _, number = text.removeprefix(SOCKET).rpartition(":")
        if not host or not number.isdigit():
            raise ConfigError(f"{text!r} is not an address", where=where, allowed="socket://host:port")
        number_of = int(number)
        return HeldPort(TcpPort(host, number_of, clock), owner, lambda: address_key(host, number_of), locks)
    if not text:
        raise ConfigError(
            "no port is named", where=where, allowed="a serial device, socket://host:port, virtual:spec"
        )
    return HeldPort(SerialPort(text, clock, baud), owner, lambda: device_key(text), locks)
