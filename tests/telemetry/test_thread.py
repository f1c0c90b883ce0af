"""The hand-over from a program's own thread to the publisher's."""

import asyncio
import threading

from tests.telemetry.conftest import StartMosquitto
from tests.telemetry.watching import cycle, event, publisher, state, watching

from nightturn.demo.broker import Broker
from nightturn.telemetry.thread import PublisherThread

LIMIT_S = 20.0


async def collect(broker: Broker, work: threading.Thread, count: int) -> dict[str, list[int]]:
    """Sequence numbers per fixture of the first `count` queued messages, seen from outside."""
    async with watching(broker.port) as watcher:
        work.start()
        await watcher.until(
            lambda: len([s for s in watcher.seen if "/ev/" in s.topic or "m/cycle" in s.topic]) >= count
        )
        numbers: dict[str, list[int]] = {}
        for seen in watcher.seen:
            if "/ev/" in seen.topic or "m/cycle" in seen.topic:
                numbers.setdefault(seen.topic.split("/")[3], []).append(seen.values["seq"])
        return numbers


def test_many_threads_hand_over_and_every_message_arrives_once_in_order(start: StartMosquitto) -> None:
    broker = start()
    subject = PublisherThread(publisher(broker.port))
    subject.start()

    def fixture_at_work(fixture: str) -> None:
        for number in range(50):
            subject.offer(fixture, cycle(number))
            subject.offer(fixture, event())
            subject.offer(fixture, state())

    def all_at_work() -> None:
        workers = [threading.Thread(target=fixture_at_work, args=(f"pan-{n}",)) for n in range(4)]
        for worker in workers:
            worker.start()
        for worker in workers:
            worker.join()

    numbers = asyncio.run(collect(broker, threading.Thread(target=all_at_work), 400))
    assert numbers == {f"pan-{n}": list(range(1, 101)) for n in range(4)}
    subject.stop(drain_s=LIMIT_S)
    assert subject.join(LIMIT_S)
    assert subject.failure is None
    assert subject.backlog == 0


def test_a_full_hand_over_makes_the_producer_wait_and_loses_nothing(start: StartMosquitto) -> None:
    broker = start()
    subject = PublisherThread(publisher(broker.port, queue_max=20))
    waits: list[bool] = []

    def produce() -> None:
        subject.start()
        assert subject.wait_connected(LIMIT_S)
        for number in range(500):
            waits.append(subject.wait_below(10, LIMIT_S))
            subject.offer("pan-a1", cycle(number))

    numbers = asyncio.run(collect(broker, threading.Thread(target=produce), 500))
    assert numbers == {"pan-a1": list(range(1, 501))}
    assert all(waits)
    assert subject.counters.dropped == 0
    subject.stop()
    assert subject.join(LIMIT_S)


def test_without_a_broker_nobody_waits(start: StartMosquitto) -> None:
    broker = start()
    broker.stop()
    subject = PublisherThread(publisher(broker.port, queue_max=5))
    subject.start()
    for number in range(50):
        subject.offer("pan-a1", cycle(number))
        assert subject.wait_below(5, 3600.0) == (subject.backlog < 5)
    assert subject.counters.dropped == 45
    subject.stop(drain_s=3600.0)
    assert subject.join(LIMIT_S)
