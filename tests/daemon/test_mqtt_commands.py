"""Commands over MQTT at a real daemon with a device: who may pause and stop does, once; everything else is answered and in the log."""

import json
import secrets
import time
from pathlib import Path
from typing import Any

from tests.daemon.processes import Processes, mount, say_go, write_bench
from tests.device.native import NativeDevices
from tests.telemetry.conftest import StartMosquitto, start
from tests.waiting import wait

from nightturn.storage.alarm_log import check_book
from nightturn.telemetry.moments import utc_text

__all__ = ["start"]

TREE = "nightturn/v1/quillfen/pan-a1"


class Sender:
    """An operator's program: sends commands and keeps the answers."""

    def __init__(self, port: int) -> None:
        from paho.mqtt.client import Client
        from paho.mqtt.enums import CallbackAPIVersion

        self.answers: list[dict[str, Any]] = []
        self._client = Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = lambda _client, _data, message: self.answers.append(
            json.loads(message.payload)
        )
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._client.subscribe(f"{TREE}/ev/command", 1)

    def send(self, name: str, word: str = "", *, age_s: float = 0.0, retain: bool = False) -> dict[str, Any]:
        """The answer to a command."""
        before = len(self.answers)
        ts = utc_text(time.time_ns() - round(age_s * 1e9))
        said = {
            "v": 1,
            "id": word or secrets.token_hex(8),
            "operator": "R. Vale",
            "ts": ts,
            "reason": "smoke",
        }
        self._client.publish(f"{TREE}/cmd/{name}", json.dumps(said), 1, retain)
        wait(lambda: len(self.answers) > before, lambda: f"no answer to {name}")
        return self.answers[before]

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def test_an_operator_pauses_and_stops_over_mqtt_and_nothing_else_gets_through(
    tmp_path: Path, processes: Processes, native_device: NativeDevices, start: StartMosquitto
) -> None:
    broker = start()
    device = native_device()
    bench = write_bench(
        tmp_path, {"pan-a1": device.port}, mqtt=f'mqtt://127.0.0.1:{broker.port}"\ncommands = true #'
    )
    mount(tmp_path, "pan-a1")
    serve = processes.start("serve", str(bench))
    say_go(tmp_path, device)
    wait(lambda: bool(device.state()["moving"]), lambda: serve.said)
    sender = Sender(broker.port)
    try:
        old = sender.send("pause", age_s=60.0)
        assert (old["ok"], "counts for 10 s" in old["said"]) == (False, True)
        go = sender.send("go")
        assert (go["ok"], "nothing more" in go["said"]) == (False, True)
        assert device.state()["moving"]

        word = secrets.token_hex(8)
        paused = sender.send("pause", word)
        assert (paused["ok"], paused["id"], paused["operator"]) == (True, word, "R. Vale"), paused
        wait(lambda: not device.state()["moving"], lambda: serve.said)
        again = sender.send("pause", word)
        assert (again["ok"], "it acts once" in again["said"]) == (False, True)

        stopped = sender.send("stop")
        assert stopped["ok"], stopped
        assert serve.interrupt() == 0
    finally:
        sender.close()
    book, _ = check_book(tmp_path / "nights")
    assert book.problem == ""
    log = "".join(each.read_text("utf-8") for each in (tmp_path / "nights" / "alarms").glob("log-*.jsonl"))
    assert log.count('"what":"mqtt_command"') == 2
    assert log.count('"what":"mqtt_command_refused"') == 3
    assert f"pause {word}" in log
