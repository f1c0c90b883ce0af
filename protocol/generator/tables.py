"""The tables of PROTOCOL.md, put between marker comments."""

import re
from collections.abc import Sequence

from generator.definition import Definition, Enum, Limit, Message, snake

MARK = re.compile(r"(<!-- generated: (?P<name>[a-z]+) -->\n).*?(<!-- end of \2 -->)", re.DOTALL)


class MarkerError(Exception):
    """A table has no place to go."""


def _table(head: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> str:
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    lines += ["| " + " | ".join(row) + " |" for row in rows]
    return "\n".join(lines) + "\n"


def _wire_name(message: Message) -> str:
    return snake(message.name).upper()


def limits_table(limits: Sequence[Limit]) -> str:
    """Every limit with its value and meaning."""
    rows = [(f"`{limit.name.upper()}`", str(limit.value), limit.doc) for limit in limits]
    return _table(("limit", "value", "meaning"), rows)


def kinds_table(definition: Definition) -> str:
    """Every kind with its way, lane and answer."""
    by_name = {message.name: message for message in definition.messages}
    rows = []
    for message in sorted(definition.messages, key=lambda message: message.kind):
        way = "host → device" if message.from_host else "device → host"
        reply = f"`{_wire_name(by_name[message.reply])}`" if message.reply else ""
        size = f"{message.fixed_bytes}" + (" and more" if message.tail else "")
        rows.append((f"`{message.kind:02X}`", f"`{_wire_name(message)}`", way, message.lane, reply, size))
    return _table(("kind", "message", "way", "lane", "answer", "payload bytes"), rows)


def _enum_section(enum: Enum) -> str:
    rows = [(f"`0x{n:04X}`" if enum.flags else str(n), f"`{name}`") for name, n in enum.values.items()]
    return f"**{enum.name}**: {enum.doc}\n\n" + _table(("bit" if enum.flags else "number", "name"), rows)


def _message_section(definition: Definition, message: Message) -> str:
    title = f"**`{_wire_name(message)}`** `{message.kind:02X}`: {message.doc}\n\n"
    if not message.fields:
        return title + "No payload.\n"
    rows, offset = [], 0
    for field in message.fields:
        doc = f"{field.doc} (`{field.of}`)" if field.of else field.doc
        if field.varies and message.most:
            doc += (
                f"; at most {definition.limit(message.most)} {'pairs' if field.type == 'pairs' else 'bytes'}"
            )
        rows.append((str(offset), field.type, f"`{field.name}`", doc))
        offset += field.size
    return title + _table(("payload offset", "type", "field", "meaning"), rows)


def tables(definition: Definition) -> dict[str, str]:
    """Each table by the name of its marker."""
    version = f"Version {definition.major}.{definition.minor}, definition digest `{definition.digest}`.\n"
    return {
        "version": version,
        "limits": limits_table(definition.limits),
        "sheet": limits_table(definition.sheet),
        "kinds": kinds_table(definition),
        "enums": "\n".join(_enum_section(enum) for enum in definition.enums),
        "messages": "\n".join(_message_section(definition, message) for message in definition.messages),
    }


def with_tables(text: str, definition: Definition) -> str:
    """The text with every marked stretch replaced.

    Raises:
        MarkerError: a table has no marker in the text.
    """
    filled = tables(definition)
    missing = set(filled) - {match["name"] for match in MARK.finditer(text)}
    if missing:
        raise MarkerError(f"PROTOCOL.md has no marker for {', '.join(sorted(missing))}")
    return MARK.sub(lambda match: f"{match[1]}\n{filled[match['name']]}\n{match[3]}", text)
