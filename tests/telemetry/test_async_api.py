"""The AsyncAPI document is that of the functions that publish, and every topic of a daemon is in it.

AsyncAPI 3.0.0 (asyncapi/spec, spec/asyncapi.md): channels have an address with parameters, operations refer to channels. The
reference parser reads it in `test_other_programs.py`.
"""

import json
import re
from typing import Any

import pytest
from tests.telemetry.asyncapi_file import PLACE, made

from nightturn.telemetry.batches import batch_topic
from nightturn.telemetry.message import wanted
from nightturn.telemetry.topics import Topics

TREE = Topics("quillfen", "bench-1")
TOPICS = [
    TREE.info("pan-a1"),
    TREE.state("pan-a1"),
    *(TREE.measurement("pan-a1", kind) for kind in ("cycle", "trend", "live", "health")),
    TREE.event("pan-a1", "gap"),
    TREE.event("pan-a1", "run_opened"),
    TREE.event("pan-a1", "command"),
    TREE.event("host", "command"),
    *(
        batch_topic(wanted(topic, b"{}"))
        for topic in (
            TREE.measurement("pan-a1", "cycle"),
            TREE.event("pan-a1", "gap"),
            TREE.event("host", "command"),
        )
    ),
    TREE.commands("pan-a1").replace("+", "stop"),
    TREE.commands("host").replace("+", "acknowledge"),
    TREE.alarm("pan-a1", "overload"),
    TREE.alarm("host", "disk_short"),
    TREE.host_state(),
]


def read() -> dict[str, Any]:
    found = json.loads(PLACE.read_bytes())
    assert isinstance(found, dict)
    return found


def test_the_committed_document_is_that_of_the_functions_that_publish() -> None:
    assert PLACE.read_bytes() == made(), "python -m tests.telemetry.asyncapi_file --update"


@pytest.mark.parametrize("topic", TOPICS)
def test_every_topic_of_a_daemon_has_a_channel(topic: str) -> None:
    addresses = [channel["address"] for channel in read()["channels"].values()]
    assert any(re.fullmatch(re.sub(r"\{\w+\}", "[^/]+", address), topic) for address in addresses)


def test_whatever_is_referred_to_is_there_and_every_parameter_is_declared() -> None:
    said = read()
    assert said["asyncapi"] == "3.0.0"
    refs = re.findall(r'"\$ref": "#/([^"]+)"', PLACE.read_text(encoding="utf-8"))
    assert refs
    for ref in refs:
        place: Any = said
        for step in ref.split("/"):
            place = place[step]
    for channel in said["channels"].values():
        assert set(re.findall(r"\{(\w+)\}", channel["address"])) == set(channel["parameters"])
