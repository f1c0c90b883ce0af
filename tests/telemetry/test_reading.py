"""The reader's rule: whose word counts, and when a fixture is offline whatever its own topic says."""

import json
from typing import Any

import pytest

from nightturn.telemetry.reading import OFFLINE, picture

LAB = "nightturn/v1/quillfen"
STATE = f"{LAB}/pan-a1/state"
HOST = f"{LAB}/host/bench-1/state"
ALARM = f"{LAB}/pan-a1/alarm/device_restarted"


def retained(host: dict[str, Any] | None, **state: Any) -> dict[str, bytes]:
    own = {"host": "bench-1", "daemon_boot": "b7"}
    topics = {
        STATE: {**own, "state": "locked", "run": "r1", **state},
        ALARM: {**own, "state": "active"},
        **({HOST: host} if host is not None else {}),
    }
    return {topic: json.dumps(said).encode() for topic, said in topics.items()}


def test_a_fixture_is_what_its_state_says_while_its_daemon_is_there() -> None:
    seen = picture(retained({"state": "online", "daemon_boot": "b7"}))["quillfen/pan-a1"]
    assert (seen.state, seen.run, seen.alarms) == ("locked", "r1", frozenset({"device_restarted"}))
    assert seen.said["host"] == "bench-1"


@pytest.mark.parametrize(
    "host",
    [
        None,
        {"state": "offline", "daemon_boot": "b7"},
        {"state": "online", "daemon_boot": "b8"},  # a later start, which has not spoken of this fixture yet
    ],
)
def test_without_its_daemon_it_is_offline_and_no_alarm_is_known(host: dict[str, Any] | None) -> None:
    seen = picture(retained(host))["quillfen/pan-a1"]
    assert (seen.state, seen.run, seen.alarms) == (OFFLINE, "r1", frozenset())


def test_another_host_of_the_lab_does_not_speak_for_it() -> None:
    topics = retained(None)
    topics[f"{LAB}/host/bench-2/state"] = json.dumps({"state": "online", "daemon_boot": "b7"}).encode()
    assert picture(topics)["quillfen/pan-a1"].state == OFFLINE


def test_an_alarm_of_another_start_or_one_that_was_cleared_is_not_active() -> None:
    topics = retained({"state": "online", "daemon_boot": "b7"})
    topics[ALARM] = b""
    topics[f"{LAB}/pan-a1/alarm/sync_failed"] = json.dumps({"host": "bench-1", "daemon_boot": "b6"}).encode()
    assert picture(topics)["quillfen/pan-a1"].alarms == frozenset()
