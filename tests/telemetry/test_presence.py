"""Whether the daemon is there: what it says itself, and what the broker says when it has fallen silent."""

import asyncio
from typing import Any

import aiomqtt
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode
from structlog.testing import capture_logs
from tests.telemetry.conftest import StartMosquitto
from tests.telemetry.watching import RUN, alarm, cycle, publisher, running, state, watching, wire_to

from nightturn.telemetry.client import Timing

HOST_STATE = "bench-1/state"
ALARM = "pan-a1/alarm/device_restarted"


def test_a_daemon_that_falls_silent_counts_as_offline_after_its_keep_alive_and_the_will_names_no_time_of_it(
    start: StartMosquitto,
) -> None:
    # OASIS MQTT 5.0 section 3.1.2.10: one and a half keep-alives without a packet, and the broker closes and sends the will.
    # The watcher waits 20 s at most, fewer than one and a half of the keep-alive that holds without the setting.
    async def story() -> None:
        broker = start()
        timing = Timing(answer_s=2.0, backoff_first_s=0.02, backoff_most_s=0.1, keepalive_s=1)
        async with (
            wire_to(broker.port) as wire,
            running(publisher(wire.port, timing=timing)) as subject,
            watching(broker.port) as watcher,
        ):
            subject.offer("pan-a1", state())
            await watcher.until(lambda: bool(watcher.on("pan-a1/state")))
            online = watcher.on(HOST_STATE)[-1].values
            assert (online["state"], online["keepalive_s"], online["lodged_ts"]) == ("online", 1, None)
            wire.fall_silent()
            await watcher.until(lambda: watcher.on(HOST_STATE)[-1].values["state"] == "offline")
            will = watcher.on(HOST_STATE)[-1].values
            assert (will["ts"], will["lodged_ts"]) == (None, "2026-03-21T21:00:00.123456Z")
            assert will["daemon_boot"] == watcher.on("pan-a1/state")[-1].values["daemon_boot"]

    asyncio.run(story())


def test_a_clean_stop_leaves_every_fixture_offline_even_without_time_to_drain(start: StartMosquitto) -> None:
    async def story() -> None:
        broker = start()
        async with running(publisher(broker.port)) as subject:
            subject.offer("pan-a1", state())
            subject.offer("pan-a2", state("ended"))
            assert await subject.drain(20)
        async with watching(broker.port) as late:
            await late.until(lambda: len(late.seen) == 3)
            left = late.on("pan-a1/state")[0].values
            assert (left["state"], left["run"], left["unit"]) == ("offline", RUN, "U-17")
            assert late.on("pan-a2/state")[0].values["state"] == "ended"
            host = late.on(HOST_STATE)[0].values
            assert (host["state"], host["ts"]) == ("offline", "2026-03-21T21:00:00.123456Z")

    asyncio.run(story())


def test_alarms_that_a_killed_daemon_left_are_cleared_by_the_next_unless_they_are_open_still(
    start: StartMosquitto,
) -> None:
    async def story() -> None:
        broker = start()
        async with wire_to(broker.port) as wire:
            async with running(publisher(wire.port)) as killed:
                killed.offer("pan-a1", alarm("device_restarted"))
                killed.offer("pan-a1", alarm("sync_failed"))
                assert await killed.drain(20)
                wire.cut()
            later = publisher(broker.port, daemon_boot="b8")
            later.offer(
                "pan-a1", alarm("device_restarted", "returned")
            )  # as whoever has the alarms says first of all
            async with watching(broker.port) as watcher, running(later):
                await watcher.until(lambda: watcher.on("alarm/sync_failed")[-1:] != [])
                await watcher.until(lambda: watcher.on("alarm/sync_failed")[-1].payload == b"")
                await watcher.until(lambda: watcher.on(ALARM)[-1].values["daemon_boot"] == "b8")
                assert watcher.on(ALARM)[-1].values["state"] == "returned"

    asyncio.run(story())


def test_a_broker_that_lets_nothing_be_read_is_said_and_publishing_goes_on(
    start: StartMosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def denied(*_: Any, **__: Any) -> list[ReasonCode]:
        return [ReasonCode(PacketTypes.SUBACK, "Not authorized")]

    async def story() -> None:
        broker = start()
        async with watching(broker.port) as watcher:
            with monkeypatch.context() as patched, capture_logs() as logs:
                patched.setattr(aiomqtt.Client, "subscribe", denied)
                async with running(publisher(broker.port)) as subject:
                    subject.offer("pan-a1", cycle())
                    await watcher.until(lambda: bool(watcher.on("m/cycle")))
                    assert subject.counters.connects == 1
        (said,) = [line for line in logs if line["event"] == "mqtt_not_readable"]
        assert (said["topics"], said["detail"]) == ("nightturn/v1/quillfen/+/alarm/+", "Not authorized")

    asyncio.run(story())


def test_two_benches_of_one_lab_on_one_host_leave_each_other_connected(start: StartMosquitto) -> None:
    # OASIS MQTT 5.0 section 3.1.4: a second client under one id throws the first one out
    async def story() -> None:
        broker = start()
        async with (
            running(publisher(broker.port)) as ours,
            running(publisher(broker.port, bench="b1b1")) as other,
        ):
            for _ in range(5):
                for subject in (ours, other):
                    subject.offer("pan-a1", state())
                    assert await subject.drain(20)
            assert (ours.counters.connects, other.counters.connects) == (1, 1)

    asyncio.run(story())
