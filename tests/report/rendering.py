"""Pages as a browser shows them and as a printer gets them."""

import re
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

WIDE_PX, SLIM_PX = 1280, 390
DPI = 40
MARGIN_MM = 8.0
"""Of a sheet on which nothing may stand."""
MM_PER_INCH = 25.4
BLANK = 250
"""Of 255, from which on a pixel is paper."""


@contextmanager
def shown(opened: Browser, path: Path, *, dark: bool = False) -> Iterator[Page]:
    """A file in the browser; whatever it asks for beside itself, or complains of, is an error."""
    page = opened.new_page(
        viewport={"width": WIDE_PX, "height": 900}, color_scheme="dark" if dark else "light"
    )
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: asked.append(message.text))
    page.goto(path.as_uri())
    yield page
    assert [each for each in asked if not each.startswith("data:")] == [path.as_uri()]
    page.close()


def too_wide(page: Page, width_px: int) -> float:
    """By how many pixels the page has to be moved sideways at a width; pictures and tables that move by themselves do not count."""
    page.set_viewport_size({"width": width_px, "height": 900})
    return float(page.evaluate("document.documentElement.scrollWidth - window.innerWidth"))


def graves(page: Page) -> list[str]:
    """What axe calls serious or critical, with where."""
    found = Axe().run(page).response["violations"]
    return [
        f"{each['id']}: {each['nodes'][0]['html'][:120]}"
        for each in found
        if each["impact"] in {"serious", "critical"}
    ]


def sheets(pdf: Path) -> list[np.ndarray[tuple[int, int], np.dtype[np.uint8]]]:
    """Each page of a PDF as pdftoppm paints it, grey."""
    call = ["pdftoppm", "-gray", "-r", str(DPI), str(pdf)]
    painted = subprocess.run(call, check=True, capture_output=True, timeout=120).stdout
    found = []
    while painted:
        head = re.match(rb"P5\s(\d+) (\d+)\s255\s", painted)
        assert head is not None
        width, height = int(head[1]), int(head[2])
        end = head.end() + width * height
        found.append(np.frombuffer(painted[head.end() : end], np.uint8).reshape(height, width))
        painted = painted[end:]
    return found


def check_sheets(pdf: Path) -> int:
    """Every page has ink on it and none in its margins; returns how many there are."""
    found = sheets(pdf)
    edge = round(MARGIN_MM / MM_PER_INCH * DPI)
    for number, sheet in enumerate(found, 1):
        assert (sheet < BLANK).any(), f"page {number} is empty"
        for side in (sheet[:edge], sheet[-edge:], sheet[:, :edge], sheet[:, -edge:]):
            assert (side >= BLANK).all(), f"page {number} has ink in its margin"
    return len(found)
