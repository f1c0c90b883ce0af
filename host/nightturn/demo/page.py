"""The demo's page: open while the night runs in fast motion; what keeps it from being there is a line, never an error of the night."""

import contextlib
import signal
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from nightturn.errors import ConfigError
from nightturn.settings.load import data_root, load_rig
from nightturn.web.child import Order, PageProcess
from nightturn.web.listening import Address


@dataclass(frozen=True, slots=True)
class OpenedPage:
    """Where the page is, empty where it is not; and what a person is shown of that."""

    url: str = ""
    said: str = ""

    def wait(self) -> None:
        """Until somebody presses Ctrl-C."""
        with contextlib.suppress(KeyboardInterrupt):
            while True:
                signal.pause()


@contextlib.contextmanager
def opened_page(bench: Path, address: Address, *, wanted: bool) -> Iterator[OpenedPage]:
    """The page of a rig's data root for as long as the context is open."""
    if not wanted:
        yield OpenedPage()
        return
    root = data_root(bench, load_rig(bench))
    root.mkdir(parents=True, exist_ok=True)
    process = PageProcess(Order(root, address, fed=False))
    try:
        process.start()
    except ConfigError as problem:
        yield OpenedPage(said=f"without its page: {problem}")
        return
    try:
        yield OpenedPage(process.url, f"the night in fast motion: {process.url}")
    finally:
        process.close()
