"""The page for programs: every answer is what the document says, whatever is asked."""

from typing import Any

import msgspec
import schemathesis
from hypothesis import HealthCheck, given, settings
from schemathesis.core.result import Ok
from tests.web.conftest import NOW_NS, TestClient

from nightturn.web.api import FixturesNow, openapi
from nightturn.web.app import Facts, application
from nightturn.web.nights import Nights


def test_whatever_is_asked_the_answer_is_as_described(nights: Nights) -> None:
    facts = Facts("nights", lambda: True, lambda: NOW_NS)
    app = application(nights, facts, ("testserver", "127.0.0.1"))
    schema = schemathesis.openapi.from_asgi("/api/v1/openapi.json", app)
    asked = []
    for found in schema.get_all_operations():
        assert isinstance(found, Ok)
        operation = found.ok()

        @settings(max_examples=12, suppress_health_check=list(HealthCheck), deadline=None)
        @given(case=operation.as_strategy())
        def act(case: Any) -> None:
            case.call_and_validate()

        act()
        asked.append(operation.label)
    assert sorted(asked) == ["GET /api/v1/alarms", "GET /api/v1/fixtures", "GET /api/v1/fixtures/{fixture}"]


def test_a_fixture_is_said_as_on_the_wall(client: TestClient) -> None:
    (found,) = msgspec.json.decode(client.get("/api/v1/fixtures").content, type=FixturesNow).fixtures

    assert (found.fixture, found.unit, found.silent) == ("pan-a1", "Q-0117", True)
    assert found.sentence.startswith("No word from it since")
    assert msgspec.json.decode(client.get("/api/v1/fixtures/pan-a1").content) == msgspec.to_builtins(found)


def test_every_answer_of_the_document_is_reachable_and_alarms_are_listed(client: TestClient) -> None:
    paths = msgspec.json.decode(openapi())["paths"]

    for path in paths:
        assert client.get(path.replace("{fixture}", "pan-a1")).status_code == 200, path
    assert client.get("/api/v1/alarms").json() == {"alarms": [], "problem": ""}
    assert client.get("/api/v1/openapi.json").content == openapi()
