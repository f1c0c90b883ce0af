"""The publisher on a real loop in a second thread, for a program whose own loop runs on virtual time."""

import asyncio
import threading
from collections.abc import Mapping

import structlog

from nightturn.model.records import Emit
from nightturn.telemetry.publisher import Counters, Publisher

START_S = 10.0

log = structlog.get_logger(__name__)


class PublisherThread:
    """Runs a `Publisher`; every method may be called from any other thread.

    A failure of the publisher ends the thread, never the caller: see `failure`.
    """

    def __init__(self, publisher: Publisher) -> None:
        self._publisher = publisher
        self._thread = threading.Thread(target=self._main, name="nightturn-mqtt", daemon=True)
        self._started = threading.Event()
        self.failure: Exception | None = None

    @property
    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    @property
    def backlog(self) -> int:
        """Messages that wait or are on their way."""
        return self._publisher.backlog

    @property
    def counters(self) -> Counters:
        """A snapshot for health pages."""
        return self._publisher.counters

    def start(self) -> None:
        """Begin to publish; returns once `stop` will be heard."""
        self._thread.start()
        self._started.wait(START_S)

    def offer(self, fixture: str, emit: Emit) -> None:
        """Take a row; never blocks."""
        self._publisher.offer(fixture, emit)

    def announce(self, fixture: str, info: Mapping[str, object]) -> None:
        """Retain what stands on a fixture."""
        self._publisher.announce(fixture, info)

    def wait_connected(self, timeout_s: float) -> bool:
        """Block until a broker has accepted us for the first time; False when time ran out."""
        return self._publisher.wait_connected(timeout_s)

    def wait_below(self, count: int, timeout_s: float) -> bool:
        """Block until fewer than `count` messages are left: how virtual time waits for a full hand-over.

        False when time ran out or nobody publishes (no broker, or the thread has ended): go on, the outbox drops
        its oldest.
        """
        if not (self.alive and self._publisher.connected):
            return self._publisher.backlog < count
        return self._publisher.wait_below(count, timeout_s)

    def stop(self, drain_s: float = 0.0) -> None:
        """Ask the thread to deliver for at most `drain_s`, say offline and end."""
        self._publisher.stop(drain_s)

    def join(self, timeout_s: float) -> bool:
        """Wait for the thread to end; False when it has not."""
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _main(self) -> None:
        try:
            asyncio.run(self._publisher.run(self._started.set))
        except Exception as problem:  # a broken sink must not end a night; the caller reads it
            self.failure = problem
            log.exception("mqtt_thread_failed")
        finally:
            self._started.set()
