"""What a definition still owes to the releases before it."""

from generator.definition import Definition, Enum, Limit, Message

SCHEMA = "sheet_schema"


def _enum_breaks(old: Enum, new: Enum | None) -> list[str]:
    if new is None or new.flags != old.flags:
        return [f"{old.name} is gone or changed its sort"]
    return [
        f"{old.name}.{name} was {number}, is {new.values.get(name)}"
        for name, number in old.values.items()
        if new.values.get(name) != number
    ]


def _shape(message: Message) -> tuple[object, ...]:
    return (message.kind, message.from_host, message.lane, message.reply, message.most, message.planar)


def _message_breaks(old: Message, new: Message | None, *, may_grow: bool) -> list[str]:
    if new is None:
        return [f"{old.name} is gone"]
    breaks = []
    if _shape(new) != _shape(old):
        breaks.append(f"{old.name} changed its kind, way, lane, answer or limit")
    before = [(field.name, field.type, field.of) for field in old.fields]
    after = [(field.name, field.type, field.of) for field in new.fields]
    if after[: len(before)] != before:
        breaks.append(f"{old.name} changed a released field")
    elif len(after) > len(before) and (old.tail is not None or not may_grow):
        breaks.append(
            f"{old.name} grew, which needs a new {'kind' if old.tail is not None else 'minor version'}"
        )
    return breaks


def _value(limits: tuple[Limit, ...], name: str) -> int | None:
    return next((limit.value for limit in limits if limit.name == name), None)


def _limit_breaks(old: tuple[Limit, ...], new: tuple[Limit, ...]) -> list[str]:
    return [
        f"limit {limit.name} was {limit.value}, is {_value(new, limit.name)}"
        for limit in old
        if _value(new, limit.name) != limit.value
    ]


def breaks(released: Definition, current: Definition) -> list[str]:
    """Every way in which `current` breaks what `released` promised; empty when it keeps faith.

    A later minor version may add kinds, enum values and fields behind the last field of a message of fixed length.
    The same version may add nothing. Bounds of the sheet hold for as long as its schema is the same. Another major version owes nothing.
    """
    if released.major != current.major:
        return []
    found = []
    if current.minor < released.minor:
        found.append(f"version {current.major}.{current.minor} is older than the released {released.minor}")
    may_grow = current.minor > released.minor
    enums = {enum.name: enum for enum in current.enums}
    messages = {message.name: message for message in current.messages}
    for enum in released.enums:
        found += _enum_breaks(enum, enums.get(enum.name))
    for message in released.messages:
        found += _message_breaks(message, messages.get(message.name), may_grow=may_grow)
    found += _limit_breaks(released.limits, current.limits)
    if _value(released.sheet, SCHEMA) == _value(current.sheet, SCHEMA):
        found += _limit_breaks(released.sheet, current.sheet)
    if not may_grow and not found and current.digest != released.digest:
        found.append(f"something was added to the released {released.major}.{released.minor}")
    return found
