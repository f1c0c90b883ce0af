"""Eight hours without a broker, in virtual time: killed twice, refusing, slow, its password changed.

Every event arrives once by `seq` and in order, everything that was dropped is counted, and a reader finds it by `seq`. What waited
comes in batches, also where the broker takes none on a topic of batches. The broker is played here; what a real one
does to one message is in test_publisher.py and test_denied.py.
"""

import asyncio
import contextlib
import json
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import aiomqtt
from tests.simulation.scene import run

from nightturn.telemetry.batches import BATCH_MAX
from nightturn.telemetry.confirming import RefusedError
from nightturn.telemetry.delivery import Delivery
from nightturn.telemetry.message import Message, retained, wanted
from nightturn.telemetry.outbox import Outbox
from nightturn.telemetry.outbox_store import OutboxStore

HOUR_S = 3600.0
AWAY_S = (HOUR_S, 9 * HOUR_S)
KILLED_S = (9 * HOUR_S + 20.0, 9 * HOUR_S + 40.0)
"""Twice while the backlog drains; each time it has taken messages whose answers nobody gets."""
PASSWORD_S = (10 * HOUR_S, 10.5 * HOUR_S)
REFUSED = "9/ev/secret"
NO_BATCH = "3/ev/batch"
"""Its access list is older than batches: each event of this fixture has to come alone."""
FIXTURES, EVERY_S, ENDS_S = 4, 30.0, 11 * HOUR_S


class Broker:
    """Takes messages as the story wants; what it has taken it never forgets."""

    def __init__(self) -> None:
        self.taken: list[tuple[str, dict[str, int]]] = []
        self.batches: list[int] = []
        self.killed = 0

    def away(self, now_s: float) -> bool:
        return any(begin_s <= now_s < end_s for begin_s, end_s in (AWAY_S, PASSWORD_S))

    async def publish(self, message: Message) -> None:
        now_s = asyncio.get_running_loop().time()
        if self.away(now_s):
            raise aiomqtt.MqttError("nobody is there")
        slow_s = 2.0 if now_s > PASSWORD_S[1] else 0.05
        if message.topic in {REFUSED, NO_BATCH}:
            raise RefusedError(message.topic, "Not authorized")
        self._take(message.topic, json.loads(message.payload))
        if self.killed < len(KILLED_S) and now_s > KILLED_S[self.killed]:
            self.killed += 1
            raise aiomqtt.MqttError("the connection ended before the answer")
        await asyncio.sleep(slow_s)

    def _take(self, topic: str, said: dict[str, Any]) -> None:
        """What a reader does with a batch: each message as if it had come under its own topic."""
        if not topic.endswith("/batch"):
            self.taken.append((topic, said))
            return
        assert said["late"] is True
        self.batches.append(len(said["messages"]))
        for each in said["messages"]:
            assert each["topic"].rpartition("/")[0] == topic.rpartition("/")[0]  # one fixture, one class
            self.taken.append((each["topic"], each["payload"]))


async def connected(delivery: Delivery, broker: Broker) -> None:
    """What `telemetry.client.Connection` does, without its wire."""
    publish: Callable[[Message], Awaitable[None]] = broker.publish
    while True:
        if not broker.away(asyncio.get_running_loop().time()):
            with contextlib.suppress(aiomqtt.MqttError):
                await delivery.serve(publish)
                return
        await asyncio.sleep(5.0)


def test_after_eight_hours_without_a_broker_every_event_has_arrived_once_and_every_drop_is_counted(
    tmp_path: Path,
) -> None:
    async def act() -> None:
        loop, broker = asyncio.get_running_loop(), Broker()
        store = OutboxStore(tmp_path / "outbox.sqlite")
        box = Outbox(100_000, lambda: None, store=store, clock_s=loop.time)
        delivery = Delivery(box)
        serving = loop.create_task(connected(delivery, broker))
        seqs, events, figures = [0] * FIXTURES, 0, 0
        while loop.time() < ENDS_S:
            for fixture in range(FIXTURES):
                seqs[fixture] += 2
                box.put(wanted(f"{fixture}/ev/x", b'{"seq":%d}' % (seqs[fixture] - 1)))
                box.put(wanted(f"{fixture}/m/cycle", b'{"seq":%d}' % seqs[fixture], 86_400))
                box.put(retained(f"{fixture}/state", b'{"seq":%d}' % seqs[fixture]))
                events, figures = events + 1, figures + 1
            delivery.wake()
            store.flush()
            await asyncio.sleep(EVERY_S)
        box.put(wanted(REFUSED, b'{"seq":1}'))
        delivery.finish(600.0)
        await serving
        store.close()
        _all_there(broker, events, figures, box)
        assert OutboxStore(tmp_path / "outbox.sqlite").refused() == [(REFUSED, "Not authorized")]

    run(act)


def _all_there(broker: Broker, events: int, figures: int, box: Outbox) -> None:
    arrived = missing = 0
    for fixture in range(FIXTURES):
        seqs = [said["seq"] for topic, said in broker.taken if topic == f"{fixture}/ev/x"]
        once = list(dict.fromkeys(seqs))
        assert once == sorted(once) == list(range(1, 2 * events // FIXTURES, 2))
        assert (
            len(seqs) - len(once) <= BATCH_MAX * broker.killed
        )  # what was on its way comes twice, with the same seq
        missing += _missing(broker.taken, f"{fixture}/", 2 * events // FIXTURES)
        arrived += len({said["seq"] for topic, said in broker.taken if topic == f"{fixture}/m/cycle"})
    assert broker.killed == 2
    assert (box.dropped.events, box.dropped.figures) == (0, 0)
    assert box.dropped.thinned > 1000
    assert arrived + box.dropped.total == figures
    assert missing == box.dropped.total
    assert 50 < max(broker.batches) <= BATCH_MAX
    late = [said for topic, said in broker.taken if topic.endswith("/ev/x") and said.get("late")]
    assert 8 * HOUR_S / EVERY_S * FIXTURES * 0.9 < len(late) < events  # those of the outage, and they say so


def _missing(taken: list[tuple[str, dict[str, int]]], below: str, last_seq: int) -> int:
    """What a reader of one fixture misses: a number is lost where a message that is not late has come from behind it."""
    here: set[int] = set()
    lost: set[int] = set()
    for topic, said in taken:
        if not topic.startswith(below) or topic.endswith("/state"):
            continue
        assert said["seq"] not in lost, "it came after a message that was not late"
        here.add(said["seq"])
        if not said.get("late"):
            lost = set(range(1, said["seq"])) - here
    assert max(here) == last_seq
    return len(lost)
