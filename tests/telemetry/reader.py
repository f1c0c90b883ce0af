"""A reader in a thread of its own, for a test whose own loop runs on virtual time: what the broker retains, no older than asked for."""

import threading

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion
from tests.waiting import wait

from nightturn.telemetry.reading import FixtureSeen, picture

MARK = "reader/mark"


class Reader:
    """Joins late: it begins with what is retained, and keeps the newest of each topic."""

    def __init__(self, port: int) -> None:
        self.port = port
        self._lock = threading.Lock()
        self._retained: dict[str, bytes] = {}
        self._marks = 0
        self._marked = 0
        self.ended_runs: list[bytes] = []
        self._client = Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = self._on_message
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._client.subscribe([("nightturn/v1/#", 1), (MARK, 1)])
        self.catch_up()

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def catch_up(self) -> None:
        """Wait for a message of our own: whatever the broker took before it has arrived."""
        self._marks += 1
        self._client.publish(MARK, str(self._marks).encode(), 1)
        wait(lambda: self._marked >= self._marks, lambda: "the broker does not answer its reader")

    @property
    def fixtures(self) -> dict[str, FixtureSeen]:
        """What holds of every fixture, by the reader's rule."""
        with self._lock:
            return picture(self._retained)

    def payload(self, ending: str) -> bytes:
        """The newest payload of the one topic that ends like this."""
        with self._lock:
            (found,) = [payload for topic, payload in self._retained.items() if topic.endswith(ending)]
            return found

    def _on_message(self, _client: Client, _userdata: object, message: MQTTMessage) -> None:
        with self._lock:
            if message.topic == MARK:
                self._marked = int(message.payload)
            elif "/ev/" in message.topic:
                if message.topic.endswith("/run_ended"):
                    self.ended_runs.append(bytes(message.payload))
            elif "/m/" not in message.topic:
                self._retained[message.topic] = bytes(message.payload)
