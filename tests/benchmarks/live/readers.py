"""Who looks at a bench under load: a reader at the broker that times each cycle's message, and viewers of its page."""

import contextlib
import json
import re
import threading
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import numpy as np
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion
from tests.benchmarks.live.table import Line, bounded
from websockets.exceptions import ConnectionClosed
from websockets.sync.client import connect

CYCLES = "nightturn/v1/+/+/m/cycle"
P99_MS_MAX = 250.0
"""From a cycle's end to its message at a reader, 64 fixtures."""
WEB = '[web]\nlisten = "127.0.0.1:0"\n'
URL = re.compile(r"the page is at http://([\d.:]+)/")
PAGE_S = 30.0


class CycleReader:
    """Times messages of cycles; the fixtures' clock is this machine's."""

    def __init__(self, port: int) -> None:
        self.late_s: list[tuple[float, float]] = []
        """When it came, CLOCK_MONOTONIC, and how long after the cycle's end."""
        self._client = Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = self._on_message
        self._client.connect("127.0.0.1", port)
        self._client.subscribe(CYCLES, 1)
        self._client.loop_start()

    def close(self) -> None:
        """Let go of the broker."""
        self._client.disconnect()
        self._client.loop_stop()

    def told(self, begin_s: float, end_s: float, count: int) -> list[Line]:
        """What came in this stretch."""
        late_ms = 1000 * np.array([late_s for at_s, late_s in self.late_s if begin_s <= at_s <= end_s])
        if not len(late_ms):
            return [Line("cycles read at the broker", 0, "", ">= 1", broken=True)]
        return [
            Line("cycles read at the broker", len(late_ms), ""),
            Line("cycle end to MQTT, median", float(np.median(late_ms)), "ms"),
            bounded("cycle end to MQTT, p99", float(np.quantile(late_ms, 0.99)), "ms", P99_MS_MAX, count),
        ]

    def _on_message(self, _client: Client, _userdata: object, message: MQTTMessage) -> None:
        ended = datetime.fromisoformat(json.loads(message.payload)["ts_end"])
        self.late_s.append((time.monotonic(), time.time_ns() / 1e9 - ended.timestamp()))


@contextlib.contextmanager
def viewers(log: Path, count: int) -> Iterator[list[int]]:
    """So many people before the wall of the page that a daemon's log names; what each was told, in messages."""
    heard = [0] * count
    if not count:
        yield heard
        return
    over = threading.Event()
    host = _page_of(log)
    threads = [threading.Thread(target=_watch, args=(host, over, heard, place)) for place in range(count)]
    for thread in threads:
        thread.start()
    yield heard
    over.set()
    for thread in threads:
        thread.join()


def _page_of(log: Path) -> str:
    until_s = time.monotonic() + PAGE_S
    while not (found := URL.findall(log.read_text("utf-8"))):
        if time.monotonic() > until_s:
            raise TimeoutError("the daemon has no page")
        time.sleep(0.1)
    return str(found[-1])


def _watch(host: str, over: threading.Event, heard: list[int], place: int) -> None:
    """One viewer; the page's end is the daemon's."""
    with (
        contextlib.suppress(ConnectionClosed, OSError),
        connect(
            f"ws://{host}/word?of=/",
            origin=f"http://{host}",  # type: ignore[arg-type]  # a NewType of str
        ) as socket,
    ):
        while not over.is_set():
            with contextlib.suppress(TimeoutError):
                socket.recv(1.0)
                heard[place] += 1
