"""The page's templates and its own files: every value escaped, no style and no script inside a page."""

from functools import cache
from importlib import resources
from typing import TYPE_CHECKING

from nightturn.errors import ConfigError
from nightturn.pictures.paper import repainting
from nightturn.report.templates import CAUTION

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup

ROOMS = ("nightturn.web", "nightturn.report")
"""Where a template may lie: the report's macros are the page's too."""
SHEETS = (("nightturn.report", "look.css"), ("nightturn.web", "page.css"))
TYPES = {
    "page.css": "text/css; charset=utf-8",
    "fresh.js": "text/javascript; charset=utf-8",
    "read_out.js": "text/javascript; charset=utf-8",
    "live.js": "text/javascript; charset=utf-8",
    "icon.svg": "image/svg+xml",
}
"""Files that a page asks for, with their media types."""


def page(name: str, **values: object) -> str:
    """A page from its template."""
    return str(_room().get_template(name).render(caution=CAUTION, **values))


@cache
def own_file(name: str) -> bytes:
    """A style sheet or a module of ours.

    Raises:
        KeyError: no page asks for such a file.
    """
    if name not in TYPES:
        raise KeyError(name)
    if name == "page.css":
        return (repainting() + "".join(_text(*each) for each in SHEETS)).encode()
    return _text("nightturn.web", name).encode()


@cache
def _room() -> "Environment":
    try:
        import jinja2
    except ModuleNotFoundError as error:
        raise ConfigError(
            "needs Jinja2, which is not installed", where="the page", allowed="pip install 'nightturn[web]'"
        ) from error
    room = jinja2.Environment(
        loader=jinja2.FunctionLoader(_template),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    room.filters["code"] = _with_code
    return room


def _with_code(text: str) -> "Markup":
    """A sentence with what stands between backticks as code; the rest is escaped like any other text."""
    from markupsafe import Markup, escape

    parts = text.split("`")
    if len(parts) % 2 == 0:  # one of them has no other
        return escape(text)
    return Markup().join(
        Markup("<code>{}</code>").format(part) if place % 2 else escape(part)
        for place, part in enumerate(parts)
    )


def _template(name: str) -> str | None:
    for room in ROOMS:
        if resources.files(room).joinpath(name).is_file():
            return _text(room, name)
    return None


def _text(room: str, name: str) -> str:
    return resources.files(room).joinpath(name).read_text("utf-8")
