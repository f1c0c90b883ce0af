"""The lines of the control socket: whatever comes is a request or an answer that says what is wrong."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.daemon.control_protocol import (
    COMMANDS,
    TEXT_LENGTH_MAX,
    VERSION,
    Answer,
    Request,
    answer_line,
    read_answer,
    read_request,
    request_line,
)

STOP = Request(VERSION, "7", "stop", "pan-a1", "R. Vale", "a noise")


def line(**changes: object) -> bytes:
    fields = {"v": 1, "id": "7", "command": "stop", "fixture": "pan-a1", "operator": "R. Vale", **changes}
    return json.dumps({name: value for name, value in fields.items() if value is not None}).encode()


def test_a_request_and_its_answer_come_back_as_they_were() -> None:
    assert read_request(request_line(STOP)) == STOP
    answer = Answer(VERSION, "7", ok=True, state="ended", waits_for="a unit", kept=True, fixtures=("pan-a1",))
    assert read_answer(answer_line(answer), STOP) == answer
    assert request_line(STOP).count(b"\n") == answer_line(answer).count(b"\n") == 1


@given(st.binary(max_size=200))
def test_any_bytes_are_answered(content: bytes) -> None:
    found = read_request(content)
    assert isinstance(found, Request) or (not found.ok and found.problem)
    assert isinstance(read_answer(content, STOP), Answer | str)


@given(
    st.fixed_dictionaries(
        {
            "v": st.integers() | st.text(),
            "id": st.text(),
            "command": st.sampled_from(sorted(COMMANDS)) | st.text(),
        },
        optional={name: st.text() | st.integers() for name in ("fixture", "operator", "reason", "unit", "x")},
    )
)
def test_a_request_that_is_taken_is_whole_and_printable(fields: dict[str, object]) -> None:
    found = read_request(json.dumps(fields).encode())
    if isinstance(found, Answer):
        assert not found.ok
        assert found.problem
        return
    assert found.v == VERSION
    assert found.command in COMMANDS
    assert "x" not in fields
    assert not (set(found.operator + found.reason + found.unit) & set("\n\r\0\x1b"))
    assert found.command == "status" or (found.operator.strip() and found.fixture)


@pytest.mark.parametrize(
    ("bad", "problem"),
    [
        (b"{", "not a request"),
        (b"[]", "not a request"),
        (b"\xff\n", "not a request"),
        (line(v=2), "uses version 1 on this socket, the request is of version 2"),
        (line(v=None), "not a request"),
        (
            line(command="dance"),
            "unknown command 'dance'; known: acknowledge, audit, go, look, mount, out_of_service, pause, put_back, set_aside, status, stop",
        ),
        (line(colour="red"), "colour"),
        (line(operator=" "), "needs the operator's name"),
        (line(operator="R.\nVale"), "operator: 'R.\\nVale' cannot be used"),
        (line(reason="x" * (TEXT_LENGTH_MAX + 1)), "reason: "),
        (line(fixture=""), "needs a fixture"),
        (line(command="go"), "needs the unit"),
    ],
)
def test_what_is_wrong_is_said(bad: bytes, problem: str) -> None:
    found = read_request(bad)
    assert isinstance(found, Answer)
    assert not found.ok
    assert problem in found.problem


def test_another_versions_refusal_keeps_the_id() -> None:
    found = read_request(line(v=9, command="whatever", new_field=1))
    assert isinstance(found, Answer)
    assert found.id == "7"


@pytest.mark.parametrize(
    ("bad", "problem"),
    [
        (b"no", "cannot be read"),
        (answer_line(Answer(2, "7", ok=True)), "is of version 2"),
        (answer_line(Answer(1, "8", ok=True)), "belongs to another request"),
    ],
)
def test_an_answer_that_is_none_to_this_request_is_not_believed(bad: bytes, problem: str) -> None:
    found = read_answer(bad, STOP)
    assert isinstance(found, str)
    assert problem in found
