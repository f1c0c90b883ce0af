"""Delivery with a broker made of two lines: refusals, cut connections and what is left alone."""

import asyncio
from collections.abc import Callable

import aiomqtt
import pytest

from nightturn.telemetry.confirming import RefusedError
from nightturn.telemetry.delivery import DROPPED_US, Delivery
from nightturn.telemetry.message import Message, retained, wanted
from nightturn.telemetry.outbox import Outbox
from nightturn.telemetry.quarantine import ALONE_LOSSES_MAX, FIRST_PAUSE_S, LONGEST_PAUSE_S, Quarantine

LIMIT_S = 20.0


def night(
    messages: list[Message], broker: Callable[[Message], None], sessions_max: int = 40
) -> tuple[Delivery, int]:
    """Deliver until done, with a new session after each lost one; returns how many it took."""
    outbox = Outbox(1000, lambda: None)
    delivery = Delivery(outbox)
    for message in messages:
        outbox.put(message)

    async def publish(message: Message) -> None:
        await asyncio.sleep(0)
        broker(message)

    async def story() -> int:
        for session in range(1, sessions_max + 1):
            serving = asyncio.create_task(delivery.serve(publish))
            draining = asyncio.create_task(delivery.drain(LIMIT_S))
            await asyncio.wait({serving, draining}, return_when=asyncio.FIRST_COMPLETED)
            draining.cancel()
            serving.cancel()
            results = await asyncio.gather(serving, draining, return_exceptions=True)
            if not isinstance(results[0], aiomqtt.MqttError):
                return session
        pytest.fail("it never ended")

    return delivery, asyncio.run(story())


def test_a_topic_that_ends_every_connection_is_found_and_left_alone() -> None:
    arrived: list[Message] = []

    def broker(message: Message) -> None:
        if message.topic == "poison":
            raise aiomqtt.MqttError("gone")
        arrived.append(message)

    messages = [
        wanted("poison" if number % 5 == 2 else f"good{number % 3}", bytes([number])) for number in range(60)
    ]
    delivery, sessions = night(messages, broker)
    assert {message.payload for message in arrived} == {bytes([n]) for n in range(60) if n % 5 != 2}
    assert delivery.refused == 12
    assert list(delivery.parked) == [("poison", DROPPED_US)]
    assert sessions <= ALONE_LOSSES_MAX + 2


def test_a_refusal_parks_the_topic_and_everything_else_goes_on_in_the_same_session() -> None:
    tried: list[str] = []

    def broker(message: Message) -> None:
        tried.append(message.topic)
        if message.topic == "denied":
            raise RefusedError(message.topic, "Not authorized")

    messages = [wanted("denied" if number % 2 else "good", bytes([number])) for number in range(100)]
    delivery, sessions = night(messages, broker)
    assert sessions == 1
    assert delivery.published == tried.count("good") == 50
    assert delivery.refused == 50
    assert tried.count("denied") <= 20  # those that were on their way together


def test_a_denied_retained_topic_counts_once_however_often_it_is_announced() -> None:
    cuts = iter([True, True, False])

    def broker(message: Message) -> None:
        if message.topic == "denied":
            raise RefusedError(message.topic, "Not authorized")
        if next(cuts, False):
            raise aiomqtt.MqttError("gone")

    delivery, sessions = night([retained("denied", b"x"), wanted("good", b"y")], broker)
    assert sessions == 3
    assert (delivery.refused, delivery.published) == (1, 1)


def test_an_unlucky_topic_is_not_blamed_when_it_gets_through() -> None:
    quarantine = Quarantine()
    for _ in range(10):
        for _ in range(ALONE_LOSSES_MAX - 1):
            assert quarantine.lost(("good",)) is None
            assert quarantine.suspect("good")
        quarantine.delivered("good")
        assert not quarantine.suspect("good")
    for _ in range(10):
        assert quarantine.lost(("good", "other")) is None


def test_refusals_are_tried_again_ever_more_rarely() -> None:
    quarantine = Quarantine()
    now_s, pauses = 0.0, []
    for attempt in range(9):
        assert quarantine.refused("denied", now_s) is (attempt == 0)
        start_s = now_s
        while quarantine.blocked("denied", now_s):
            now_s += 20.0
        pauses.append(now_s - start_s)
    assert pauses[:3] == [FIRST_PAUSE_S, 2 * FIRST_PAUSE_S, 4 * FIRST_PAUSE_S]
    assert pauses[-1] == LONGEST_PAUSE_S


def test_what_was_on_its_way_goes_again_when_writer_and_reader_find_the_end_at_the_same_moment() -> None:
    """Whoever reads has found the same end and cancels the delivery while it takes its own messages back."""
    outbox = Outbox(1000, lambda: None)
    delivery = Delivery(outbox)
    for number in range(3):
        outbox.put(wanted(f"topic{number}", b"x"))
    arrived: list[str] = []

    closing = asyncio.Event()

    async def lost(message: Message) -> None:
        if message.topic == "topic0":
            raise aiomqtt.MqttError("gone")
        try:
            await asyncio.sleep(LIMIT_S)
        finally:
            closing.set()
            await asyncio.sleep(LIMIT_S)  # takes its time to close

    async def takes(message: Message) -> None:
        await asyncio.sleep(0)
        arrived.append(message.topic)

    async def story() -> None:
        serving = asyncio.create_task(delivery.serve(lost))
        await closing.wait()
        serving.cancel()
        await asyncio.gather(serving, return_exceptions=True)
        again = asyncio.create_task(delivery.serve(takes))
        assert await delivery.drain(LIMIT_S)
        again.cancel()
        await asyncio.gather(again, return_exceptions=True)

    asyncio.run(story())
    assert sorted(arrived) == ["topic0", "topic1", "topic2"]
