"""More commands over MQTT at once than can wait: each is answered, what was not carried out is in the log, and a flood is one line."""

import asyncio
import json
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import cast

from tests.simulation.scene import START_UTC_NS, run

from nightturn.alarms.words import Audited, Given
from nightturn.bench.alarm_desk import AlarmDesk
from nightturn.bench.virtual_loop import VirtualLoop
from nightturn.bench.worlds import virtual_world
from nightturn.daemon.control_protocol import VERSION, Answer, Request
from nightturn.daemon.mqtt_commands import NAMED_MAX, REFUSED, TOO_MANY, WAITING_MAX, MqttCommands
from nightturn.telemetry.commands import Asked
from nightturn.telemetry.confirming import Arrived
from nightturn.telemetry.moments import utc_text
from nightturn.telemetry.publisher import Publisher
from nightturn.telemetry.topics import Topics

MORE = 20


class Line:
    """Publisher and desk in one: hands commands in, keeps answers and lines of the log."""

    def __init__(self) -> None:
        self.topics = Topics("quillfen", "bench-1")
        self.on_command: Callable[[Arrived], None] = lambda _arrived: None
        self.answers: list[tuple[str, bool, str]] = []
        self.lines: list[Audited] = []

    def answer(self, given: Asked, *, ok: bool, said: str) -> None:
        self.answers.append((given.id, ok, said))

    async def asked(self, given: Given) -> tuple[str, bool]:
        assert isinstance(given, Audited)
        self.lines.append(given)
        return "", True


def test_what_finds_too_many_waiting_is_answered_not_done_and_one_line_of_the_log(tmp_path: Path) -> None:
    done: list[str] = []

    async def act() -> None:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, VirtualLoop)
        world = virtual_world(tmp_path, loop, START_UTC_NS)
        line = Line()

        async def handler(request: Request) -> Answer:
            done.append(request.id)
            return Answer(VERSION, request.id, ok=True, state="paused", kept=True)

        carry: Callable[[Request], Awaitable[Answer]] = handler
        commands = MqttCommands(cast("Publisher", line), cast("AlarmDesk", line), carry, tmp_path, world)
        for number in range(WAITING_MAX + MORE):
            said = {"v": 1, "id": f"{number:08d}", "operator": "R. Vale", "ts": utc_text(START_UTC_NS)}
            line.on_command(Arrived("nightturn/v1/quillfen/pan-a1/cmd/pause", json.dumps(said).encode()))
        assert [each[1:] for each in line.answers] == [(False, TOO_MANY)] * MORE
        running = loop.create_task(commands.run())
        await asyncio.sleep(1.0)
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
        assert [word for word, ok, _ in line.answers if ok] == done
        assert sorted(word for word, _, _ in line.answers) == [
            f"{number:08d}" for number in range(WAITING_MAX + MORE)
        ]
        (refused,) = [each for each in line.lines if each.what == REFUSED]
        assert refused.by == "R. Vale"
        assert f"pause {WAITING_MAX:08d} by R. Vale" in refused.detail
        assert f"and {MORE - NAMED_MAX} more" in refused.detail
        assert len(line.lines) == WAITING_MAX + 1

    run(act)
    assert len(done) == WAITING_MAX
