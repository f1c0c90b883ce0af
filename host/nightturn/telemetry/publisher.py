"""The MQTT sink: rows in from any thread, messages out, and the fixtures never wait for the network."""

import asyncio
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Literal, Protocol

import msgspec
import structlog

from nightturn.errors import ConfigError, StorageError
from nightturn.model.records import Emit
from nightturn.model.rows import CountersRow
from nightturn.telemetry import payloads
from nightturn.telemetry.address import parse_url
from nightturn.telemetry.client import Connection, Publish, Timing
from nightturn.telemetry.commands import Asked
from nightturn.telemetry.composer import Composer
from nightturn.telemetry.confirming import Arrived, RefusedError
from nightturn.telemetry.delivery import Delivery
from nightturn.telemetry.message import M_EXPIRY_S, Message, latest, retained
from nightturn.telemetry.moments import utc_text
from nightturn.telemetry.outbox import Outbox
from nightturn.telemetry.outbox_store import FLUSH_S, OutboxStore
from nightturn.telemetry.payloads import Health, Host, Stamp
from nightturn.telemetry.topics import Topics

QUEUE_MAX = 100_000
"""A night of 64 fixtures without a broker; what it takes in bytes is bounded beside that."""
HEALTH_S = 10.0
GOODBYE_S = 2.0
STARTED_REASON = "running"
WILL_REASON = "connection lost"
CLEAN_REASON = "stopped"

log = structlog.get_logger(__name__)


class BrokerPart(Protocol):
    """What of `[mqtt]` is read here (`settings.rig.MqttPart`)."""

    @property
    def url(self) -> str:
        """`mqtt://...` or `mqtts://...`."""
        ...

    @property
    def protocol(self) -> Literal["auto", "5", "3.1.1"]:
        """The version of MQTT."""
        ...

    @property
    def username(self) -> str | None:
        """Who we are to the broker."""
        ...

    @property
    def cafile(self) -> str | None:
        """The certificate authority to trust instead of the system's."""
        ...

    @property
    def certfile(self) -> str | None:
        """Our own certificate."""
        ...

    @property
    def keyfile(self) -> str | None:
        """Its key, where that is not in the same file."""
        ...


class Counters(msgspec.Struct, frozen=True):
    """How the telemetry is doing since the daemon started.

    Attributes:
        queued: messages that wait or are on their way.
        published: messages that the broker has taken.
        dropped: queued messages that were given up, for want of room or because an outage was long; `thinned` of them were figures of an
            outage, `events_dropped` events.
        refused: messages that the broker did not take; the last ones are in `Publisher.parked`.
        unpublishable: rows whose names cannot stand in a topic.
        connects: sessions, the first included.
    """

    queued: int
    published: int
    dropped: int
    refused: int
    unpublishable: int
    connects: int
    thinned: int = 0
    events_dropped: int = 0


