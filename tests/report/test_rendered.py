"""Reports as a person sees them: in a browser, wide, slim and dark, and on paper, at the ends of what a night may be."""

from collections.abc import Callable, Iterator
from importlib.util import find_spec
from pathlib import Path

import pytest
from playwright.sync_api import Browser
from tests.browsers import browser
from tests.report.nights import (
    ARABIC,
    CJK,
    FOREIGN,
    LONG,
    named,
    of_cycles,
    of_events,
    of_gaps,
    without_cycles,
)
from tests.report.rendering import SLIM_PX, WIDE_PX, check_sheets, graves, shown, too_wide
from tests.report.test_printed import said

from nightturn.report.document import document, pdf
from nightturn.report.night import ReportNight
from nightturn.report.printed import WIDE

NIGHTS: dict[str, Callable[[ReportNight], ReportNight]] = {
    "usual": lambda usual: usual,
    "empty": without_cycles,
    "one-cycle": lambda usual: of_cycles(usual, 1),
    "gaps": of_gaps,
    "2000-cycles": lambda usual: of_cycles(usual, 2000),
    "40-events": lambda usual: of_events(usual, 40),
    "long-names": lambda usual: named(usual, LONG, "R. Vale, " * 60),
    "foreign-names": lambda usual: named(usual, FOREIGN, ARABIC * 3 + CJK * 3),
}
ON_PAPER = ("long-names", "foreign-names")
"""Those whose PDF is looked at here; the usual one's is in `test_printed`."""


@pytest.fixture(scope="module")
def opened() -> Iterator[Browser]:
    with browser() as found:
        yield found


@pytest.mark.parametrize("name", NIGHTS)
def test_it_is_readable_at_any_width_and_on_paper(
    name: str, one: ReportNight, opened: Browser, tmp_path: Path
) -> None:
    found = document(NIGHTS[name](one))
    path = tmp_path / f"{name}.html"
    path.write_text(found.html, "utf-8")
    with shown(opened, path) as page:
        assert graves(page) == []
        assert [too_wide(page, width) for width in (WIDE_PX, SLIM_PX)] == [0.0, 0.0]
        (tmp_path / "printed.pdf").write_bytes(page.pdf(prefer_css_page_size=True))
        assert page.inner_text("h1") in found.html
    assert check_sheets(tmp_path / "printed.pdf") >= 2
    if name in ON_PAPER:
        (tmp_path / "ours.pdf").write_bytes(pdf(found))
        assert check_sheets(tmp_path / "ours.pdf") >= 2
    if name == "foreign-names":
        check_foreign(tmp_path / "ours.pdf")


def check_foreign(path: Path) -> None:
    """Its names can be read and copied, or it says which signs have no form and what brings them: never an empty box unsaid."""
    words, fonts = " ".join(said("pdftotext", "-raw", str(path), "-").split()), said("pdffonts", str(path))
    assert ARABIC.split()[0] in words
    if find_spec(WIDE) is not None:
        assert CJK.strip() in words
        assert "Noto-Sans-CJK-JP" in fonts
    else:
        assert "have no form for U+" in words
        assert "nightturn[cjk]" in words


def test_it_is_readable_in_the_dark(one: ReportNight, opened: Browser, tmp_path: Path) -> None:
    path = tmp_path / "dark.html"
    path.write_text(document(one).html, "utf-8")
    with shown(opened, path, dark=True) as page:
        assert graves(page) == []
