"""A line of the log as a person reads it."""

from zoneinfo import ZoneInfo

import pytest

from nightturn.bench.logging import line_for_people
from nightturn.errors import DEBUG

AT = {"timestamp": "2026-11-26T20:03:12.345678Z"}


@pytest.mark.parametrize(
    ("fields", "line"),
    [
        (
            {"event": "line_lost", "level": "warning", "fixture": "pan-a1", "why": "the port is gone"},
            "21:03:12 pan-a1 warning: line lost: the port is gone",
        ),
        (
            {
                "event": "card_set_aside",
                "level": "error",
                "why": "it is empty",
                "path": "mounts/pan-a1.jsonl",
            },
            "21:03:12 ALARM: card set aside: it is empty; path mounts/pan-a1.jsonl",
        ),
        ({"event": "waits", "level": "info", "detail": "waits: no", "n": 1}, "21:03:12 waits: no"),
        ({"event": "mqtt_connected", "level": "info", "broker": "b"}, "21:03:12 mqtt connected: broker b"),
        ({"event": "quiet", "level": "info"}, "21:03:12 quiet"),
    ],
)
def test_a_line_has_local_time_fixture_level_and_a_sentence(fields: dict[str, object], line: str) -> None:
    assert line_for_people({**AT, **fields}, ZoneInfo("Europe/Berlin")) == line


def test_where_a_fault_happened_is_shown_when_it_is_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    fields = {**AT, "event": "core_failed", "level": "critical", "why": "x", "exception": "Traceback …"}
    monkeypatch.delenv(DEBUG, raising=False)
    assert "Traceback" not in line_for_people(fields, ZoneInfo("UTC"))
    monkeypatch.setenv(DEBUG, "1")
    assert line_for_people(fields, ZoneInfo("UTC")).endswith("x\nTraceback …")
