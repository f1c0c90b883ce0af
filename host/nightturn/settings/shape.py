"""The shape of a table: every unknown key, missing key, wrong type and value out of range in one pass.

msgspec stops at the first mistake and names it by a JSON path. This walk asks msgspec one value at a time instead, so
that a person sees all mistakes together, each with its table and what is allowed there.
"""

import datetime
import math
import types
from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Literal, Union, get_args, get_origin

import msgspec

from nightturn.errors import ConfigError
from nightturn.model.quantities import typed
from nightturn.settings.mistakes import UNKNOWN_KEY, Place, did_you_mean, listed, shown

INTEGER_MAX = 2**63 - 1  # what the tape and every reader of it can hold

KIND_WORDS: tuple[tuple[type, str], ...] = (
    (bool, "true or false"),
    (int, "a whole number"),
    (float, "a number"),
    (str, "text"),
    (list, "a list"),
    (dict, "a table"),
    (datetime.date, "a date"),
    (datetime.time, "a time"),
)


def shape_mistakes(
    table: Mapping[str, object], kind: type[msgspec.Struct], place: Place
) -> list[ConfigError]:
    """Everything in a TOML table that the struct would not take; empty when `msgspec.convert` will succeed."""
    fields = {field.encode_name: field for field in msgspec.structs.fields(kind)}
    found = [
        place.mistake(key, f"{UNKNOWN_KEY} {shown(key)}{did_you_mean(key, fields)}", listed(fields))
        for key in table
        if key not in fields
    ]
    for name, field in fields.items():
        if name in table:
            found += _value_mistakes(table[name], field.type, place, name)
        elif field.required:
            found.append(place.mistake(name, f"missing key {shown(name)}", _described(field.type)))
    return found


def _value_mistakes(given: object, kind: Any, place: Place, key: str) -> list[ConfigError]:  # noqa: ANN401 - a type form
    kind = _without_none(kind)
    if isinstance(kind, type) and issubclass(kind, msgspec.Struct):
        return _table_mistakes(given, kind, place, key)
    parts = get_args(kind)
    if get_origin(kind) is dict and issubclass(parts[1], msgspec.Struct):
        return _named_tables_mistakes(given, parts[1], place, key)
    if _tables(kind):
        return _entries_mistakes(given, parts[0], place, key)
    return _leaf_mistakes(given, kind, place, key)


def _table_mistakes(given: object, kind: type[msgspec.Struct], place: Place, key: str) -> list[ConfigError]:
    if not isinstance(given, Mapping):
        return [
            place.mistake(key, f"{shown(given)} is {_word(given)}", f"a table, [{place.inside(key).table}]")
        ]
    return shape_mistakes(given, kind, place.inside(key))


def _named_tables_mistakes(
    given: object, kind: type[msgspec.Struct], place: Place, key: str
) -> list[ConfigError]:
    if not isinstance(given, Mapping):
        return [
            place.mistake(key, f"{shown(given)} is {_word(given)}", f"a table, [{place.inside(key).table}]")
        ]
    inside = place.inside(key)
    return [mistake for name, part in given.items() for mistake in _table_mistakes(part, kind, inside, name)]


def _entries_mistakes(given: object, kind: type[msgspec.Struct], place: Place, key: str) -> list[ConfigError]:
    inside = place.inside(key)
    if not isinstance(given, list) or not all(isinstance(entry, Mapping) for entry in given):
        return [
            place.mistake(
                key, f"{shown(given)} is {_word(given)}", f"tables, each begun with [[{inside.table}]]"
            )
        ]
    found: list[ConfigError] = []
    for number, entry in enumerate(given, 1):
        name = entry.get("id", entry.get("name"))
        at = (
            inside.entry(name, named=True)
            if isinstance(name, str)
            else inside.entry(str(number), named=False)
        )
        found += shape_mistakes(entry, kind, at)
    return found


