"""The pages' templates, rendered by Jinja2 with every value escaped."""

from importlib import resources

from nightturn.errors import ConfigError
from nightturn.pictures.paper import repainting

CAUTION = (
    "This page moves nothing and proves nothing about the safety of a rig. Rotating machinery: the motion lease is not a safety function; "
    "emergency stop, guards and safe torque off belong in certified hardware; follow local codes and qualified people."
)


def rendered(name: str, **values: object) -> str:
    """A page from its template, with the style sheet and the caution that each carries.

    Raises:
        ConfigError: Jinja2 is not installed; names the extra.
    """
    try:
        import jinja2
    except ModuleNotFoundError as error:
        raise ConfigError(
            "needs Jinja2, which is not installed", where="report", allowed="pip install 'nightturn[report]'"
        ) from error
    room = jinja2.Environment(
        loader=jinja2.FunctionLoader(_text),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        keep_trailing_newline=True,
    )
    look = repainting() + _text("look.css")
    return room.get_template(name).render(look=look, paper_look=_text("paper.css"), caution=CAUTION, **values)


def _text(name: str) -> str:
    return resources.files("nightturn.report").joinpath(name).read_text("utf-8")
