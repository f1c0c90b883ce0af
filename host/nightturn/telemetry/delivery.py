"""Moves messages from the outbox to the broker, twenty at a time, and sorts out what the broker will not take."""

import asyncio
from collections import deque

import structlog

from nightturn.telemetry.client import IN_FLIGHT, Publish
from nightturn.telemetry.confirming import RefusedError
from nightturn.telemetry.message import Message
from nightturn.telemetry.outbox import Outbox
from nightturn.telemetry.quarantine import Quarantine

PARKED_MAX = 100
REFUSED_BEFORE = "its topic was refused a short time ago"
DROPPED_US = "the connection ended each time it was sent"

log = structlog.get_logger(__name__)


class Delivery:
    """The consumer of an outbox; lives on one loop, serves one session after the other.

    Attributes:
        published: messages that the broker has taken.
        refused: messages that it did not take, or that were not sent because it refused their topic before.
        parked: topic and reason of the last refusals.
    """

    def __init__(self, outbox: Outbox) -> None:
        self._outbox = outbox
        self._quarantine = Quarantine()
        self._held: dict[str, Message] = {}
        self._work = asyncio.Event()
        self._progress = asyncio.Event()
        self._trouble: BaseException | None = None
        self._deadline_s: float | None = None
        self.published = 0
        self.refused = 0
        self.parked: deque[tuple[str, str]] = deque(maxlen=PARKED_MAX)

    def wake(self) -> None:
        """There may be something to send."""
        self._work.set()

    def finish(self, drain_s: float) -> None:
        """Let `serve` end when all is delivered, or after `drain_s`."""
        self._deadline_s = _now_s() + drain_s
        self._work.set()

    def retry_held(self) -> None:
        """Post the retained messages again whose topic was refused long enough ago."""
        for topic, message in list(self._held.items()):
            if not self._quarantine.blocked(topic, _now_s()):
                del self._held[topic]
                self._outbox.repost(message)

    async def drain(self, timeout_s: float) -> bool:
        """Wait until nothing is left to deliver; False when time ran out."""
        try:
            async with asyncio.timeout(timeout_s):
                while self._outbox.backlog:
                    self._progress.clear()
                    await self._progress.wait()
        except TimeoutError:
            return False
        return True

    async def serve(self, publish: Publish) -> None:
        """Announce what is retained, then deliver, until `finish`.

        Raises:
            aiomqtt.MqttError: the connection failed; what was on its way is in the outbox again.
        """
        self._outbox.post_retained_again()
        self._outbox.online(there=True)
        self._trouble = None
        tasks: set[asyncio.Task[None]] = set()
        try:
            while True:
                self._work.clear()
                self._send_all(publish, tasks)
                if self._finished():
                    return
                await self._wait_for_work()
        finally:
            for task in tasks:
                task.cancel()
            try:
                await asyncio.gather(*tasks, return_exceptions=True)
            finally:  # also where whoever reads found the same end at the same moment, and cancels this one meanwhile
                self._session_over()

    def _finished(self) -> bool:
        if self._deadline_s is None:
            return False
        return self._outbox.backlog == 0 or _now_s() >= self._deadline_s

    async def _wait_for_work(self) -> None:
        try:
            async with asyncio.timeout_at(self._deadline_s):
                await self._work.wait()
        except TimeoutError:
            return
        if self._trouble is not None:
            raise self._trouble

    def _send_all(self, publish: Publish, tasks: set[asyncio.Task[None]]) -> None:
        while (taken := self._outbox.take(self._may_go)) is not None:
            ticket, message = taken
            if self._quarantine.blocked(message.topic, _now_s()):
                self._park(message, self._outbox.done(ticket, REFUSED_BEFORE))
                self._progress.set()
                continue
            task = asyncio.get_running_loop().create_task(self._send(publish, ticket, message))
            tasks.add(task)
            task.add_done_callback(tasks.discard)
            task.add_done_callback(self._sent)

    def _may_go(self, message: Message, on_their_way: tuple[str, ...]) -> bool:
        if not on_their_way:
            return True
        if self._quarantine.suspect(message.topic) or self._quarantine.suspect(on_their_way[0]):
            return False
        return len(on_their_way) < IN_FLIGHT

    async def _send(self, publish: Publish, ticket: int, message: Message) -> None:
        try:
            await publish(message)
        except RefusedError as refusal:
            self._refuse(message.topic, refusal.reason)
            self._park(message, self._outbox.done(ticket, refusal.reason))
        else:
            self.published += self._outbox.done(ticket)
            self._quarantine.delivered(message.topic)
            self._held.pop(message.topic, None)

    def _sent(self, task: asyncio.Task[None]) -> None:
        if not task.cancelled() and task.exception() is not None:
            self._trouble = task.exception()
        self._progress.set()
        self._work.set()

    def _refuse(self, topic: str, reason: str) -> None:
        self.parked.append((topic, reason))
        if self._quarantine.refused(topic, _now_s()):
            log.warning("mqtt_refused", topic=topic, reason=reason)

    def _park(self, message: Message, count: int) -> None:
        """Count it, a batch that goes on one by one as none; what is retained is held for another try, and counts once however often it is announced."""
        if message.retain:
            if self._held.get(message.topic) is message:
                return
            self._held[message.topic] = message
        self.refused += count

    def _session_over(self) -> None:
        """Take back what was on its way; a topic that keeps ending connections counts as refused."""
        self._outbox.online(there=False)
        topics = self._outbox.give_back()
        if not topics or self._finished():
            return
        culprit = self._quarantine.lost(topics)
        if culprit is not None:
            self._refuse(culprit, DROPPED_US)


def _now_s() -> float:
    return asyncio.get_running_loop().time()