def _leaf_mistakes(given: object, kind: Any, place: Place, key: str) -> list[ConfigError]:  # noqa: ANN401 - a type form
    parts = given if isinstance(given, list) else [given]
    if any(isinstance(part, int) and abs(part) > INTEGER_MAX for part in parts):
        return [place.mistake(key, f"{shown(given)} is out of range", _described(kind))]
    try:
        msgspec.convert(given, kind)
    except msgspec.ValidationError:
        return [place.mistake(key, _what(given, kind), _described(kind))]
    if any(isinstance(part, float) and not math.isfinite(part) for part in parts):
        return [place.mistake(key, f"{shown(given)} is not a finite number", _described(kind))]
    return []


def _what(given: object, kind: Any) -> str:  # noqa: ANN401 - a type form
    bare = _bare(_parts(kind)[0])
    if get_origin(bare) is Literal:
        near = did_you_mean(given, map(str, get_args(bare))) if isinstance(given, str) else ""
        return f"{shown(given)} is not one of the choices{near}"
    if get_origin(bare) is tuple and isinstance(given, list):
        return f"{shown(given)} is not {'a list of such numbers' if Ellipsis in get_args(bare) else 'two numbers'}"
    fits = isinstance(given, (int, float) if bare is float else get_origin(bare) or bare)
    if fits and not isinstance(given, bool):
        return f"{shown(given)} is out of range"
    return f"{shown(given)} is {_word(given)}"


def _tables(kind: Any) -> bool:  # noqa: ANN401 - a type form
    """Whether it is a list of tables, not of plain values."""
    parts = get_args(kind)
    if get_origin(kind) is not tuple or len(parts) != 2 or parts[1] is not Ellipsis:
        return False
    return isinstance(parts[0], type) and issubclass(parts[0], msgspec.Struct)


def _word(given: object) -> str:
    return next((word for kind, word in KIND_WORDS if isinstance(given, kind)), type(given).__name__)


def _without_none(kind: Any) -> Any:  # noqa: ANN401 - a type form
    """What a union allows beside None; with several, the union itself."""
    if get_origin(kind) in {Union, types.UnionType}:
        parts = [part for part in get_args(kind) if part is not type(None)]
        return parts[0] if len(parts) == 1 else kind
    return kind


def _parts(kind: Any) -> tuple[Any, ...]:  # noqa: ANN401 - a type form
    """The members of a union, or what it is."""
    return get_args(kind) if get_origin(kind) in {Union, types.UnionType} else (kind,)


def _bare(kind: Any) -> Any:  # noqa: ANN401 - a type form
    return get_args(kind)[0] if get_origin(kind) is Annotated else kind


def _described(kind: Any) -> str:  # noqa: ANN401 - a type form
    kind = _without_none(kind)
    if len(_parts(kind)) > 1:
        return ", or ".join(_described(part) for part in _parts(kind))
    bare = _bare(kind)
    if get_origin(bare) is Literal:
        return listed([shown(choice) for choice in get_args(bare)])
    if get_origin(bare) is tuple:
        if Ellipsis not in get_args(bare):
            return "two numbers, [low, high]"
        return "tables" if _tables(bare) else f"a list, each {_described(get_args(bare)[0])}"
    if isinstance(bare, type) and issubclass(bare, msgspec.Struct):
        return "a table"
    if bare is str:
        return 'text in quotes, "…"'
    if bare is bool:
        return "true or false"
    word = "a whole number" if bare is int else "a number"
    return " ".join([word, *_bounds(get_args(kind)[1:] if bare is not kind else ())])


def _bounds(metas: Sequence[msgspec.Meta]) -> list[str]:
    words = {"gt": "above", "ge": "from", "lt": "below", "le": "to"}
    return [
        f"{word} {typed(getattr(meta, name))}"
        for meta in metas
        for name, word in words.items()
        if getattr(meta, name) is not None
    ]
