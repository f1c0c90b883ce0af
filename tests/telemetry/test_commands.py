"""Commands over MQTT: what is read of one, and why one is refused."""

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.telemetry.watching import LAB, T0

from nightturn.errors import StorageError
from nightturn.telemetry.command_store import KEPT_MAX, CommandStore
from nightturn.telemetry.commands import AHEAD_S, BYTES_MAX, EXPIRY_S, Asked, asked
from nightturn.telemetry.confirming import Arrived
from nightturn.telemetry.moments import utc_text
from nightturn.telemetry.topics import Topics

TOPICS = Topics(LAB, "bench-1")
STOP = f"nightturn/v1/{LAB}/pan-a1/cmd/stop"
S = 10**9


def said(**changes: Any) -> bytes:
    words = {"v": 1, "id": "0123456789abcdef", "operator": "R. Vale", "ts": utc_text(T0), **changes}
    return json.dumps({name: value for name, value in words.items() if value is not None}).encode()


def read(topic: str = STOP, *, retained: bool = False, now_ns: int = T0, **changes: Any) -> Asked:
    found = asked(Arrived(topic, said(**changes), retained), TOPICS, now_ns)
    assert found is not None
    return found


def test_a_command_is_read_with_who_asks_and_why() -> None:
    found = read(reason="smoke", operator=" R. Vale ")
    assert found == Asked("pan-a1", "stop", "0123456789abcdef", "R. Vale", reason="smoke")
    host = read(f"nightturn/v1/{LAB}/host/bench-1/cmd/acknowledge", alarm="disk_short")
    assert (host.fixture, host.name, host.alarm, host.refusal) == ("host", "acknowledge", "disk_short", "")


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"topic": STOP.replace("stop", "go")}, "acknowledge, pause and stop, nothing more"),
        ({"topic": STOP.replace("stop", "mount")}, "acknowledge, pause and stop, nothing more"),
        ({"topic": f"nightturn/v1/{LAB}/host/bench-1/cmd/stop"}, "nothing to pause or stop"),
        ({"operator": " "}, "it names no operator"),
        ({"operator": "R\nVale"}, "its operator cannot be used"),
        ({"reason": "x" * 301}, "its reason cannot be used"),
        ({"id": "short"}, "its id is none"),
        ({"id": None}, "it is no command"),
        ({"v": 2}, "it is no command"),
        ({"lease": True}, "it is no command"),
        ({"retained": True}, "a command is never retained"),
        ({"ts": "now"}, "its ts is no time"),
        ({"ts": "2026-03-21T21:00:00"}, "its ts is no time"),
        ({"now_ns": T0 + EXPIRY_S * S + S}, "it is 11.0 s old by this host's clock; it counts for 10 s"),
        ({"now_ns": T0 - AHEAD_S * S - S}, "its time is 3.0 s ahead"),
        ({"alarm": "x" * BYTES_MAX}, "longer than 4096 bytes"),
    ],
)
def test_a_command_that_may_not_act_says_why(changes: dict[str, Any], why: str) -> None:
    found = read(**changes)
    assert why in found.refusal
    assert found.name == changes.get("topic", STOP).rpartition("/")[2]


@pytest.mark.parametrize("age_s", [EXPIRY_S, 0, -AHEAD_S])
def test_a_command_counts_for_ten_seconds_from_its_own_time(age_s: int) -> None:
    assert read(now_ns=T0 // 1000 * 1000 + age_s * S).refusal == ""


@given(st.binary(max_size=200))
def test_no_bytes_are_a_command_by_chance_or_break_the_reader(payload: bytes) -> None:
    found = asked(Arrived(STOP, payload), TOPICS, T0)
    assert found is not None
    assert found.refusal


def test_another_topic_is_no_command() -> None:
    for topic in (
        f"nightturn/v1/{LAB}/pan-a1/state",
        f"nightturn/v1/{LAB}/host/bench-2/cmd/acknowledge",
        "cmd/stop",
    ):
        assert asked(Arrived(topic, said()), TOPICS, T0) is None


def test_an_id_is_used_once_also_by_the_next_daemon(tmp_path: Path) -> None:
    path = tmp_path / "commands.sqlite"
    assert CommandStore(path).first("a" * 8)
    assert not CommandStore(path).first("a" * 8)
    assert CommandStore(path).first("b" * 8)
    assert KEPT_MAX >= 1000


def test_nothing_comes_of_a_command_whose_id_cannot_be_kept(tmp_path: Path) -> None:
    with pytest.raises(StorageError):
        CommandStore(tmp_path / "none" / "commands.sqlite").first("a" * 8)
