"""Batches at a real broker: what waited comes together, each message as it would have been alone."""

import asyncio

from tests.telemetry.conftest import StartMosquitto
from tests.telemetry.watching import T0, cycle, event, publisher, running, watching

OF_A1 = "nightturn/v1/quillfen/pan-a1"


def test_what_waited_comes_in_a_batch_of_figures_and_one_of_events(start: StartMosquitto) -> None:
    async def story() -> None:
        clock = [T0]
        broker = start()
        subject = publisher(broker.port, utc_ns=lambda: clock[0])
        for number in range(3):
            subject.offer("pan-a1", cycle(number))
            subject.offer("pan-a1", event("restart"))
        clock[0] += 60 * 10**9
        async with watching(broker.port) as watcher, running(subject):
            assert await subject.drain(20)
            await watcher.until(lambda: len(watcher.on("/batch")) == 2)
        assert subject.counters.published >= 6
        (figures,), (events,) = watcher.on("m/batch"), watcher.on("ev/batch")
        assert (figures.expiry_s, events.expiry_s) == (86_400, None)
        for batch, topic, seqs in ((figures, "m/cycle", [1, 3, 5]), (events, "ev/restart", [2, 4, 6])):
            inside = batch.values["messages"]
            assert [each["topic"] for each in inside] == [f"{OF_A1}/{topic}"] * 3
            assert [(each["payload"]["seq"], each["payload"]["late"]) for each in inside] == [
                (seq, True) for seq in seqs
            ]

    asyncio.run(story())
