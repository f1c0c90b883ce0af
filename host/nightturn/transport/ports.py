"""The serial ports of this machine, each with the name that stays the same when it is plugged in again."""

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from serial.tools import list_ports

BY_ID = Path("/dev/serial/by-id")

NO_PORTS = (
    "no serial port found: plug the device in and look again; a virtual fixture needs none "
    '(port = "virtual:pan15?seed=7"), a device on the network is "socket://address:port"'
)
NO_PERMISSION = (
    "no permission: add your user to the group that owns the port (often dialout: sudo usermod -aG dialout $USER), "
    "then log out and in again"
)


@dataclass(frozen=True, slots=True)
class SerialPortEntry:
    """One serial port.

    Attributes:
        port: what to write into `bench.toml`: the stable link where there is one, else the device.
        device: the device file as the kernel named it this time.
        description: what the device says about itself.
        permitted: whether this user may open it.
    """

    port: str
    device: str
    description: str
    permitted: bool


def stable_links(folder: Path = BY_ID) -> dict[str, str]:
    """Device file to its link in `folder`; empty where the system makes no such links."""
    if not folder.is_dir():
        return {}
    return {os.path.realpath(link): str(link) for link in sorted(folder.iterdir(), reverse=True)}


def serial_ports(links: Mapping[str, str] | None = None) -> list[SerialPortEntry]:
    """Every serial port, sorted by device."""
    links = stable_links() if links is None else links
    return [
        SerialPortEntry(
            port=links.get(os.path.realpath(found.device), found.device),
            device=found.device,
            description=found.description if found.description not in {None, "n/a"} else "",
            permitted=os.access(found.device, os.R_OK | os.W_OK),
        )
        for found in sorted(list_ports.comports(), key=lambda found: found.device)
    ]
