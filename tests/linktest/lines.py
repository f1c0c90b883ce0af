"""Devices behind a pty, each a process of its own: whatever makes a link can be tested like the virtual one."""

import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.device.build import built
from tests.device.native import SANITIZED
from tests.waiting import wait

READY_S_MAX = 40.0  # a hang guard
NIGHTTURN = [sys.executable, "-c", "from nightturn.cli import main; main()"]


@contextmanager
def on_a_pty(command: Callable[[Path], list[str]], folder: Path) -> Iterator[Path]:
    """Start what `command` gives for a link, wait for the link, and end it afterwards."""
    link = folder / "device.line"
    with (
        (folder / "device.log").open("wb") as log,
        subprocess.Popen(command(link), stdout=log, stderr=log) as process,
    ):
        try:
            wait(lambda: link.exists() or process.poll() is not None, lambda: "no link", READY_S_MAX)
            assert process.poll() is None, (folder / "device.log").read_text()
            yield link
        finally:
            process.kill()


def virtual(link: Path) -> list[str]:
    return [*NIGHTTURN, "virtual", "pan15?seed=7", "--link", str(link)]


def native(link: Path) -> list[str]:
    return [str(built(SANITIZED)), "--link", str(link)]


# one line for each device that answers on a pty
DEVICES: dict[str, Callable[[Path], list[str]]] = {"virtual": virtual, "native": native}
