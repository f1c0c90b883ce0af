"""The page of many hosts from MQTT alone: whose word counts, how old it may be, and what is said where nothing can be said."""

import re
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Any

import pytest
from tests.telemetry.conftest import StartMosquitto, start
from tests.telemetry.test_night_so_far import row, verdict
from tests.telemetry.watching import LAB, QUICK, RUN, T0, alarm_row, cycle_record, standing_row, state_row
from tests.waiting import wait
from tests.web.conftest import BASE, TestClient

from nightturn.demo.broker import Broker
from nightturn.model.alarms import Put
from nightturn.model.rows import NO_RUN
from nightturn.model.verdicts import REJECT, UNDECIDED
from nightturn.telemetry import alarm_payload, payloads
from nightturn.telemetry.address import parse_url
from nightturn.telemetry.composer import Composer
from nightturn.telemetry.confirming import Arrived
from nightturn.telemetry.fleet import PAYLOAD_BYTES_MAX, SILENT_S, Fleet
from nightturn.telemetry.fleet_reader import FleetReader
from nightturn.telemetry.message import Message
from nightturn.telemetry.payloads import Host
from nightturn.telemetry.topics import Topics
from nightturn.web.fleet_app import FleetFacts, fleet_application

__all__ = ["start"]

TOPICS = {host: Topics(LAB, host) for host in ("bench-1", "bench-2")}
HOSTILE = "<script>alert(1)</script>"


class Told:
    """A fleet that a test speaks to, with its clocks and its page."""

    def __init__(self) -> None:
        self.now_s = 1000.0
        self.connected = True
        self.fleet = Fleet(lambda: self.now_s, lambda: T0)
        self.composers = {host: Composer(topics, "b7") for host, topics in TOPICS.items()}
        facts = FleetFacts(
            "mqtt://broker.example:1883",
            lambda: self.connected,
            "Europe/Vienna",
            lambda: T0,
            lambda: self.now_s,
        )
        self.client = TestClient(fleet_application(self.fleet, facts, ("127.0.0.1",)), base_url=BASE)

    def online(self, host: str = "bench-1", *, retained: bool = False, ts: int = T0) -> None:
        about = Host(host, "b7", "0.1.0", 20)
        self.take(
            [Message(TOPICS[host].host_state(), payloads.host_online(about, ts, "running"))],
            retained=retained,
        )

    def row(self, fixture: str, said: Any, host: str = "bench-1", *, retained: bool = False) -> None:
        self.take(self.composers[host].row(fixture, said), retained=retained)

    def take(self, messages: Iterable[Message], *, retained: bool = False) -> None:
        for each in messages:
            if each.retain or "/host/" in each.topic:
                self.fleet.take(Arrived(each.topic, each.payload, retained))

    def text(self, path: str = "/") -> str:
        answer = self.client.get(path)
        assert answer.status_code == 200, answer.text
        assert_strict(answer.text)
        return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.text))


def assert_strict(page: str) -> None:
    """No style, no script and no address of others in the page."""
    assert "style=" not in page
    assert not re.search(r"<script(?! type=\"module\" src=\"/own/)", page)
    assert not re.search(r"(?:src|href)=\"(?!/|#|data:)", page)


def test_a_wall_of_two_hosts_says_who_needs_a_person_and_what_is_only_at_its_host() -> None:
    told = Told()
    for host in TOPICS:
        told.online(host)
    for no in range(1, 13):
        told.row("pan-a1", cycle_record(no, ts_end=T0 + no * 400 * 10**9))
        told.row("pan-b1", cycle_record(no, ts_end=T0 + no * 400 * 10**9), "bench-2")
    told.row("pan-a1", row(UNDECIDED))
    told.row("pan-b1", row(REJECT), "bench-2")
    wall = told.text()
    assert "One of two fixtures needs a person." in wall
    assert "act now: quillfen/pan-b1 U-17 does not pass so far" in wall
    assert "U-17 is inside its limits so far, 12 cycles judged." in wall
    assert "heard from the broker now" in wall
    assert told.client.get("/").text.count("<svg") == 2
    page = told.text("/fixture/quillfen/pan-b1")
    assert "Only at its host, bench-2: one turn, change maps, orders" in page
    assert "friction 120.0 ± 2.0 mN·m in the mean of 12 cycles, 150 mN·m allowed: reject" in page
    assert told.client.get("/fixture/quillfen/pan-z9").status_code == 404


