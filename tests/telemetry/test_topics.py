"""The topic tree, against the names it promises and the filters that people subscribe with."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from nightturn.errors import ConfigError
from nightturn.telemetry.topics import Topics

TREE = Topics("quillfen", "bench-1")


def test_every_topic_stands_where_the_contract_says() -> None:
    root = "nightturn/v1/quillfen"
    assert TREE.host_state() == f"{root}/host/bench-1/state"
    assert TREE.info("pan-a1") == f"{root}/pan-a1/info"
    assert TREE.state("pan-a1") == f"{root}/pan-a1/state"
    assert TREE.measurement("pan-a1", "cycle") == f"{root}/pan-a1/m/cycle"
    assert TREE.alarm("pan-a1", "overload") == f"{root}/pan-a1/alarm/overload"
    assert TREE.event("pan-a1", "run_ended") == f"{root}/pan-a1/ev/run_ended"
    assert TREE.command("pan-a1", "stop") == f"{root}/pan-a1/cmd/stop"


@pytest.mark.parametrize(
    "bad", ["", "a/b", "+", "#", "a#", "a b", "A", "$sys", "a\x00", "ä", "a\n", "x" * 65]
)
def test_a_name_that_could_escape_its_segment_is_refused(bad: str) -> None:
    with pytest.raises(ConfigError):
        Topics(bad, "bench-1")
    with pytest.raises(ConfigError):
        Topics("quillfen", bad)
    with pytest.raises(ConfigError):
        TREE.state(bad)
    with pytest.raises(ConfigError):
        TREE.event("pan-a1", bad)
    with pytest.raises(ConfigError):
        TREE.alarm("pan-a1", bad)


def test_no_fixture_can_pose_as_the_host() -> None:
    with pytest.raises(ConfigError, match="reserved"):
        TREE.state("host")


@given(st.text(max_size=70))
def test_whatever_is_accepted_is_one_level_without_wildcards(name: str) -> None:
    try:
        topic = TREE.event("pan-a1", name)
    except ConfigError:
        return
    assert topic.count("/") == 5
    assert not set("+#\x00") & set(topic)
    assert topic_matches_sub("nightturn/v1/+/+/ev/+", topic)


# OASIS MQTT 5.0 section 4.7, non-normative examples; the same rows run against mosquitto in test_broker.py
FILTERS = [
    ("sport/tennis/player1/#", "sport/tennis/player1", True),
    ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", True),
    ("sport/tennis/+", "sport/tennis/player1", True),
    ("sport/tennis/+", "sport/tennis/player1/ranking", False),
    ("sport/+", "sport", False),
    ("sport/+", "sport/", True),
    ("+/+", "/finance", True),
    ("/+", "/finance", True),
    ("+", "/finance", False),
    ("#", "$SYS/x", False),
    ("+/monitor/Clients", "$SYS/monitor/Clients", False),
    ("$SYS/#", "$SYS/monitor/Clients", True),
    ("$SYS/monitor/+", "$SYS/monitor/Clients", True),
    ("foo/+/#", "foo/bar/baz", True),
    ("/#", "foo/bar", False),
    ("ACCOUNTS", "Accounts", False),
]


@pytest.mark.parametrize(("topic_filter", "topic", "matches"), FILTERS)
def test_the_matcher_used_in_these_tests_follows_the_standard(
    topic_filter: str, topic: str, *, matches: bool
) -> None:
    assert topic_matches_sub(topic_filter, topic) is matches


OURS = [
    ("nightturn/v1/+/+/state", TREE.state("pan-a1"), True),
    ("nightturn/v1/+/+/state", TREE.host_state(), False),
    ("nightturn/v1/+/host/+/state", TREE.host_state(), True),
    ("nightturn/v1/quillfen/pan-a1/#", TREE.measurement("pan-a1", "cycle"), True),
    ("nightturn/v1/quillfen/+/m/+", TREE.measurement("pan-a1", "live"), True),
    ("nightturn/v1/quillfen/+/alarm/#", TREE.alarm("pan-a1", "overload"), True),
    ("nightturn/v1/+/+/ev/+", TREE.alarm("pan-a1", "overload"), False),
    ("nightturn/v2/#", TREE.info("pan-a1"), False),
]


@pytest.mark.parametrize(("topic_filter", "topic", "matches"), OURS)
def test_the_filters_of_the_manual_catch_what_they_say(
    topic_filter: str, topic: str, *, matches: bool
) -> None:
    assert topic_matches_sub(topic_filter, topic) is matches
