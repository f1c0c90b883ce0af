"""What programs of other families make of our messages: the reference parser of AsyncAPI, and an MQTT client that shares no code with ours.

Both run under Node: @asyncapi/parser (npm, of the AsyncAPI Initiative) and mqtt (npm, MQTT.js). Ours is paho's.
"""

import asyncio
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import aiomqtt
from tests.telemetry.asyncapi_file import PLACE
from tests.telemetry.conftest import StartMosquitto
from tests.telemetry.watching import alarm, cycle, event, publisher, running, state, watching

HERE = Path(__file__).parent
PACKAGES = {**os.environ, "NODE_PATH": f"{sys.prefix}/node/node_modules"}  # where tests/run puts them
ERROR, WARNING = 0, 1  # severities of the parser's diagnostics


def parsed(document: bytes) -> Any:
    answer = subprocess.run(
        ["node", HERE / "parse_asyncapi.cjs"],
        input=document,
        env=PACKAGES,
        capture_output=True,
        check=True,
        timeout=120,
    )
    return json.loads(answer.stdout)


def test_the_reference_parser_reads_every_channel_and_warns_of_nothing() -> None:
    said = parsed(PLACE.read_bytes())

    assert [each for each in said["found"] if each["severity"] in {ERROR, WARNING}] == []
    assert said["channels"] == len(json.loads(PLACE.read_bytes())["channels"])


def test_the_reference_parser_finds_a_reference_that_leads_nowhere() -> None:
    document = PLACE.read_bytes().replace(b'"$ref": "#/channels/', b'"$ref": "#/tunnels/', 1)
    assert document != PLACE.read_bytes()

    assert ERROR in {each["severity"] for each in parsed(document)["found"]}


def test_a_client_of_another_family_reads_what_ours_reads(start: StartMosquitto) -> None:
    async def story() -> tuple[list[dict[str, Any]], list[tuple[str, bytes]]]:
        broker = start()
        url = f"mqtt://127.0.0.1:{broker.port}"
        reader = await asyncio.create_subprocess_exec(
            "node", HERE / "read_topics.cjs", url, stdout=asyncio.subprocess.PIPE, env=PACKAGES
        )
        assert reader.stdout is not None
        assert json.loads(await reader.stdout.readline()) == {"topic": "subscribed"}
        async with watching(broker.port) as ours, running(publisher(broker.port)) as subject:
            for row in (state(), cycle(), event("gap"), alarm()):
                subject.offer("pan-a1", row)
            assert await subject.drain(20)
            await ours.until(lambda: len(ours.seen) >= 5)
        async with aiomqtt.Client("127.0.0.1", broker.port) as client:
            await client.publish("end", b"", 1)
        lines, _ = await reader.communicate()
        return [json.loads(line) for line in lines.splitlines()], [
            (each.topic, each.payload) for each in ours.seen
        ]

    theirs, ours = asyncio.run(story())

    assert {each["qos"] for each in theirs if "/alarm/" in each["topic"]} == {1}
    seen = [(each["topic"], each["payload"].encode()) for each in theirs]
    assert [each for each in seen if each in ours] == ours