def test_a_fixture_is_silent_when_its_state_or_its_daemon_has_been_for_too_long() -> None:
    told = Told()
    told.online()
    told.row("pan-a1", row(UNDECIDED))
    told.row("pan-a2", standing_row(NO_RUN))
    told.now_s += SILENT_S
    assert "silent" not in told.text()
    told.online()
    told.now_s += 1.0
    wall = told.text()
    assert "one is silent" in wall  # no core has to say anything anew of the other
    assert "silent: quillfen/pan-a1 No word from it since 21 Mar 22:00 +01:00. It was turning;" in wall
    told.now_s += SILENT_S
    assert "two are silent" in told.text()
    page = told.text("/fixture/quillfen/pan-a1")
    assert "Said last" in page
    assert "Not known while it is silent." in page
    assert "expected end not known" in page


def test_what_the_broker_kept_is_as_old_as_it_says_until_the_next_word() -> None:
    told = Told()
    old = T0 - round((SILENT_S + 1) * 1e9)
    told.online(retained=True, ts=T0)
    told.row("pan-a1", row(UNDECIDED, ts=old), retained=True)
    assert "The fixture needs nobody; one is silent." in told.text()
    told.row("pan-a1", row(UNDECIDED, ts=old))
    assert "silent" not in told.text()


def test_a_daemon_that_was_stopped_or_died_is_not_taken_for_one_that_is_there() -> None:
    told = Told()
    told.online()
    told.row("pan-a1", row(UNDECIDED))
    about = Host("bench-1", "b7", "0.1.0", 20)
    told.take([Message(TOPICS["bench-1"].host_state(), payloads.last_will(about, T0, "connection lost"))])
    assert "No word from it since" in told.text()
    told.take(told.composers["bench-1"].leave(T0))
    assert "The daemon was stopped; a run that was open goes on" in told.text()
    told.online()
    other = Composer(TOPICS["bench-1"], "b8").row("pan-a1", row(UNDECIDED))
    told.take(other)  # of a start that its host has not announced
    assert "silent" in told.text()


def test_an_alarm_is_laid_over_its_fixture_and_goes_when_it_is_cleared() -> None:
    told = Told()
    told.online()
    told.row("pan-a1", row(UNDECIDED))
    told.row("pan-a1", alarm_row())
    told.row(
        "host", alarm_row("disk_short", fixture="host", run="", said="the disk is short", severity="today")
    )
    wall = told.text()
    assert "act now: quillfen/pan-a1 Torque 18.4 N·m is above 18.0 N·m." in wall
    assert "today: the host bench-1: The disk is short. Look at the rig" in wall
    assert "nobody has acknowledged it" in told.text("/fixture/quillfen/pan-a1")
    told.row("pan-a1", alarm_row(state="normal"))
    assert "18.4 N·m" not in told.text()


@pytest.mark.parametrize(
    "changed",
    [
        {},
        {
            "set_aside": Put(
                by="R. Vale", reason="known", since_ts=T0 // 1000 * 1000, until_ts=T0 // 1000 * 1000 + 10**9
            )
        },
        {
            "acknowledged_by": "R. Vale",
            "acknowledged_ts": T0 // 1000 * 1000,
            "explained_by": "host/disk_short",
        },
    ],
)
def test_an_alarm_is_read_back_from_its_payload_to_the_microsecond(changed: dict[str, Any]) -> None:
    whole = T0 // 1000 * 1000
    sent = alarm_row(since_ts=whole, newest_ts=whole, **changed)
    stamp = payloads.Stamp(1, "b7", RUN, "bench-1")
    assert alarm_payload.read(alarm_payload.alarm(sent, stamp), "pan-a1") == sent


