"""The vectors below the messages: COBS, CRC, whole frames, bad frames, and streams of bytes with what comes out."""

from generator.definition import Definition
from generator.reference import body, cobs, crc32c, header, wire
from generator.vectors import SEED, Chance
from nightturn_protocol.pattern import pattern_encoder, pattern_torque

COUNTERS = ("frames", "bad_cobs", "bad_crc", "undersize", "oversize", "torn")
Line = dict[str, object]


def _small(definition: Definition, seq: int) -> bytes:
    message = next(message for message in definition.messages if message.name == "Sheet")
    return body(definition, message, {"offset": 512 * seq}, 0x1234, seq)


def framing_vectors(definition: Definition) -> list[Line]:
    """COBS pairs, CRC pairs and frames of every awkward length."""
    chance = Chance(SEED + b" framing")
    plain = {
        "empty": b"",
        "one zero": b"\0",
        "two zeros": b"\0\0",
        "all zero": bytes(520),
        "zero inside": b"\x11\x22\0\x33",
        "zeros at the end": b"\x11\0\0\0",
        "no zero": b"\x11\x22\x33\x44",
        "01 to FE": bytes(range(1, 255)),
        "00 to FE": bytes(range(255)),
        "01 to FF": bytes(range(1, 256)),
        "02 to FF, 00": bytes(range(2, 256)) + b"\0",
        "03 to FF, 00, 01": bytes(range(3, 256)) + b"\0\x01",
    }
    for length in (253, 254, 255, 508, 509, 1024):
        plain[f"{length} without a zero"] = b"\xa5" * length
        plain[f"{length} without a zero, then one"] = b"\xa5" * (length - 1) + b"\0"
    lines: list[Line] = [
        {"what": "cobs", "case": k, "plain": v.hex(), "coded": cobs(v).hex()} for k, v in plain.items()
    ]
    for length in (0, 1, 9, 32, 655):
        data = chance.bytes(length)
        lines.append(
            {"what": "crc", "case": f"{length} bytes", "plain": data.hex(), "crc32c": f"{crc32c(data):08x}"}
        )
    longest = definition.limit("frame_bytes_max") - 4
    for length in (8, 9, 253, 254, 255, 508, longest):
        for name, fill in (("random", chance.bytes), ("zero", bytes), ("ff", lambda n: b"\xff" * n)):
            content = header(0x7F, 1, 2, definition.major) + fill(length - 8)
            lines.append(
                {
                    "what": "frame",
                    "case": f"{name} {length}",
                    "body": content.hex(),
                    "wire": wire(content).hex(),
                }
            )
    for index in (0, 1, 2, 1000, (1 << 32) - 1, 1 << 32, (1 << 40) + 12345):
        values = {"torque": pattern_torque(index), "encoder": pattern_encoder(index)}
        lines.append({"what": "pattern", "case": str(index), "index": index, **values})
    return lines


def bad_vectors(definition: Definition) -> list[Line]:
    """Pieces a receiver must drop with the counter that moves, and bodies it must not take with the reason."""
    return [*_bad_pieces(definition), *_bad_bodies(definition)]


def _bad_pieces(definition: Definition) -> list[Line]:
    """What stands between two delimiters and is no frame."""
    good = wire(_small(definition, 3))
    flipped = bytearray(good)
    flipped[1] ^= 0x80
    too_long = header(0x7F, 1, 2, definition.major) + b"\x55" * (definition.limit("frame_bytes_max") - 3 - 8)
    pieces = {
        "bad_crc": {
            "one bit flipped": bytes(flipped),
            "all zero": cobs(bytes(16)) + b"\0",
            "CRC big-endian": cobs(_small(definition, 3) + crc32c(_small(definition, 3)).to_bytes(4, "big"))
            + b"\0",
        },
        "bad_cobs": {"truncated": good[:5] + b"\0", "only a code": b"\x05\0", "modem probe": b"AT\r\0"},
        "undersize": {
            "truncated behind a group": good[:6] + b"\0",
            "CRC of nothing": cobs(bytes(4)) + b"\0",
            "header only": cobs(_small(definition, 3)[:8]) + b"\0",
        },
        "oversize": {
            "one byte too long": wire(too_long),
            "long run": b"\x55" * 3000 + b"\0",
            "exactly the limit without delimiter": b"\xff" * definition.limit("wire_bytes_max") + b"\0",
        },
    }
    lines: list[Line] = [
        {"what": "piece", "case": case, "wire": data.hex(), "counters": {counter: 1}}
        for counter, cases in pieces.items()
        for case, data in cases.items()
    ]
    inside = good[:5] + b"\0" + good[6:]
    lines.append(
        {
            "what": "piece",
            "case": "00 inside",
            "wire": inside.hex(),
            "counters": {"bad_cobs": 1, "undersize": 1},
        }
    )
    return lines


