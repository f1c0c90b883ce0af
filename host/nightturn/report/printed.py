"""A report as PDF: the same page laid out on A4 by WeasyPrint, with fonts from a wheel, the date of the run, and its figures as an attachment.

The standard aimed at is PDF/A-3b (ISO 19005-3: an archive's PDF that may carry files); it is written so, not validated.
"""

import os
import tempfile
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from importlib.util import find_spec
from pathlib import Path
from types import ModuleType
from xml.sax.saxutils import escape

from nightturn.errors import ConfigError

EXTRA = "pip install 'nightturn[pdf]'"
SYSTEM = "libpango-1.0-0 and libpangoft2-1.0-0 of the system's packages, or print the HTML from a browser"
VARIANT = "pdf/a-3b"
EAST_ASIAN = "pip install 'nightturn[cjk]'"
FONTS = ("DejaVuSans*", "DejaVuSerif*")
"""Of Matplotlib's wheel; what the system has differs from machine to machine, and with it every line's end."""
WIDE = "noto_cjk_sans_jp_regular"
"""The package with the font of Chinese, Japanese and Korean signs, of the extra `cjk`; it is read only where a page has such signs."""
SIGNS_NAMED = 8


def pdf_of(html: str, figures: bytes, *, name: str, at: datetime) -> bytes:
    """The PDF of a page.

    Args:
        html: the page, whose head names its own date.
        figures: JSON that is attached.
        name: of the attachment.
        at: its date.

    Raises:
        ConfigError: WeasyPrint, its fonts or a library of the system is not installed; names the package.
    """
    weasyprint = _weasyprint()
    with _own_fonts_only(_globs(html)), warnings.catch_warnings():
        # WeasyPrint leaves the file of its colour profile to be closed by the interpreter.
        warnings.simplefilter("ignore", ResourceWarning)
        nothing_else = weasyprint.urls.URLFetcher(allowed_protocols={"data"})
        page = weasyprint.HTML(string=html, url_fetcher=nothing_else)
        attached = weasyprint.Attachment(
            string=figures.decode(),
            name=name,
            description="The figures of the report, as JSON.",
            created=at,
            modified=at,
            relationship="Data",
        )
        made = page.write_pdf(attachments=[attached], pdf_variant=VARIANT, pdf_tags=True)
    return bytes(made)


def unprintable(text: str) -> str:
    """Signs of a text that the fonts of the PDF have no form for, as code points with what brings them; empty where there are none.

    Raises:
        ConfigError: as `pdf_of`.
    """
    _weasyprint()
    absent = _without_form(text, _usual())
    wide = _wide()
    if absent and wide is not None:
        absent = _without_form("".join(absent), [wide])
    if not absent:
        return ""
    named = ", ".join(f"U+{ord(each):04X}" for each in absent[:SIGNS_NAMED])
    more = f" and {len(absent) - SIGNS_NAMED} more" if len(absent) > SIGNS_NAMED else ""
    brings = f" ({EAST_ASIAN} brings those of Chinese, Japanese and Korean)" if wide is None else ""
    return f"{named}{more}{brings}"


def _without_form(text: str, fonts: Sequence[Path]) -> list[str]:
    """The signs of a text that none of the fonts has."""
    from fontTools.ttLib import TTFont

    known: set[int] = set()
    for path in fonts:
        with TTFont(path, lazy=True) as font:
            known |= set(font.getBestCmap())
    return sorted(
        {each for each in text if not each.isspace() and each.isprintable() and ord(each) not in known}
    )


def _usual() -> list[Path]:
    return [_font_folder() / name for name in ("DejaVuSans.ttf", "DejaVuSerif.ttf")]


def _wide() -> Path | None:
    """The font of the extra `cjk`; None where it is not installed."""
    found = find_spec(WIDE)
    if found is None or found.origin is None:
        return None
    return next(iter(sorted(Path(found.origin).parent.glob("*.otf"))), None)


def _globs(html: str) -> list[str]:
    """The fonts that a page needs, as fontconfig names files."""
    usual, wide = [f"{_font_folder()}/{each}" for each in FONTS], _wide()
    return [*usual, str(wide)] if wide is not None and _without_form(html, _usual()) else usual


def _weasyprint() -> ModuleType:
    """The library, when it and what it needs are there."""
    try:
        import weasyprint
    except ModuleNotFoundError as error:
        raise ConfigError("needs WeasyPrint, which is not installed", where="--pdf", allowed=EXTRA) from error
    except OSError as error:
        raise ConfigError(
            "needs Pango, a library of the system, which is not installed", where="--pdf", allowed=SYSTEM
        ) from error
    assert isinstance(weasyprint, ModuleType)
    return weasyprint


def _font_folder() -> Path:
    """Where Matplotlib's wheel keeps its fonts; it is looked up, not imported."""
    found = find_spec("matplotlib")
    if found is None or found.origin is None:
        raise ConfigError(
            "needs the fonts of Matplotlib, which is not installed", where="--pdf", allowed=EXTRA
        )
    return Path(found.origin).parent / "mpl-data" / "fonts" / "ttf"


@contextmanager
def _own_fonts_only(globs: Sequence[str]) -> Iterator[None]:
    """Have fontconfig see these fonts and no others, as long as this lasts."""
    folders = "".join(
        f"<dir>{escape(each)}</dir>" for each in sorted({str(Path(glob).parent) for glob in globs})
    )
    wanted = "".join(f"<glob>{escape(each)}</glob>" for each in globs)
    before = os.environ.get("FONTCONFIG_FILE")
    with tempfile.TemporaryDirectory(prefix="nightturn-fonts-") as place:
        rules = Path(place) / "fonts.conf"
        rules.write_text(
            f"<?xml version='1.0'?><!DOCTYPE fontconfig SYSTEM 'urn:fontconfig:fonts.dtd'><fontconfig>{folders}"
            f"<cachedir>{escape(place)}</cachedir><selectfont><acceptfont>{wanted}</acceptfont>"
            "<rejectfont><glob>*</glob></rejectfont></selectfont></fontconfig>",
            "utf-8",
        )
        os.environ["FONTCONFIG_FILE"] = str(rules)
        try:
            yield
        finally:
            if before is None:
                del os.environ["FONTCONFIG_FILE"]
            else:
                os.environ["FONTCONFIG_FILE"] = before
