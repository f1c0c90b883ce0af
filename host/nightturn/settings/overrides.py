"""One `--set table.key=value`: a change to what the file says, for this run of the command only."""

import tomllib

from nightturn.errors import ConfigError
from nightturn.settings.mistakes import did_you_mean, listed, shown

FORM = "table.key=value, for instance fixture.pan-a1.rate_hz=1000"


def apply_override(table: dict[str, object], argument: str) -> tuple[str, str]:
    """Change the table in place; the value is read as TOML, and as plain text where it is no TOML.

    Returns:
        The dotted path that was changed, and the argument.

    Raises:
        ConfigError: no `=`, an empty key, or a fixture that the file does not have.
    """
    path, equals, text = argument.partition("=")
    keys = [key.strip() for key in path.split(".")]
    if not equals or not all(keys):
        raise ConfigError(f"{shown(argument)} is not an override", where="--set", allowed=FORM)
    at: dict[str, object] = table
    steps = iter(keys[:-1])
    for key in steps:
        inside = at.setdefault(key, {})
        if isinstance(inside, list):
            at = _entry(inside, key, next(steps, ""), argument)
        else:
            at = _table(inside, key, argument)
    at[keys[-1]] = _parsed(text)
    return ".".join(keys), argument


def _table(inside: object, key: str, argument: str) -> dict[str, object]:
    if not isinstance(inside, dict):
        raise ConfigError(f"{shown(key)} is a value, not a table", where=f"--set {argument}", allowed=FORM)
    return inside


def _entry(entries: list[object], key: str, name: str, argument: str) -> dict[str, object]:
    named = {str(entry["id"]): entry for entry in entries if isinstance(entry, dict) and "id" in entry}
    if name not in named:
        what = f"no {key} {shown(name)}{did_you_mean(name, named)}"
        raise ConfigError(what, where=f"--set {argument}", allowed=listed(named))
    return named[name]


def _parsed(text: str) -> object:
    try:
        return tomllib.loads(f"given = {text.strip()}")["given"]
    except (ValueError, RecursionError):
        return text.strip()
