"""Reads the shared vectors and turns their field values into those of the Python messages."""

import json
import struct
from functools import cache
from pathlib import Path
from typing import Any

from nightturn_protocol.messages import BY_KIND, Message

ROOM = Path(__file__).resolve().parents[2] / "protocol"
BY_NAME = {message.__name__: message for message in BY_KIND.values()}


@cache
def lines(name: str) -> list[dict[str, Any]]:
    """The objects of one vector file."""
    text = (ROOM / "vectors" / name).read_text(encoding="utf-8")
    return [json.loads(line) for line in text.splitlines()]


def float_of(bits: str) -> float:
    """`0x3f800000` as 1.0."""
    value: float = struct.unpack("<f", int(bits, 16).to_bytes(4, "little"))[0]
    return value


def message_of(line: dict[str, Any]) -> Message:
    """The message a line of messages.jsonl describes."""
    values: dict[str, Any] = {}
    for name, value in line["fields"].items():
        if isinstance(value, list):
            values[name] = tuple((number, float_of(bits)) for number, bits in value)
        elif isinstance(value, str):
            values[name] = float_of(value) if value.startswith("0x") else bytes.fromhex(value)
        else:
            values[name] = value
    return BY_NAME[line["message"]](**values)
