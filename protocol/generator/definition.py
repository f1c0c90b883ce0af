"""The wire definition as values, read from TOML and checked."""

import hashlib
import json
import re
from dataclasses import dataclass
from typing import Any

# type name -> (struct format, bytes, C type)
SCALARS: dict[str, tuple[str, int, str]] = {
    "u8": ("B", 1, "uint8_t"),
    "u16": ("H", 2, "uint16_t"),
    "u32": ("I", 4, "uint32_t"),
    "u64": ("Q", 8, "uint64_t"),
    "i32": ("i", 4, "int32_t"),
    "i64": ("q", 8, "int64_t"),
    "f32": ("f", 4, "float"),
}
LANES = ("data", "control", "notice")
DIRECTIONS = ("host", "device")
SHEET = "sheet"  # the table of its bounds


class DefinitionError(Exception):
    """The definition contradicts itself."""


@dataclass(frozen=True, slots=True)
class Field:
    """One field: `size` bytes on the wire, 0 for the two that vary ("rest", "pairs")."""

    name: str
    type: str
    size: int
    doc: str
    of: str

    @property
    def varies(self) -> bool:
        """True for "rest" and "pairs"."""
        return self.type in {"rest", "pairs"}

    @property
    def is_bytes(self) -> bool:
        """True for "bytes N"."""
        return self.type.startswith("bytes ")


@dataclass(frozen=True, slots=True)
class Enum:
    """Named numbers; `flags` when they are bits that combine."""

    name: str
    doc: str
    values: dict[str, int]
    flags: bool


@dataclass(frozen=True, slots=True)
class Limit:
    """A named number that both sides keep to."""

    name: str
    value: int
    doc: str


@dataclass(frozen=True, slots=True)
class Planar:
    """What a "rest" holds: `count` torque values, then `count` encoder values of a width that `form` names."""

    count: str
    count_max: str
    torque_bytes: int
    form: str
    form_enum: str
    encoder_bytes: dict[str, int]


@dataclass(frozen=True, slots=True)
class Message:
    """One kind of frame."""

    name: str
    kind: int
    from_host: bool
    lane: str
    doc: str
    reply: str
    fields: tuple[Field, ...]
    most: str
    planar: Planar | None

    @property
    def fixed(self) -> tuple[Field, ...]:
        """The fields whose size never varies."""
        return tuple(field for field in self.fields if not field.varies)

    @property
    def tail(self) -> Field | None:
        """The last field when its size varies."""
        return self.fields[-1] if self.fields and self.fields[-1].varies else None

    @property
    def fixed_bytes(self) -> int:
        """Bytes of the fixed fields."""
        return sum(field.size for field in self.fixed)


@dataclass(frozen=True, slots=True)
class Definition:
    """The whole wire; `digest` covers everything but the documentation and the bounds of the sheet.

    `sheet` holds these bounds and the schema they belong to; empty in definitions from before they stood there.
    """

    name: str
    major: int
    minor: int
    limits: tuple[Limit, ...]
    sheet: tuple[Limit, ...]
    enums: tuple[Enum, ...]
    messages: tuple[Message, ...]
    digest: str

    def limit(self, name: str) -> int:
        """The value of a limit.

        Raises:
            DefinitionError: no limit of that name.
        """
        for limit in self.limits:
            if limit.name == name:
                return limit.value
        raise DefinitionError(f"no limit is called {name}")

    def enum(self, name: str) -> Enum:
        """An enum or flags by name.

        Raises:
            DefinitionError: none of that name.
        """
        for enum in self.enums:
            if enum.name == name:
                return enum
        raise DefinitionError(f"no enum or flags is called {name}")


def snake(name: str) -> str:
    """`SheetPart` as `sheet_part`."""
    return re.sub(r"(?<!^)(?=[A-Z])", "_", name).lower()


def _field(message: str, row: list[str]) -> Field:
    if len(row) not in {3, 4}:
        raise DefinitionError(
            f"{message}: a field is [name, type, doc] or [name, type, doc, enum], not {row}"
        )
    name, kind, doc = row[:3]
    of = row[3] if len(row) == 4 else ""
    if kind in SCALARS:
        size = SCALARS[kind][1]
    elif kind in {"rest", "pairs"}:
        size = 0
    elif re.fullmatch(r"bytes [1-9][0-9]*", kind):
        size = int(kind.split()[1])
    else:
        raise DefinitionError(f"{message}.{name}: no type is called {kind!r}")
    return Field(name=name, type=kind, size=size, doc=doc, of=of)


def _limits(table: dict[str, Any]) -> tuple[Limit, ...]:
    return tuple(Limit(name, entry["value"], entry["doc"]) for name, entry in table.items())


def _message(table: dict[str, Any], enums: dict[str, Enum]) -> Message:
    name = table["name"]
    fields = tuple(_field(name, row) for row in table["fields"])
    planar = None
    if "planar" in table:
        form = next((field for field in fields if field.name == table["planar"]["form"]), None)
        if form is None or form.of not in enums:
            raise DefinitionError(f"{name}: the form of `planar` must be a field that names its enum")
        planar = Planar(form_enum=form.of, **table["planar"])
    return Message(
        name=name,
        kind=table["kind"],
        from_host=table["direction"] == "host",
        lane=table["lane"],
        doc=table["doc"],
        reply=table.get("reply", ""),
        fields=fields,
        most=table.get("most", ""),
        planar=planar,
    )


