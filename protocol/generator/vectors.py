"""The message vectors: every message with zeros, extremes, each enum value and some numbers from a fixed seed."""

import hashlib
import json
from collections.abc import Callable, Iterator

from generator.definition import Definition, Field, Message
from generator.reference import body, wire

SEED = b"nightturn wire vectors"
FLOATS = {
    "one": 0x3F800000,
    "minus zero": 0x80000000,
    "smallest": 0x00000001,
    "largest": 0x7F7FFFFF,
    "lowest": 0xFF7FFFFF,
    "infinity": 0x7F800000,
    "minus infinity": 0xFF800000,
    "NaN": 0x7FC00000,
}


class Chance:
    """Bytes that are the same on every machine and in every version: SHA-256 over the seed and a counter."""

    def __init__(self, seed: bytes) -> None:
        self._seed = seed
        self._count = 0

    def bytes(self, length: int) -> bytes:
        """The next bytes."""
        out = b""
        while len(out) < length:
            out += hashlib.sha256(self._seed + self._count.to_bytes(8, "little")).digest()
            self._count += 1
        return out[:length]

    def below(self, end: int) -> int:
        """A number from 0 to end - 1."""
        return int.from_bytes(self.bytes(8), "little") % end


def _float(bits: int) -> str:
    return f"0x{bits:08x}"


def _scalar(field: Field, how: str, chance: Chance) -> object:
    """A value for one field: "zero", "low", "high" or "random"."""
    if field.is_bytes:
        fill = {"zero": bytes(field.size), "low": bytes(field.size), "high": b"\xff" * field.size}
        return fill.get(how, chance.bytes(field.size)).hex()
    if field.type == "f32":
        bits = {"zero": 0, "low": FLOATS["lowest"], "high": FLOATS["largest"]}
        return _float(bits.get(how, 0x3F000000 | chance.below(1 << 23)))
    signed = field.type.startswith("i")
    width = 8 * field.size
    low = -(1 << (width - 1)) if signed else 0
    high = (1 << (width - signed)) - 1
    return {"zero": 0, "low": low, "high": high}.get(how, low + chance.below(high - low + 1))


def _fields(definition: Definition, message: Message, how: str, chance: Chance) -> dict[str, object]:
    values = {field.name: _scalar(field, how, chance) for field in message.fixed}
    tail = message.tail
    if message.planar is not None:
        return values | _samples(message, "DELTA16", 10, definition, chance.bytes)
    if tail is not None:
        most = definition.limit(message.most)
        count = {"zero": 0, "low": 1, "high": most}.get(how, chance.below(most + 1))
        pairs = [[number, _float(0x3F800000 + number)] for number in range(count)]
        values[tail.name] = chance.bytes(count).hex() if tail.type == "rest" else pairs
    return values


def _samples(
    message: Message, form: str, count: int, definition: Definition, fill: Callable[[int], bytes]
) -> dict[str, object]:
    planar, tail = message.planar, message.tail
    assert planar is not None
    assert tail is not None
    length = count * (planar.torque_bytes + planar.encoder_bytes[form])
    return {
        planar.count: count,
        planar.form: definition.enum(planar.form_enum).values[form],
        tail.name: fill(length).hex(),
    }


def _edges(
    definition: Definition, message: Message, chance: Chance
) -> Iterator[tuple[str, dict[str, object]]]:
    """Field values that take each enum through its values and each float through its oddities."""
    form = message.planar.form if message.planar is not None else ""
    for field in message.fixed:
        if field.of and field.name != form:
            numbers = definition.enum(field.of).values
            beyond = max(numbers.values()) + 1
            for name, number in [*numbers.items(), ("no such value", beyond)]:
                if number < 1 << (8 * field.size):
                    values = _fields(definition, message, "random", chance)
                    yield f"{field.name} {name}", values | {field.name: number}
        if field.type == "f32":
            for name, bits in FLOATS.items():
                yield (
                    f"{field.name} {name}",
                    _fields(definition, message, "random", chance) | {field.name: _float(bits)},
                )
    if message.tail is not None and message.tail.type == "pairs":
        pairs = [[number, _float(bits)] for number, bits in enumerate(FLOATS.values())]
        yield (
            f"{message.tail.name} odd floats",
            _fields(definition, message, "zero", chance) | {message.tail.name: pairs},
        )


def _lengths(
    definition: Definition, message: Message, chance: Chance
) -> Iterator[tuple[str, dict[str, object]]]:
    """Samples from one to as many as fit, in each encoder form."""
    if message.planar is None:
        return
    most = definition.limit(message.planar.count_max)
    longest = definition.limit("data_frame_bytes") - definition.limit("frame_bytes_min") - message.fixed_bytes
    for form_name, width in message.planar.encoder_bytes.items():
        fits = min(most, longest // (message.planar.torque_bytes + width))
        for count, fill in (
            (1, chance.bytes),
            (2, bytes),
            (fits, lambda n: b"\xff" * n),
            (fits, chance.bytes),
        ):
            values = _fields(definition, message, "random", chance)
            yield f"{form_name} {count}", values | _samples(message, form_name, count, definition, fill)


def message_vectors(definition: Definition) -> list[dict[str, object]]:
    """Each message in many forms: field values, body and wire bytes in hex; floats as their bits, bytes as hex."""
    chance = Chance(SEED)
    lines: list[dict[str, object]] = []
    for message in definition.messages:
        cases = [
            (how, _fields(definition, message, how, chance))
            for how in ("zero", "low", "high", "random", "random")
        ]
        if not message.fields:
            del cases[1:]
        for case, fields in [
            *cases,
            *_edges(definition, message, chance),
            *_lengths(definition, message, chance),
        ]:
            session, seq = (0, 0) if case == "zero" else (chance.below(1 << 16), chance.below(1 << 32))
            content = body(definition, message, fields, session, seq)
            lines.append(
                {
                    "message": message.name,
                    "case": case,
                    "session": session,
                    "seq": seq,
                    "fields": fields,
                    "body": content.hex(),
                    "wire": wire(content).hex(),
                }
            )
    return lines


def jsonl(lines: list[dict[str, object]]) -> str:
    """One JSON object a line."""
    return "".join(json.dumps(line, ensure_ascii=False) + "\n" for line in lines)
