"""The browser of the system, in which pages and reports are looked at as a person sees them."""

from collections.abc import Iterator
from contextlib import contextmanager

from playwright.sync_api import Browser, sync_playwright

CHROMIUM = "/usr/bin/chromium"


@contextmanager
def browser() -> Iterator[Browser]:
    """One browser, for all tests of a module."""
    with sync_playwright() as started:
        opened = started.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield opened
        opened.close()