def _without_doc(value: object) -> object:
    if isinstance(value, dict):
        return {
            key: [[row[0], row[1], *row[3:]] for row in inner] if key == "fields" else _without_doc(inner)
            for key, inner in value.items()
            if key != "doc"
        }
    if isinstance(value, list):
        return [_without_doc(inner) for inner in value]
    return value


def digest_of(table: dict[str, Any]) -> str:
    """SHA-256, in hex, of the definition's canonical JSON without its documentation and the bounds of the sheet."""
    frames = {key: value for key, value in table.items() if key != SHEET}
    text = json.dumps(_without_doc(frames), sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def parse(table: dict[str, Any]) -> Definition:
    """The definition of a TOML table, checked by `check`.

    Raises:
        DefinitionError: the first rule that is broken.
    """
    enums = tuple(
        Enum(name=entry["name"], doc=entry["doc"], values=entry["values"], flags=flags)
        for key, flags in (("enum", False), ("flags", True))
        for entry in table.get(key, [])
    )
    by_name = {enum.name: enum for enum in enums}
    for entry in table["message"]:
        if entry["direction"] not in DIRECTIONS or entry["lane"] not in LANES:
            raise DefinitionError(f"{entry['name']}: direction is one of {DIRECTIONS}, lane one of {LANES}")
    definition = Definition(
        name=table["wire"]["name"],
        major=table["wire"]["major"],
        minor=table["wire"]["minor"],
        limits=_limits(table["limits"]),
        sheet=_limits(table.get(SHEET, {})),
        enums=enums,
        messages=tuple(_message(entry, by_name) for entry in table["message"]),
        digest=digest_of(table),
    )
    check(definition)
    return definition


def check(definition: Definition) -> None:
    """Refuses a definition that contradicts itself.

    Raises:
        DefinitionError: the first rule that is broken.
    """
    _check_unique(definition)
    for enum in definition.enums:
        _check_enum(enum)
    for message in definition.messages:
        _check_fields(definition, message)
        _check_tail(definition, message)
        _check_reply(definition, message)


def _check_unique(definition: Definition) -> None:
    for what, values in (
        ("kind", [f"0x{message.kind:02X}" for message in definition.messages]),
        ("message", [message.name for message in definition.messages]),
        ("enum", [enum.name for enum in definition.enums]),
        ("limit", [limit.name for limit in (*definition.limits, *definition.sheet)]),
    ):
        twice = sorted({value for value in values if values.count(value) > 1})
        if twice:
            raise DefinitionError(f"{what} {twice[0]} is defined twice")
    if not (0 < definition.major < 16 and 0 <= definition.minor < 256):
        raise DefinitionError("major is 1 to 15 and minor 0 to 255")


def _check_enum(enum: Enum) -> None:
    numbers = list(enum.values.values())
    if len(set(numbers)) != len(numbers):
        raise DefinitionError(f"{enum.name}: two names have the same number")
    if enum.flags and any(number <= 0 or number & (number - 1) for number in numbers):
        raise DefinitionError(f"{enum.name}: each flag is one bit")


def _check_fields(definition: Definition, message: Message) -> None:
    names = [field.name for field in message.fields]
    if len(set(names)) != len(names):
        raise DefinitionError(f"{message.name}: two fields have the same name")
    if not 0 < message.kind < 256:
        raise DefinitionError(f"{message.name}: kind is 1 to 255")
    offset = 0
    for position, field in enumerate(message.fields):
        if field.varies and position != len(message.fields) - 1:
            raise DefinitionError(f"{message.name}.{field.name}: a {field.type!r} must be the last field")
        if field.type in SCALARS and offset % field.size:
            raise DefinitionError(
                f"{message.name}.{field.name}: offset {offset} is not aligned to {field.size}"
            )
        if field.of:
            _check_enum_fits(definition, message, field)
        offset += field.size


def _check_enum_fits(definition: Definition, message: Message, field: Field) -> None:
    largest = max(definition.enum(field.of).values.values())
    if not field.type.startswith("u") or largest >= 1 << (8 * field.size):
        raise DefinitionError(f"{message.name}.{field.name}: a {field.type} cannot hold {field.of}")


def _check_tail(definition: Definition, message: Message) -> None:
    room = definition.limit("frame_bytes_max") - definition.limit("frame_bytes_min")
    tail = message.tail
    if message.most and tail is None:
        raise DefinitionError(f"{message.name}: `most` needs a field whose size varies")
    if tail is not None and tail.type == "pairs" and not message.most:
        raise DefinitionError(f"{message.name}: pairs need `most`")
    longest = message.fixed_bytes
    if message.most:
        most = definition.limit(message.most)
        longest += most if tail is not None and tail.type == "rest" else 1 + 5 * most
    if message.planar is not None:
        planar = message.planar
        if set(planar.encoder_bytes) != set(definition.enum(planar.form_enum).values):
            raise DefinitionError(f"{message.name}: `planar` must give a width for every {planar.form_enum}")
        widest = planar.torque_bytes + max(planar.encoder_bytes.values())
        longest += widest * definition.limit(planar.count_max)
    if longest > room:
        raise DefinitionError(f"{message.name}: {longest} bytes of payload do not fit {room}")


def _check_reply(definition: Definition, message: Message) -> None:
    if not message.reply:
        return
    for other in definition.messages:
        if other.name == message.reply:
            if other.from_host == message.from_host or other.lane != message.lane:
                raise DefinitionError(
                    f"{message.name}: its reply {other.name} goes the same way or on another lane"
                )
            return
    raise DefinitionError(f"{message.name}: no message is called {message.reply}, its reply")
