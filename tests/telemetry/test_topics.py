"""The topic tree, against the names it promises and the filters that people subscribe with."""

import asyncio
from functools import partial

import aiomqtt
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub
from tests.telemetry.conftest import StartMosquitto
from tests.telemetry.watching import Watcher, watching

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


# OASIS, "MQTT Version 5.0", section 4.7: its non-normative examples (from memory); foo/bar and $SYS/x as in the tests of
# paho-mqtt (read). The same rows run against mosquitto below.
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


LEVELS = st.sampled_from(["nightturn", "v1", "quillfen", "pan-a1", "host", "alarm", "overload", "", "$SYS"])
ALARM_TOPICS = st.lists(LEVELS, max_size=7) | st.lists(LEVELS, max_size=4).map(
    lambda below: ["nightturn", "v1", "quillfen", *below]
)


@given(ALARM_TOPICS.map("/".join))
@example("nightturn/v1/quillfen/pan-a1/alarm/overload")
@example("nightturn/v1/quillfen//alarm/")  # OASIS MQTT 5.0, 4.7.1.3: a level may be empty, and + matches it
@example("pan-a1/alarm/overload")
@example("nightturn/v1/quillfen/pan-a1/alarm")
@example("nightturn/v1/quillfen/pan-a1/alarm/overload/more")
@example("/nightturn/v1/quillfen/pan-a1/alarm/overload")
@example("nightturn/v1/Quillfen/pan-a1/alarm/overload")
def test_an_alarm_is_read_from_exactly_the_topics_that_its_filter_matches(topic: str) -> None:
    assert (TREE.alarm_of(topic) is not None) == topic_matches_sub(TREE.alarms(), topic)


def test_the_real_broker_matches_filters_as_the_standard_says(start: StartMosquitto) -> None:
    # OASIS MQTT 5.0 section 4.7; $SYS belongs to the broker and cannot be published to, so those rows run
    # against the matcher alone
    async def story() -> None:
        port = start().port
        async with aiomqtt.Client("127.0.0.1", port) as client, watching(port, "the/end") as end:
            for number, (topic_filter, topic, matches) in enumerate(FILTERS + OURS, start=1):
                if topic.startswith("$SYS"):
                    await client.publish("the/end", b"x", qos=1)
                    continue
                async with watching(port, topic_filter) as watcher:
                    await client.publish(topic, b"x", qos=1)
                    await client.publish("the/end", b"x", qos=1)
                    await end.until(partial(arrived, end, number))
                    if matches:
                        await watcher.until(partial(arrived, watcher, 1))
                    caught = [seen.topic for seen in watcher.seen if seen.topic != "the/end"]
                    assert caught == ([topic] if matches else []), topic_filter

    asyncio.run(story())


def arrived(watcher: Watcher, count: int) -> bool:
    return len(watcher.seen) >= count
