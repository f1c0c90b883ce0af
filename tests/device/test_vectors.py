"""C and Python read the same vectors: the same fields, the same bytes back, the same refusals and counters."""

from typing import Any

import pytest
from tests.device.codec import (
    MESSAGES,
    CDeframer,
    c_cobs,
    c_crc,
    c_fields,
    c_get,
    c_put,
    c_uncobs,
    c_wire,
)
from tests.device.library import Deframer, core
from tests.protocol.vector_files import lines

from nightturn_protocol.errors import MalformedError
from nightturn_protocol.framing import HEADER_BYTES, MUST_UNDERSTAND, parse_header, parse_message
from nightturn_protocol.messages import BY_KIND, MAJOR

FRAMING = lines("framing.jsonl")
BAD = lines("bad.jsonl")


def of(what: str, vectors: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [line for line in vectors if line["what"] == what]


def test_every_message_of_the_definition_has_vectors() -> None:
    named = {line["message"] for line in lines("messages.jsonl")}
    assert named == {message.name for message in MESSAGES.values()}
    assert {message.__name__ for message in BY_KIND.values()} == named


@pytest.mark.parametrize("kind", MESSAGES, ids=lambda kind: MESSAGES[kind].name)
def test_every_vector_of_a_message_passes_through_c_unchanged(kind: int) -> None:
    message = MESSAGES[kind]
    vectors = [line for line in lines("messages.jsonl") if line["message"] == message.name]
    assert vectors
    for line in vectors:
        body = bytes.fromhex(line["body"])
        assert CDeframer().receive_bytes(bytes.fromhex(line["wire"])) == [body], line["case"]
        header = parse_header(body)
        assert (header.kind, header.session, header.seq) == (kind, line["session"], line["seq"])
        made = c_get(message, body[HEADER_BYTES:])
        assert made is not None, line["case"]
        assert c_fields(message, made) == line["fields"], line["case"]
        again = body[:HEADER_BYTES] + c_put(message, made)
        assert c_wire(again).hex() == line["wire"], line["case"]


@pytest.mark.parametrize("line", of("cobs", FRAMING), ids=lambda line: line["case"])
def test_cobs_agrees_with_the_vectors(line: dict[str, Any]) -> None:
    plain, coded = bytes.fromhex(line["plain"]), bytes.fromhex(line["coded"])
    assert c_cobs(plain) == coded
    assert c_uncobs(coded) == plain


def test_every_sort_of_framing_vector_is_read_here() -> None:
    assert {line["what"] for line in FRAMING} == {"cobs", "crc", "frame", "pattern"}
    assert {line["what"] for line in BAD} == {"piece", "body"}


@pytest.mark.parametrize("line", of("crc", FRAMING), ids=lambda line: line["case"])
def test_the_crc_agrees_with_the_vectors(line: dict[str, Any]) -> None:
    data = bytes.fromhex(line["plain"])
    crc = int(line["crc32c"], 16)
    assert c_crc(data) == crc
    for at in range(len(data) + 1):
        assert c_crc(data[at:], c_crc(data[:at])) == crc


@pytest.mark.parametrize("line", of("frame", FRAMING), ids=lambda line: line["case"])
def test_frames_of_every_length_agree_with_the_vectors(line: dict[str, Any]) -> None:
    body = bytes.fromhex(line["body"])
    assert c_wire(body).hex() == line["wire"]
    assert CDeframer().receive_bytes(bytes.fromhex(line["wire"])) == [body]


@pytest.mark.parametrize("line", of("pattern", FRAMING), ids=lambda line: line["case"])
def test_the_test_pattern_agrees_with_the_vectors(line: dict[str, Any]) -> None:
    assert core().nt_pattern_torque(line["index"]) == line["torque"]
    assert core().nt_pattern_encoder(line["index"]) == line["encoder"]


@pytest.mark.parametrize("line", of("piece", BAD), ids=lambda line: line["case"])
def test_a_bad_piece_moves_the_counters_of_the_vector(line: dict[str, Any]) -> None:
    deframer = CDeframer()
    assert deframer.receive_bytes(b"\0" + bytes.fromhex(line["wire"])) == []
    assert deframer.counters == dict.fromkeys(Deframer.COUNTERS, 0) | line["counters"]


@pytest.mark.parametrize("line", of("body", BAD), ids=lambda line: line["case"])
def test_a_bad_body_meets_the_same_fate_in_c_and_in_python(line: dict[str, Any]) -> None:
    body = bytes.fromhex(line["body"])
    assert CDeframer().receive_bytes(bytes.fromhex(line["wire"])) == [body]
    header = parse_header(body)
    message = MESSAGES.get(header.kind)
    match line["fault"]:
        case "malformed":
            assert message is not None
            assert c_get(message, body[HEADER_BYTES:]) is None
            with pytest.raises(MalformedError):
                parse_message(body)
        case "unknown":
            assert message is None
            assert parse_message(body) is None
            assert bool(header.kind & MUST_UNDERSTAND) == ("must" in line["case"])
        case "tail":
            assert message is not None
            made = c_get(message, body[HEADER_BYTES:])
            assert body[HEADER_BYTES:].startswith(c_put(message, made))
        case fault:
            assert fault == "version"
            assert header.major != MAJOR


@pytest.mark.parametrize("line", lines("streams.jsonl"), ids=lambda line: line["case"])
def test_a_stream_gives_the_same_bodies_and_counters(line: dict[str, Any]) -> None:
    deframer = CDeframer()
    bodies = deframer.receive_bytes(bytes.fromhex(line["bytes"]))
    assert [body.hex() for body in bodies] == line["bodies"]
    assert deframer.counters == line["counters"]
