"""A second, slow implementation of the wire for the vectors; it shares nothing with `nightturn_protocol`.

Written straight from the definition with `int.to_bytes`, so that vectors are not the echo of the code they test.
"""

from generator.definition import Definition, Message

CRC_POLYNOMIAL = 0x82F63B78  # 1EDC6F41 reflected


def crc32c(data: bytes) -> int:
    """CRC-32C, one bit at a time."""
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ (CRC_POLYNOMIAL if crc & 1 else 0)
    return crc ^ 0xFFFFFFFF


def cobs(data: bytes) -> bytes:
    """COBS without the delimiter; a run of 254 is followed by no redundant group."""
    out = bytearray()
    groups = data.split(b"\0")
    for number, group in enumerate(groups):
        rest = group
        while len(rest) > 254 or (len(rest) == 254 and number == len(groups) - 1):
            out += b"\xff" + rest[:254]
            rest = rest[254:]
            if not rest:
                return bytes(out)
        if len(rest) == 254:
            out += b"\xff" + rest
            rest = b""
        out += bytes((len(rest) + 1,)) + rest
    return bytes(out)


def wire(body: bytes) -> bytes:
    """CRC, COBS and delimiter."""
    return cobs(body + crc32c(body).to_bytes(4, "little")) + b"\0"


def header(kind: int, session: int, seq: int, major: int) -> bytes:
    """The eight bytes before the payload."""
    return bytes((major << 4, kind)) + session.to_bytes(2, "little") + seq.to_bytes(4, "little")


def field_bytes(kind: str, value: object) -> bytes:
    """One field, from the value as the vectors write it (floats as `0x` and their bits, bytes as hex)."""
    if isinstance(value, int):
        return value.to_bytes(int(kind[1:]) // 8, "little", signed=kind.startswith("i"))
    if isinstance(value, list):
        pairs = [bytes((number,)) + field_bytes("f32", bits) for number, bits in value]
        return bytes((len(pairs),)) + b"".join(pairs)
    text = str(value)
    return int(text, 16).to_bytes(4, "little") if kind == "f32" else bytes.fromhex(text)


def payload(message: Message, fields: dict[str, object]) -> bytes:
    """The payload of a message."""
    return b"".join(field_bytes(field.type, fields[field.name]) for field in message.fields)


def body(
    definition: Definition, message: Message, fields: dict[str, object], session: int, seq: int
) -> bytes:
    """Header and payload of a message."""
    return header(message.kind, session, seq, definition.major) + payload(message, fields)
