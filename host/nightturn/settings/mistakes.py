"""Mistakes in what a person wrote: where each is, what is near it, and how several are reported at once."""

import difflib
import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from nightturn.errors import ConfigError
from nightturn.model.quantities import typed

SHOWN_CHARACTERS_MAX = 60  # a value is quoted in full up to here; a pasted file is not
UNKNOWN_KEY = "unknown key"
SAME_KEYS = "the keys listed for"


class ManyMistakesError(ConfigError):
    """Several mistakes found in one pass; its text has one line for each.

    Attributes:
        mistakes: every one of them, in the order of the file.
    """

    def __init__(self, mistakes: Sequence[ConfigError]) -> None:
        self.mistakes = tuple(mistakes)
        first = self.mistakes[0]
        super().__init__(first.what, where=first.where, allowed=first.allowed)
        self.args = ("\n".join(str(mistake) for mistake in self.mistakes),)


def listed_once(mistakes: Iterable[ConfigError]) -> list[ConfigError]:
    """The same mistakes; of unknown keys of one kind of table only the first lists the keys that there are."""
    found: list[ConfigError] = []
    first: dict[str, ConfigError] = {}
    for each in mistakes:
        before = first.setdefault(each.allowed, each) if each.what.startswith(UNKNOWN_KEY) else each
        if before is each:
            found.append(each)
        else:
            allowed = f"{SAME_KEYS} {before.where}"
            found.append(ConfigError(each.what, where=each.where, allowed=allowed))
    return found


def raise_mistakes(mistakes: Sequence[ConfigError]) -> None:
    """Return when there are none.

    Raises:
        ConfigError: the only mistake, or a `ManyMistakesError` that holds them all.
    """
    if len(mistakes) == 1:
        raise mistakes[0]
    if mistakes:
        raise ManyMistakesError(mistakes)


@dataclass(frozen=True, slots=True)
class Place:
    """A table of a file, as a person would look for it.

    Attributes:
        file: the file's name as it was given.
        path: keys from the top of the file; an entry of a list of tables is named by its id or number.
        table: the path as TOML writes it, without the entries' names.
        owner: the entry the table belongs to, such as `fixture "pan-a1"`.
        overridden: the dotted paths that `--set` changed, each with the argument as typed.
    """

    file: str
    path: tuple[str, ...] = ()
    table: str = ""
    owner: str = ""
    overridden: Mapping[str, str] = field(default_factory=dict)

    def inside(self, key: str) -> "Place":
        """The table of that key."""
        return replace(self, path=(*self.path, key), table=f"{self.table}.{key}".lstrip("."))

    def entry(self, name: str, *, named: bool) -> "Place":
        """One entry of a list of tables, by its id or by its number."""
        own = self.table.rpartition(".")[2] if self.owner else self.table
        owner = f'{own} "{name}"' if named else f"{own} no. {name}"
        if self.owner:
            owner += f" of {self.owner}"
        return replace(self, path=(*self.path, name), owner=owner)

    def key(self, key: str = "") -> str:
        """Where a key of this table is: file, table, owner, key, or the `--set` that gave it."""
        dotted = ".".join((*self.path, key) if key else self.path)
        for path, argument in self.overridden.items():
            if f"{path}.".startswith(f"{dotted}.") or dotted.startswith(f"{path}."):
                return f"--set {argument}"
        table = f"[{self.table}]" if self.table else ""
        if self.owner:
            table += f" of {self.owner}" if "." in self.table else f" {self.owner.partition(' ')[2]}"
        return ", ".join(part for part in (self.file, table, key) if part)

    def mistake(self, key: str, what: str, allowed: str = "") -> ConfigError:
        """The error for a key of this table."""
        return ConfigError(what, where=self.key(key), allowed=allowed)


def shown(given: object) -> str:
    """A value as TOML would write it, cut when long."""
    if isinstance(given, bool):
        text = "true" if given else "false"
    elif isinstance(given, str):
        text = f'"{given}"'
    elif isinstance(given, (list, tuple)):
        text = f"[{', '.join(shown(part) for part in given)}]"
    elif isinstance(given, Mapping):
        text = f"{{ {', '.join(given)} }}"
    elif isinstance(given, float) and math.isfinite(given):
        text = typed(given) if given % 1 else f"{typed(given)}.0"  # a whole one is no whole number to TOML
    else:
        text = str(given)
    text = text.encode("unicode_escape").decode("ascii") if not text.isprintable() else text
    return text if len(text) <= SHOWN_CHARACTERS_MAX else text[: SHOWN_CHARACTERS_MAX - 1] + "…"


def did_you_mean(word: str, choices: Iterable[str]) -> str:
    """`; did you mean "…"?` when a choice is near, else nothing."""
    near = difflib.get_close_matches(word, list(choices), n=1, cutoff=0.6)
    return f'; did you mean "{near[0]}"?' if near else ""


def listed(choices: Collection[str]) -> str:
    """The choices in one line."""
    return ", ".join(choices) if choices else "none"