@pytest.mark.parametrize("payload", [b"", b"[]", b"{}", b"\xff", b"[" * 5000, b'{"ts": 5, "kind": 7}'])
def test_what_is_no_alarm_is_read_as_none(payload: bytes) -> None:
    assert alarm_payload.read(payload, "pan-a1") is None


HOSTILE_STATES: list[Callable[[dict[str, Any]], None]] = [
    lambda said: said.update(strip={"figure": "friction_nm", "values": "x"}),
    lambda said: said.update(strip={**said["strip"], "values": [1e308, None], "after_s": [0, 1e300]}),
    lambda said: said.update(strip={**said["strip"], "begun_ts": "9999-12-31T23:59:59Z"}),
    lambda said: said.update(
        unit=HOSTILE, sentence=HOSTILE, more=[1], need="no such word", inputs={"a": HOSTILE}
    ),
    lambda said: said.update(
        night_verdict={"limits": [{"figure": HOSTILE}]}, cycles_done="x", expected_end_ts="x"
    ),
    lambda said: said.update(trends=7, ts="never", run=None, reason=3, waits_for={}),
]


@pytest.mark.parametrize("change", HOSTILE_STATES)
def test_a_state_that_is_not_ours_is_shown_as_text_or_not_at_all(
    change: Callable[[dict[str, Any]], None],
) -> None:
    import json

    told = Told()
    told.online()
    told.row("pan-a1", cycle_record())
    (message,) = told.composers["bench-1"].row("pan-a1", row(UNDECIDED))
    said = json.loads(message.payload)
    change(said)
    told.take([replace(message, payload=json.dumps(said).encode())])
    for path in ("/", "/fixture/quillfen/pan-a1"):
        assert HOSTILE not in told.client.get(path).text
        told.text(path)


def test_topics_of_others_and_too_much_of_anything_are_passed_over_and_counted() -> None:
    told = Told()
    state = TOPICS["bench-1"].state("pan-a1")
    for arrived in (
        Arrived("nightturn/v1/quillfen/PAN/state", b'{"v":1,"host":"a","daemon_boot":"b","state":"c"}'),
        Arrived("nightturn/v1/q/pan-a1/else", b"{}"),
        Arrived(state, b'{"v":2,"host":"a","daemon_boot":"b","state":"c"}'),
        Arrived(state, b" " * (PAYLOAD_BYTES_MAX + 1)),
        Arrived(state, b"{"),
    ):
        told.fleet.take(arrived)
    assert told.fleet.passed_over == 5
    assert told.fleet.fixtures() == ()
    assert "Nothing has been heard of any fixture." in told.text()


def test_without_a_broker_the_page_says_that_what_it_shows_is_old() -> None:
    told = Told()
    told.connected = False
    assert "no broker answers; what is below is old" in told.text()


def test_a_reader_hears_what_a_broker_keeps_and_ends_when_it_is_asked(start: StartMosquitto) -> None:
    from paho.mqtt.publish import multiple

    broker: Broker = start()
    composer, about = Composer(TOPICS["bench-1"], "b7"), Host("bench-1", "b7", "0.1.0", 20)
    kept = [
        *composer.row("pan-a1", state_row(night_verdict=verdict(UNDECIDED))),
        Message(TOPICS["bench-1"].host_state(), payloads.host_online(about, T0, "running"), retain=True),
    ]
    multiple([(each.topic, each.payload, 1, True) for each in kept], "127.0.0.1", broker.port)
    fleet = Fleet(lambda: 0.0, lambda: T0)
    reader = FleetReader(parse_url(f"mqtt://127.0.0.1:{broker.port}"), fleet, QUICK)
    reader.start()
    try:
        wait(lambda: [each.silent for each in fleet.fixtures()] == [False], lambda: str(fleet.fixtures()))
        assert reader.connected
    finally:
        reader.close()
    assert not reader.connected