def _bad_bodies(definition: Definition) -> list[Line]:
    """Whole frames that must not be taken."""
    block = next(message for message in definition.messages if message.planar is not None)
    names = {message.name: message for message in definition.messages}
    lines: list[Line] = []
    samples = bytes(36)
    samples = samples[:24] + (2).to_bytes(2, "little") + samples[26:27] + b"\x01" + samples[28:]
    bodies: list[tuple[str, str, int, bytes]] = [
        ("malformed", "a byte short", names["Open"].kind, bytes(names["Open"].fixed_bytes - 1)),
        ("malformed", "empty", names["Status"].kind, b""),
        ("malformed", "samples a byte short", block.kind, samples + bytes(9)),
        ("malformed", "samples a byte long", block.kind, samples + bytes(11)),
        ("malformed", "no samples", block.kind, samples[:24] + bytes(2) + samples[26:]),
        ("malformed", "no such encoder form", block.kind, samples[:27] + b"\x07" + samples[28:] + bytes(10)),
        ("malformed", "pairs short", names["Slow"].kind, bytes(8) + b"\x02" + bytes(9)),
        ("malformed", "too many pairs", names["Slow"].kind, bytes(8) + b"\x21" + bytes(5 * 33)),
        ("malformed", "pairs without a count", names["Slow"].kind, bytes(8)),
        ("malformed", "part too long", names["SheetPart"].kind, bytes(8 + 513)),
        ("unknown", "may be ignored", 0x7E, b"\x01\x02"),
        ("unknown", "must be understood", 0xFE, b"\x01\x02"),
        ("tail", "a field from a later minor version", names["Sheet"].kind, bytes(5)),
    ]
    for fault, case, kind, payload in bodies:
        content = header(kind, 1, 2, definition.major) + payload
        lines.append(
            {"what": "body", "case": case, "body": content.hex(), "wire": wire(content).hex(), "fault": fault}
        )
    other = header(names["Halt"].kind, 1, 2, definition.major + 1)
    lines.append(
        {
            "what": "body",
            "case": "other major",
            "body": other.hex(),
            "wire": wire(other).hex(),
            "fault": "version",
        }
    )
    return lines


def stream_vectors(definition: Definition) -> list[Line]:
    """Bytes as they come from a line, the bodies in them, and the counters afterwards; any split gives the same."""
    chance = Chance(SEED + b" streams")
    bodies = [_small(definition, seq) for seq in range(6)]
    wires = [wire(content) for content in bodies]
    noise = bytes(byte or 1 for byte in chance.bytes(40))
    cases: list[tuple[str, bytes, list[int], dict[str, int]]] = [
        ("glued frames", b"".join(wires), [0, 1, 2, 3, 4, 5], {}),
        ("empty pieces between", b"\0\0" + b"\0\0".join(wires[:3]), [0, 1, 2], {}),
        ("torn start", wires[0][5:] + wires[1] + wires[2], [1, 2], {"torn": 1}),
        ("torn start after a delimiter", b"\0" + wires[0][5:] + wires[1], [1], {"undersize": 1}),
        ("torn end", wires[0] + wires[1][:-3], [0], {}),
        ("noise before a delimiter", noise + b"\0" + wires[1], [1], {"torn": 1}),
        ("noise between", wires[0] + noise + b"\0" + wires[1], [0, 1], {"bad_cobs": 1}),
        ("noise glued to a frame", wires[0] + noise + wires[1] + wires[2], [0, 2], {"bad_cobs": 1}),
        ("modem probe first", b"AT\rAT\r" + b"\0" + wires[0], [0], {"torn": 1}),
        ("modem probe between", wires[0] + b"AT\r\n\0" + wires[1], [0, 1], {"bad_cobs": 1}),
        ("modem probe glued to a frame", wires[0] + b"ATE0\r" + wires[1] + wires[2], [0, 2], {"bad_cobs": 1}),
        ("lost delimiter", wires[0] + wires[1][:-1] + wires[2] + wires[3], [0, 3], {"bad_crc": 1}),
        ("lost byte", wires[0] + wires[1][:4] + wires[1][5:] + wires[2], [0, 2], {"bad_crc": 1}),
        ("endless line", wires[0] + b"\x55" * 5000 + b"\0" + wires[1], [0, 1], {"oversize": 1}),
        ("endless line that never ends", wires[0] + b"\x55" * 1030, [0], {"oversize": 1}),
        ("endless line from the start", b"\x55" * 1030 + b"\0" + wires[1], [1], {"oversize": 1}),
        ("almost endless line", wires[0] + b"\xff" * 1029 + b"\0" + wires[1], [0, 1], {"bad_cobs": 1}),
        ("two endless lines", (b"\xaa" * 1100 + b"\0") * 2 + wires[1], [1], {"oversize": 2}),
        ("frame twice", wires[0] + wires[0], [0, 0], {}),
        ("nothing but delimiters", bytes(50), [], {}),
    ]
    return [
        {
            "case": case,
            "bytes": data.hex(),
            "bodies": [bodies[number].hex() for number in out],
            "counters": dict.fromkeys(COUNTERS, 0) | {"frames": len(out)} | moved,
        }
        for case, data, out, moved in cases
    ]
