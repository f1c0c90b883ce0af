"""Writes `nightturn_protocol/messages.py`, already laid out as the formatter would."""

from generator.definition import SCALARS, Definition, Enum, Field, Message, snake

LINE = 110
TYPES = {"pairs": "tuple[tuple[int, float], ...]", "f32": "float", "rest": "bytes"}

PRELUDE = '''\
"""Kinds, enums, flags, limits and messages of the {name} {major}.{minor}."""

import struct
from dataclasses import dataclass
from enum import IntEnum, IntFlag, StrEnum
from typing import Any, ClassVar, Self, TypeAlias

from nightturn_protocol.errors import LocalProtocolError, MalformedError
'''

SUPPORT = """\
def _pack(name: str, layout: struct.Struct, *values: object) -> bytes:
    try:
        return layout.pack(*values)
    except (struct.error, OverflowError) as error:
        raise LocalProtocolError(f"{name}: {error}") from error


def _unpack(name: str, layout: struct.Struct, payload: bytes) -> tuple[Any, ...]:
    if len(payload) < layout.size:
        raise MalformedError(f"{name}: {len(payload)} bytes of payload, {layout.size} needed")
    return layout.unpack_from(payload)


def _at_most(name: str, value: bytes, most: int) -> bytes:
    if len(value) > most:
        raise LocalProtocolError(f"{name}: {len(value)} bytes, at most {most}")
    return value


_PAIR = struct.Struct("<Bf")


def _pack_pairs(name: str, pairs: tuple[tuple[int, float], ...], most: int) -> bytes:
    if len(pairs) > most:
        raise LocalProtocolError(f"{name}: {len(pairs)} pairs, at most {most}")
    return bytes((len(pairs),)) + b"".join(_pack(name, _PAIR, *pair) for pair in pairs)


def _unpack_pairs(name: str, payload: bytes, offset: int, most: int) -> tuple[tuple[int, float], ...]:
    count = payload[offset] if offset < len(payload) else -1
    if not 0 <= count <= most or len(payload) < offset + 1 + count * _PAIR.size:
        raise MalformedError(f"{name}: {count} pairs in {len(payload)} bytes of payload, at most {most}")
    return tuple(_PAIR.iter_unpack(payload[offset + 1 : offset + 1 + count * _PAIR.size]))
"""


def _call(indent: int, head: str, arguments: list[str], close: str) -> list[str]:
    """`head(arguments)close` on one line when it fits, else one argument a line."""
    pad = " " * indent
    line = f"{pad}{head}({', '.join(arguments)}){close}"
    if len(line) <= LINE:
        return [line]
    inner = f"{pad}    {', '.join(arguments)}"
    if not head.startswith("return _pack") and len(inner) <= LINE:
        return [f"{pad}{head}(", inner, f"{pad}){close}"]
    return [f"{pad}{head}(", *(f"{pad}    {argument}," for argument in arguments), f"{pad}){close}"]


def layout(message: Message) -> str:
    """The `struct` format of the fixed fields."""
    return "<" + "".join(
        f"{field.size}s" if field.is_bytes else SCALARS[field.type][0] for field in message.fixed
    )


def _python_type(field: Field) -> str:
    return "bytes" if field.is_bytes else TYPES.get(field.type, "int")


def _doc_of(field: Field) -> str:
    return f"{field.doc} (`{field.of}`)." if field.of else f"{field.doc}."


def _enum(enum: Enum) -> list[str]:
    base = "IntFlag" if enum.flags else "IntEnum"
    lines = [f"class {enum.name}({base}):", f'    """{enum.doc}"""', ""]
    lines += [f"    {name} = {number}" for name, number in enum.values.items()]
    return [*lines, "", ""]


def _encode(message: Message, const: str) -> list[str]:
    values = []
    for field in message.fixed:
        value = f"self.{field.name}"
        values.append(
            f'_at_most("{message.name}.{field.name}", {value}, {field.size})' if field.is_bytes else value
        )
    pack = _call(8, "return _pack", [f'"{message.name}"', const, *values], "")
    tail = message.tail
    if tail is not None:
        value = f"self.{tail.name}"
        if tail.type == "pairs":
            value = f'_pack_pairs("{message.name}", {value}, {message.most.upper()})'
        elif message.most:
            value = f'_at_most("{message.name}.{tail.name}", {value}, {message.most.upper()})'
        pack = _call(8, "head = _pack", [f'"{message.name}"', const, *values], "")
        if message.planar is not None:
            planar = message.planar
            pack = [
                f"        fault = {snake(message.name)}_fault(self.{planar.count}, self.{planar.form}, len(self.{tail.name}))",
                "        if fault:",
                "            raise LocalProtocolError(fault)",
                *pack,
            ]
        pack += [f"        return head + {value}"]
    return [
        "    def encode(self) -> bytes:",
        '        """The payload; LocalProtocolError when a value does not fit."""',
        *pack,
        "",
    ]


