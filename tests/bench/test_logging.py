"""A line of the log as a person reads it."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
import structlog

from nightturn.bench import logging
from nightturn.bench.logging import hand_logs_on, line_for_people, say_for, set_up_logging
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


@pytest.fixture
def as_before() -> Iterator[None]:
    before = structlog.get_config()
    yield
    structlog.configure(**before)


@pytest.mark.usefixtures("as_before")
def test_a_line_handed_on_is_said_elsewhere_with_its_own_time_and_level(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    taken: list[dict[str, Any]] = []
    hand_logs_on(taken.append)
    there: structlog.stdlib.BoundLogger = structlog.get_logger()
    there.debug("not for people")
    error = KeyError("x")
    there.error("core_failed", fixture="pan-a1", why="a fault", place=Path("mounts"), exc_info=error)
    (fields,) = taken
    assert (fields["level"], fields["place"], "KeyError: 'x'" in fields["exception"]) == (
        "error",
        "mounts",
        True,
    )

    shown: list[tuple[str, str]] = []
    set_up_logging(show=lambda text, level: shown.append((text, level)))
    monkeypatch.setattr(logging, "log", structlog.get_logger())
    say_for({**fields, **AT})
    assert shown == [("20:03:12 pan-a1 ALARM: core failed: a fault; place mounts", "error")]