class Publisher:
    """Publishes rows, state and its own health; loses the oldest when the broker stays away too long.

    `offer`, `announce` and `stop` may be called from any thread, before, during and after `run`.

    Args:
        settings: `[mqtt]` of the rig.
        bench: a word that no other bench of this broker has and each start of this one has: two clients under one name would
            throw each other out for ever.
        daemon_boot: a word that no other start of this daemon has.
        utc_ns: the clock that people read.
        password: kept out of the rig file by whoever has it.
        commanded: fixtures, and `host`, whose commands are read and go to `on_command`; nobody's where the rig file does not allow them.
        store: keeps what was not delivered over a restart; None: nothing does.

    Raises:
        ConfigError: the address, the lab or the host name cannot be used.
    """

    def __init__(
        self,
        settings: BrokerPart,
        *,
        lab: str,
        host: str,
        bench: str,
        daemon_boot: str,
        utc_ns: Callable[[], int],
        version: str,
        password: str | None = None,
        queue_max: int = QUEUE_MAX,
        health_s: float = HEALTH_S,
        timing: Timing | None = None,
        commanded: Sequence[str] = (),
        store: OutboxStore | None = None,
    ) -> None:
        self.topics = Topics(lab, host)
        self.on_command: Callable[[Arrived], None] = lambda _arrived: None
        keepalive_s = (timing or Timing()).keepalive_s
        self._host = Host(host, daemon_boot, version, keepalive_s)
        self._utc_ns = utc_ns
        self._health_s = health_s
        self._lock = threading.Lock()
        self._composer = Composer(self.topics, daemon_boot)
        self._store = store
        self._outbox = Outbox(queue_max, self._on_put, store=store, clock_s=lambda: utc_ns() / 1e9)
        self._delivery = Delivery(self._outbox)
        self._loop: asyncio.AbstractEventLoop | None = None
        self._first_session = threading.Event()
        self._woken = False
        self._stopped_early = False
        self._unpublishable = 0
        address = parse_url(
            settings.url,
            username=settings.username,
            password=password,
            cafile=settings.cafile,
            own=(settings.certfile, settings.keyfile),
        )
        self._connection = Connection(
            address,
            identifier=f"nightturn-{host}-{bench}",
            will=lambda: self._host_said(payloads.last_will(self._host, utc_ns(), WILL_REASON)),
            watch=(self.topics.alarms(), *(self.topics.commands(each) for each in commanded)),
            on_message=self._found,
            protocol=settings.protocol,
            timing=timing,
        )

    @property
    def backlog(self) -> int:
        """Messages that wait or are on their way."""
        return self._outbox.backlog

    @property
    def connected(self) -> bool:
        """Whether a broker has accepted us and not gone since."""
        return self._connection.connected

    @property
    def parked(self) -> tuple[tuple[str, str], ...]:
        """Topic and reason of the last refusals, at most 100."""
        return tuple(self._delivery.parked)

    @property
    def counters(self) -> Counters:
        """A snapshot for health pages."""
        return Counters(
            queued=self._outbox.backlog,
            published=self._delivery.published,
            dropped=self._outbox.dropped.total,
            thinned=self._outbox.dropped.thinned,
            events_dropped=self._outbox.dropped.events,
            refused=self._delivery.refused,
            unpublishable=self._unpublishable,
            connects=self._connection.connects,
        )

    def announce(self, fixture: str, info: Mapping[str, object]) -> None:
        """Retain what stands on a fixture; `run` in it names the run that the next messages belong to.

        Raises:
            ConfigError: the fixture's id cannot stand in a topic.
        """
        with self._lock:
            self._put(self._composer.info(fixture, info, self._utc_ns()))

    def offer(self, fixture: str, emit: Emit) -> None:
        """Take a row: encode it, put it in the outbox, return. Rows of no interest to MQTT are passed over."""
        try:
            with self._lock:
                self._put(self._composer.row(fixture, emit.row))
        except ConfigError as problem:
            self._unpublishable += 1
            if self._unpublishable == 1:
                log.warning("mqtt_unpublishable", fixture=fixture, dataset=emit.dataset, detail=str(problem))

    def answer(self, given: Asked, *, ok: bool, said: str) -> None:
        """Say what became of a command."""
        with self._lock:
            self._put(self._composer.answered(given, self._utc_ns(), ok=ok, said=said))

    async def run(self, started: Callable[[], None] = lambda: None) -> None:
        """Publish until `stop`; without a broker, wait for one. One publisher runs once; `started` is called when `stop` works."""
        with self._lock:
            if self._stopped_early:
                return
            self._loop = asyncio.get_running_loop()
        started()
        self._outbox.put(self._online())
        beside = [asyncio.create_task(self._report_health())]
        if self._store is not None:
            beside.append(asyncio.create_task(self._keep(self._store)))
        try:
            await self._connection.run(self._serve)
        finally:
            for task in beside:
                task.cancel()
            await asyncio.gather(*beside, return_exceptions=True)
            if self._store is not None:
                self._store.close()
            with self._lock:
                self._loop = None

    def stop(self, drain_s: float = 0.0) -> None:
        """End `run`: deliver what can be delivered within `drain_s`, say offline, disconnect.

        When no broker answers it ends with the present attempt. Cancelling `run` instead leaves the last will unsaid.
        """
        with self._lock:
            if self._loop is None:
                self._stopped_early = True
            else:
                self._loop.call_soon_threadsafe(self._begin_stop, drain_s)

    async def drain(self, timeout_s: float) -> bool:
        """Wait until nothing is left to deliver; False when time ran out. For the loop that `run` is on."""
        return await self._delivery.drain(timeout_s)

    def wait_connected(self, timeout_s: float) -> bool:
        """Block until the first session is up; False when time ran out. For other threads only."""
        return self._first_session.wait(timeout_s)

    def wait_below(self, count: int, timeout_s: float) -> bool:
        """Block until fewer than `count` messages are left; False when time ran out. For other threads only."""
        return self._outbox.wait_below(count, timeout_s)

    def _put(self, messages: Iterable[Message]) -> None:
        for message in messages:
            self._outbox.put(message)

    def _online(self) -> Message:
        return self._host_said(payloads.host_online(self._host, self._utc_ns(), STARTED_REASON))

    def _host_said(self, payload: bytes) -> Message:
        return retained(self.topics.host_state(), payload)

    def _found(self, arrived: Arrived) -> None:
        """What the broker has on a topic that is watched."""
        if self.topics.command_of(arrived.topic) is not None:
            self.on_command(arrived)
            return
        with self._lock:
            self._put(self._composer.found(arrived.topic, arrived.payload))

    def _on_put(self) -> None:
        if not self._woken and self._loop is not None:
            self._woken = True
            self._loop.call_soon_threadsafe(self._wake)

    # on the loop

    async def _serve(self, publish: Publish) -> None:
        self._first_session.set()
        await self._delivery.serve(publish)
        with self._lock:
            farewell = self._composer.leave(self._utc_ns())
        farewell.append(self._host_said(payloads.host_left(self._host, self._utc_ns(), CLEAN_REASON)))
        try:
            async with asyncio.timeout(GOODBYE_S):
                for message in farewell:
                    await publish(message)
        except (RefusedError, TimeoutError) as problem:
            log.warning("mqtt_goodbye_failed", detail=str(problem))

    async def _keep(self, store: OutboxStore) -> None:
        """The queue to the disk, beside the loop."""
        told = False
        while True:
            await asyncio.sleep(FLUSH_S)
            try:
                await asyncio.get_running_loop().run_in_executor(None, store.flush)
            except StorageError as error:
                if not told:
                    _not_kept(error)
                told = True
            else:
                told = False

    async def _report_health(self) -> None:
        while True:
            await asyncio.sleep(self._health_s)
            if not self.connected:
                continue
            self._delivery.retry_held()
            self._outbox.put(self._online())
            with self._lock:
                stamps = self._composer.stamps()
                counted = {fixture: self._composer.counters(fixture) for fixture in stamps}
            for fixture, stamp in stamps.items():
                topic = self.topics.measurement(fixture, "health")
                self._outbox.put(latest(topic, self._health(stamp, counted[fixture]), M_EXPIRY_S))

    def _health(self, stamp: Stamp, counted: CountersRow | None) -> bytes:
        counters = self.counters
        return payloads.health(
            Health(
                v=payloads.VERSION,
                ts=utc_text(self._utc_ns()),
                seq=stamp.seq,
                daemon_boot=stamp.daemon_boot,
                run=stamp.run,
                host=stamp.host,
                queued_messages=counters.queued,
                published_messages=counters.published,
                dropped_messages=counters.dropped,
                refused_messages=counters.refused,
                unpublishable_rows=counters.unpublishable,
                reconnects=max(0, counters.connects - 1),
                expiry=self._connection.expiry,
            ),
            counted,
        )

    def _wake(self) -> None:
        self._woken = False
        self._delivery.wake()

    def _begin_stop(self, drain_s: float) -> None:
        self._delivery.finish(drain_s)
        self._connection.stop()


def _not_kept(error: StorageError) -> None:
    log.error("mqtt_outbox_not_kept", why=str(error), next="messages wait in memory; it is tried again")