def _decode(message: Message, const: str) -> list[str]:
    lines = [
        "    @classmethod",
        "    def decode(cls, payload: bytes) -> Self:",
        '        """From a payload; MalformedError when it is too short or its counts do not fit."""',
    ]
    unpack = f'_unpack("{message.name}", {const}, payload)'
    tail = message.tail
    if tail is None:
        return [*lines, f"        return cls(*{unpack})"]
    lines.append(f"        fixed = {unpack}")
    size = message.fixed_bytes
    if tail.type == "pairs":
        value = f'_unpack_pairs("{message.name}", payload, {size}, {message.most.upper()})'
        return [*lines, f"        values: tuple[Any, ...] = (*fixed, {value})", "        return cls(*values)"]
    lines.append(f"        {tail.name} = payload[{size}:]")
    if message.planar is not None:
        names = [field.name for field in message.fixed]
        count, form = names.index(message.planar.count), names.index(message.planar.form)
        lines += [
            f"        fault = {snake(message.name)}_fault(fixed[{count}], fixed[{form}], len({tail.name}))",
            "        if fault:",
            "            raise MalformedError(fault)",
        ]
    elif message.most:
        lines += [
            f"        if len({tail.name}) > {message.most.upper()}:",
            f'            raise MalformedError(f"{message.name}.{tail.name}: {{len({tail.name})}} bytes, at most {{{message.most.upper()}}}")',
        ]
    return [*lines, f"        values: tuple[Any, ...] = (*fixed, {tail.name})", "        return cls(*values)"]


def _planar(message: Message) -> list[str]:
    planar = message.planar
    if planar is None:
        return []
    upper, widths = (
        message.name.upper(),
        ", ".join(f"{planar.form_enum}.{name}: {width}" for name, width in planar.encoder_bytes.items()),
    )
    return [
        f"{upper}_TORQUE_BYTES = {planar.torque_bytes}",
        f"{upper}_ENCODER_BYTES: dict[int, int] = {{{widths}}}",
        "",
        "",
        f"def {snake(message.name)}_fault(count: int, form: int, sample_bytes: int) -> str:",
        f'    """Why `sample_bytes` cannot be the samples of a {message.name}, "" when they can."""',
        f"    width = {upper}_ENCODER_BYTES.get(form)",
        "    if width is None:",
        f'        return f"{message.name}: no {planar.form_enum} has the number {{form}}"',
        f"    if not 1 <= count <= {planar.count_max.upper()}:",
        f'        return f"{message.name}: {{count}} samples, 1 to {{{planar.count_max.upper()}}} allowed"',
        f"    if count * ({upper}_TORQUE_BYTES + width) != sample_bytes:",
        f'        return f"{message.name}: {{count}} samples do not fill {{sample_bytes}} bytes"',
        '    return ""',
        "",
        "",
    ]


def _message(message: Message, by_name: dict[str, Message]) -> list[str]:
    const = f"{snake(message.name).upper()}_HEADER" if message.planar else f"_{snake(message.name).upper()}"
    reply = f"0x{by_name[message.reply].kind:02X}" if message.reply else "None"
    lines = [f'{const} = struct.Struct("{layout(message)}")', *_planar(message)]
    if message.planar is None:
        lines += ["", ""]
    lines += ["@dataclass(frozen=True, slots=True)", f"class {message.name}:"]
    if message.fields:
        lines += [f'    """{message.doc}', "", "    Attributes:"]
        lines += [f"        {field.name}: {_doc_of(field)}" for field in message.fields]
        lines += ['    """', ""]
    else:
        lines += [f'    """{message.doc}"""', ""]
    lines += [
        f"    KIND: ClassVar[int] = 0x{message.kind:02X}",
        f"    LANE: ClassVar[Lane] = Lane.{message.lane.upper()}",
        f"    FROM_HOST: ClassVar[bool] = {message.from_host}",
        f"    REPLY_KIND: ClassVar[int | None] = {reply}",
        "",
    ]
    if message.fields:
        lines += [f"    {field.name}: {_python_type(field)}" for field in message.fields] + [""]
    return [*lines, *_encode(message, const), *_decode(message, const), "", ""]


def python_module(definition: Definition) -> str:
    """The text of `messages.py`."""
    by_name = {message.name: message for message in definition.messages}
    names = [message.name for message in definition.messages]
    prelude = PRELUDE.format(name=definition.name, major=definition.major, minor=definition.minor)
    lines = ["# generated by protocol/generate.py from definition.toml; do not edit", prelude]
    lines += [f"MAJOR = {definition.major}", f"MINOR = {definition.minor}"]
    lines += [f'DEFINITION_DIGEST = "{definition.digest}"']
    for limits in (definition.limits, definition.sheet):
        lines += ["", *(f"{limit.name.upper()} = {limit.value}  # {limit.doc}" for limit in limits)]
    lines += [
        "",
        "",
        "class Lane(StrEnum):",
        '    """How a kind is carried: resent by number, retried, or best effort."""',
        "",
    ]
    lines += ['    DATA = "data"', '    CONTROL = "control"', '    NOTICE = "notice"', "", ""]
    for enum in definition.enums:
        lines += _enum(enum)
    lines += [SUPPORT, ""]
    for message in definition.messages:
        lines += _message(message, by_name)
    lines += ["Message: TypeAlias = (", f"    {names[0]}", *(f"    | {name}" for name in names[1:]), ")", ""]
    lines += ["BY_KIND: dict[int, type[Message]] = {", *(f"    {name}.KIND: {name}," for name in names), "}"]
    return "\n".join(lines) + "\n"
