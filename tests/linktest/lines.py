"""Devices behind a pty, each a process of its own: whatever makes a link can be tested like the virtual one."""

import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.device.build import built
from tests.device.native import SANITIZED

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
            deadline_s = time.monotonic() + READY_S_MAX
            while not link.exists():
                assert process.poll() is None, (folder / "device.log").read_text()
                assert time.monotonic() < deadline_s, "no link"
                time.sleep(0.02)
            yield link
        finally:
            process.kill()


def virtual(link: Path) -> list[str]:
    return [*NIGHTTURN, "virtual", "pan15?seed=7", "--link", str(link)]


def native(link: Path) -> list[str]:
    return [str(built(SANITIZED)), "--link", str(link)]


# one line for each device that answers on a pty
DEVICES: dict[str, Callable[[Path], list[str]]] = {"virtual": virtual, "native": native}
