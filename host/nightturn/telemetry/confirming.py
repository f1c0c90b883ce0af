"""aiomqtt's client, but a publish returns only if the broker says that it took the message."""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import aiomqtt
from paho.mqtt.client import MQTT_ERR_SUCCESS, DisconnectFlags
from paho.mqtt.client import Client as PahoClient
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from nightturn.errors import TelemetryError

QOS = 1
DENIED = 0x80  # of a SUBACK of MQTT 3.1.1


@dataclass(frozen=True, slots=True)
class Arrived:
    """A message that a broker has sent, and whether it is one that the broker kept."""

    topic: str
    payload: bytes
    retained: bool = False


class RefusedError(TelemetryError):
    """The broker answered that it does not take the message.

    Attributes:
        topic: where it was to go.
        reason: the broker's reason.
    """

    def __init__(self, topic: str, reason: str) -> None:
        self.topic = topic
        self.reason = reason
        super().__init__(f"{topic}: {reason}")


class NoAnswerError(aiomqtt.MqttError):
    """A socket opened, but no broker answered on it: perhaps none that speaks this version of MQTT."""


class ConfirmingClient(aiomqtt.Client):
    """One connection, used once.

    `publish` of aiomqtt 2.5.1 wakes its caller at a PUBACK without looking at the reason code, so a message that
    an access list denied looks delivered. `publish_confirmed` waits for the code itself, on the paho client that
    aiomqtt drives. It rests on private names (`_client`, `_loop`, `_misc_task`, `_connected`, `_disconnected`): aiomqtt
    is pinned below 3 and tests with a denying broker and a cut network hold it.
    """

    def __init__(self, *args: Any, **kwargs: Any) -> None:  # noqa: ANN401  passed to aiomqtt unseen
        super().__init__(*args, **kwargs)
        self._answers: dict[int, asyncio.Future[ReasonCode]] = {}
        self._client.on_publish = self._on_answer
        self._client.on_disconnect = self._on_end
        self._client.on_socket_register_write = self._wants_to_write
        self._client.connect_timeout = self.timeout
        for future in (self._connected, self._disconnected):
            # a connection that ends while nobody waits for its end is no error of the program
            future.add_done_callback(lambda ended: None if ended.cancelled() else ended.exception())

    @property
    def silent(self) -> bool:
        """A socket is open, but the broker has not answered on it."""
        return not self._connected.done() and self._client.socket() is not None

    async def publish_confirmed(
        self, topic: str, payload: bytes, *, retain: bool, properties: Properties | None
    ) -> None:
        """Publish at QoS 1 and return once the broker has taken the message.

        Raises:
            RefusedError: the broker answered with a failure code. "No matching subscribers" (0x10) is none.
            aiomqtt.MqttError: the connection failed first; the message may or may not have arrived.
        """
        sent = self._client.publish(topic, payload, QOS, retain, properties)
        if sent.rc != MQTT_ERR_SUCCESS:
            raise aiomqtt.MqttCodeError(sent.rc, "Could not publish message")
        answer: asyncio.Future[ReasonCode] = self._loop.create_future()
        self._answers[sent.mid] = answer
        try:
            async with asyncio.timeout(self.timeout):
                code = await answer
        except TimeoutError:
            raise aiomqtt.MqttError("the broker did not answer in time") from None
        finally:
            del self._answers[sent.mid]
        if code.is_failure:
            raise RefusedError(topic, str(code))

    async def watch(self, topics: str) -> str:
        """Subscribe; why the broker does not let us, or an empty text.

        Raises:
            aiomqtt.MqttError: the connection failed first.
        """
        answers = await self.subscribe(topics, qos=QOS)
        code = answers[0]
        if isinstance(code, ReasonCode):
            return str(code) if code.is_failure else ""
        return "denied" if code >= DENIED else ""

    async def read_until_lost(self, take: Callable[[Arrived], None]) -> None:
        """Hand on what arrives until the connection ends.

        Raises:
            aiomqtt.MqttError: always, once it has.
        """
        async for message in self.messages:
            if isinstance(message.payload, bytes):
                take(Arrived(str(message.topic), message.payload, bool(message.retain)))

    def abandon(self) -> None:
        """Close what a failed connection left open, so that nothing of it lives on in the loop."""
        if self._misc_task is not None:
            self._misc_task.cancel()
        sock = self._client.socket()
        if sock is not None and sock.fileno() >= 0:
            self._loop.remove_reader(sock.fileno())
            self._loop.remove_writer(sock.fileno())
            sock.close()

    def _wants_to_write(self, _client: PahoClient, _userdata: object, sock: Any) -> None:  # noqa: ANN401  of paho
        """Write when the socket takes bytes.

        aiomqtt hands the loop a number, a turn later: the socket may be closed by then, and the number another one's.
        """

        def write() -> None:
            try:
                self._client.loop_write()
            except Exception as problem:  # noqa: BLE001 - whatever it is, this connection is over
                if not self._disconnected.done():
                    self._disconnected.set_exception(problem)

        def register() -> None:
            if sock.fileno() >= 0:
                self._loop.add_writer(sock.fileno(), write)

        self._loop.call_soon_threadsafe(register)

    def _on_end(
        self,
        client: PahoClient,
        userdata: object,
        flags: DisconnectFlags,
        code: ReasonCode,
        properties: Properties | None = None,
    ) -> None:
        if self._connected.done():
            self._on_disconnect(client, userdata, flags, code, properties)
        else:  # aiomqtt would wait for the answer until time is up
            self._connected.set_exception(
                NoAnswerError("the broker closed the connection instead of answering")
            )

    def _on_answer(
        self,
        _client: PahoClient,
        _userdata: object,
        mid: int,
        code: ReasonCode,
        _properties: Properties,
    ) -> None:
        answer = self._answers.get(mid)
        if answer is not None and not answer.done():
            answer.set_result(code)
