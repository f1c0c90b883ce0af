"""One connection to one broker that comes back by itself and believes only what the broker confirms."""

import asyncio
import contextlib
import logging
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from secrets import SystemRandom
from typing import Literal

import aiomqtt
import structlog
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from nightturn.telemetry.address import Address
from nightturn.telemetry.confirming import QOS, Arrived, ConfirmingClient, NoAnswerError
from nightturn.telemetry.message import Message

IN_FLIGHT = 20  # what brokers offer as Receive Maximum
UNSUPPORTED_VERSION = 0x84

Protocol = Literal["auto", "5", "3.1.1"]
Publish = Callable[[Message], Awaitable[None]]

_CHANCE = SystemRandom()
log = structlog.get_logger(__name__)
# paho reports each lost connection at a level meant for its own users; ours read the lines written here.
_QUIET = logging.getLogger("nightturn.telemetry.wire")
_QUIET.setLevel(logging.CRITICAL)


@dataclass(frozen=True, slots=True)
class Timing:
    """How patient the connection is, seconds: `answer` for each answer of the broker, the rest for trying again."""

    answer_s: float = 5.0
    backoff_first_s: float = 0.1
    backoff_most_s: float = 5.0
    keepalive_s: int = 20


class Connection:
    """Keeps a session with the broker alive until its `serve` coroutine returns.

    Args:
        address: where and as whom.
        identifier: client id, the same at every connect, so that the broker ends a half-dead older session (and
            publishes its will) before the new one announces itself.
        will: makes the last will, at each connect; None: nothing is said when this connection is lost.
        watch: filters of topics to read; each message goes to `on_message`. A broker that denies them costs no more than that.
        protocol: "auto" tries MQTT 5 and falls back to 3.1.1; what worked first is kept.
    """

    def __init__(
        self,
        address: Address,
        *,
        identifier: str,
        will: Callable[[], Message] | None,
        watch: Sequence[str],
        on_message: Callable[[Arrived], None],
        protocol: Protocol = "auto",
        timing: Timing | None = None,
        jitter: Callable[[], float] = _CHANCE.random,
    ) -> None:
        self._address = address
        self._identifier = identifier
        self._will = will
        self._watch = watch
        self._on_message = on_message
        self._timing = timing or Timing()
        self._jitter = jitter
        self._may_change = protocol == "auto"
        self._version = aiomqtt.ProtocolVersion.V311 if protocol == "3.1.1" else aiomqtt.ProtocolVersion.V5
        self._stop = asyncio.Event()
        self._failures = 0
        self._last_trouble = ""
        self.connects = 0
        self.connected = False

    @property
    def protocol(self) -> Literal["5", "3.1.1"]:
        """The version in use."""
        return "5" if self._version == aiomqtt.ProtocolVersion.V5 else "3.1.1"

    @property
    def expiry(self) -> bool:
        """Whether message expiry works: MQTT 3.1.1 has none."""
        return self._version == aiomqtt.ProtocolVersion.V5

    def stop(self) -> None:
        """Stop waiting for a broker that does not answer; a session that is up ends when its `serve` returns."""
        self._stop.set()

    def delivered(self) -> None:
        """Something went through: the next trouble starts with a short wait again."""
        self._failures = 0

    async def run(self, serve: Callable[[Publish], Awaitable[None]]) -> None:
        """Connect, serve, and connect again until `serve` returns by itself, or after `stop` no broker answers.

        `serve` is cancelled when the connection is lost. Network trouble is waited out, never raised.
        """
        while True:
            connects_before = self.connects
            try:
                await self._session(serve)
            except aiomqtt.MqttError as problem:
                if self._change_version(problem):
                    continue
                if self._stop.is_set() and self.connects == connects_before:
                    return
                await self._pause(str(problem))
            else:
                return

    async def _session(self, serve: Callable[[Publish], Awaitable[None]]) -> None:
        client = self._client()
        try:
            async with client:
                self._up()
                try:
                    await _race(serve(lambda message: self._publish(client, message)), self._read(client))
                finally:
                    self.connected = False
        except aiomqtt.MqttError as problem:
            silent = client.silent
            client.abandon()
            if silent:
                raise NoAnswerError(str(problem)) from problem
            raise
        except BaseException:
            client.abandon()
            raise

    async def _read(self, client: ConfirmingClient) -> None:
        """Read until the connection is lost; the error that ends it is raised."""
        for topics in self._watch:
            denied = await client.watch(topics)
            if denied:
                log.warning("mqtt_not_readable", topics=topics, detail=denied)
        await client.read_until_lost(self._on_message)

    def _client(self) -> ConfirmingClient:
        will = self._will() if self._will is not None else None
        address = self._address
        return ConfirmingClient(
            address.host,
            address.port,
            username=address.username,
            password=address.password,
            identifier=self._identifier,
            protocol=self._version,
            will=aiomqtt.Will(will.topic, will.payload, qos=QOS, retain=will.retain)
            if will is not None
            else None,
            timeout=self._timing.answer_s,
            keepalive=self._timing.keepalive_s,
            max_inflight_messages=IN_FLIGHT,
            tls_context=address.tls_context,
            logger=_QUIET,
        )

    async def _publish(self, client: ConfirmingClient, message: Message) -> None:
        properties = None
        if self.expiry:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]  # paho leaves it bare
            properties.ContentType = "application/json"
            if message.expiry_s is not None:
                properties.MessageExpiryInterval = message.expiry_s
        await client.publish_confirmed(
            message.topic, message.payload, retain=message.retain, properties=properties
        )
        self.delivered()

    def _up(self) -> None:
        self.connects += 1
        self.connected = True
        self._last_trouble = ""
        log.info("mqtt_connected", broker=self._address.text, protocol=self.protocol)
        if self._may_change and not self.expiry:
            log.warning(
                "mqtt_fell_back",
                broker=self._address.text,
                protocol=self.protocol,
                detail="this broker does not support MQTT 5: messages do not expire and refusals cannot be seen",
            )
        self._may_change = False

    def _change_version(self, problem: aiomqtt.MqttError) -> bool:
        """Whether to go on at once with the other version of MQTT.

        A broker that only knows 3.1.1 says so, or (amqtt 0.12, when there is a will) misreads the message and
        says nothing. Silence may have other reasons, so after it the versions take turns until one works.
        """
        if not self._may_change:
            return False
        refused = isinstance(problem, MqttConnectError) and _code(problem) == UNSUPPORTED_VERSION
        if not refused and not isinstance(problem, NoAnswerError):
            return False
        self._version = aiomqtt.ProtocolVersion.V311 if self.expiry else aiomqtt.ProtocolVersion.V5
        return refused

    async def _pause(self, trouble: str) -> None:
        """Wait 0.1 s, doubling to 5 s, each time between half and all of it; say each new trouble once."""
        if trouble != self._last_trouble:
            self._last_trouble = trouble
            log.warning("mqtt_unreachable", broker=self._address.text, detail=trouble)
        timing = self._timing
        wait_s = min(timing.backoff_most_s, timing.backoff_first_s * 2 ** min(self._failures, 16))
        self._failures += 1
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._stop.wait(), wait_s * (0.5 + 0.5 * self._jitter()))


def _code(problem: MqttConnectError) -> int | None:
    return problem.rc.value if isinstance(problem.rc, ReasonCode) else problem.rc


async def _race(serve: Awaitable[None], lost: Awaitable[None]) -> None:
    """Return when `serve` does; raise what either raises; leave neither running."""
    tasks = [asyncio.ensure_future(serve), asyncio.ensure_future(lost)]
    try:
        await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in tasks:
            task.cancel()
        outcomes = await asyncio.gather(*tasks, return_exceptions=True)
    for outcome in outcomes:
        if isinstance(outcome, BaseException) and not isinstance(outcome, asyncio.CancelledError):
            raise outcome
