"""The access list that is written, in force at a real mosquitto: the daemon's own topics go through, everything else does not."""

import asyncio
import re
import subprocess
from pathlib import Path

import aiomqtt
import pytest
from tests.telemetry.conftest import StartMosquitto
from tests.telemetry.test_publisher import as_root
from tests.telemetry.watching import LAB, alarm, cycle, event, publisher, running, state

from nightturn.demo.broker import find_mosquitto
from nightturn.errors import ConfigError
from nightturn.telemetry.broker_config import broker_files
from nightturn.telemetry.confirming import ConfirmingClient, RefusedError

ROOT = f"nightturn/v1/{LAB}"
FILES = broker_files(LAB, "bench-1", "rig", ["pan-a1", "pan-a2"], ["office"], operators=["shift"])
OWN = (
    "pan-a1/state",
    "pan-a1/m/cycle",
    "pan-a2/ev/gap",
    "pan-a2/alarm/overload",
    "host/bench-1/state",
    "host/bench-1/alarm/x",
)
FOREIGN = (
    "pan-b1/state",
    "pan-a1/cmd/stop",
    "host/bench-2/state",
    "pan-a1/state/more",
    "pan-a1/m/cycle/x",
    "$SYS/x",
)
COMMANDS = ("pan-a1/cmd/stop", "pan-a2/cmd/acknowledge", "host/bench-1/cmd/acknowledge")
NEVER = ("pan-a1/cmd/go", "pan-b1/cmd/stop", "host/bench-1/cmd/stop")


async def refused(port: int, user: str, topics: tuple[str, ...]) -> list[str]:
    """Which of these a planted client may not write; mosquitto ends the connection of one that was denied."""
    denied = []
    for topic in topics:
        try:
            async with ConfirmingClient(
                "127.0.0.1", port, username=user, protocol=aiomqtt.ProtocolVersion.V5, timeout=10.0
            ) as client:
                await client.publish_confirmed(f"{ROOT}/{topic}", b"{}", retain=False, properties=None)
        except (RefusedError, aiomqtt.MqttError):
            denied.append(topic)
    return denied


def test_a_planted_client_writes_nothing_and_the_daemon_its_own_topics_only(
    start: StartMosquitto, tmp_path: Path
) -> None:
    access = tmp_path / "access"
    access.write_text(FILES.access, encoding="ascii")

    async def story() -> None:
        broker = start(extra=(f"acl_file {access}", *as_root(tmp_path)))
        assert await refused(broker.port, "rig", (*OWN, *FOREIGN)) == list(FOREIGN)
        assert await refused(broker.port, "office", OWN[:2]) == list(OWN[:2])
        assert await refused(broker.port, "somebody", OWN[:2]) == list(OWN[:2])
        assert await refused(broker.port, "shift", (*COMMANDS, *OWN[:1], *NEVER)) == [*OWN[:1], *NEVER]
        assert await refused(broker.port, "office", COMMANDS) == list(COMMANDS)
        assert await refused(broker.port, "rig", COMMANDS) == list(COMMANDS)
        url = f"mqtt://rig@127.0.0.1:{broker.port}"
        async with running(publisher(broker.port, url=url)) as subject:
            for row in (state(), cycle(), event("gap"), alarm()):
                subject.offer("pan-a1", row)
            assert await subject.drain(20)
            assert subject.counters.refused == 0

    asyncio.run(story())


def test_mosquitto_takes_the_configuration_as_it_is_written(tmp_path: Path) -> None:
    """Its paths put to a folder of the test, with a certificate made by openssl and the port of nobody."""
    for name in ("passwords", "access"):
        (tmp_path / name).write_text(FILES.access if name == "access" else "", encoding="ascii")
    certificate = "openssl req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=localhost -keyout broker.key -out broker.crt"
    subprocess.run(certificate.split(), cwd=tmp_path, check=True, capture_output=True)
    (tmp_path / "ca.crt").write_bytes((tmp_path / "broker.crt").read_bytes())
    binary = find_mosquitto()
    assert binary is not None
    files = broker_files(LAB, "bench-1", "rig", ["pan-a1"], [], port=1, folder=str(tmp_path))
    text = files.configuration.replace("listener 1\n", "listener 0 " + str(tmp_path / "line.sock") + "\n")
    text = re.sub(
        r"^(cafile|certfile|keyfile) .*\n", "", text, flags=re.MULTILINE
    )  # a socket of the file system has no TLS
    config = tmp_path / "nightturn.conf"
    config.write_text(
        "\n".join([text.replace("/var/lib/mosquitto/", f"{tmp_path}/"), *as_root(tmp_path)]), encoding="ascii"
    )
    process = subprocess.Popen(
        [binary, "-c", str(config), "-v"], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    assert process.stdout is not None
    said = []
    for line in process.stdout:
        said.append(line)
        if "running" in line or "Error" in line:
            break
    # It has said what is asked; a signal to end that comes before its first wait would be slept over.
    process.kill()
    process.communicate()
    assert "running" in said[-1], said


@pytest.mark.parametrize(
    ("user", "readers"), [("rig", ["rig"]), ("a b", []), ("rig", ["x\ntopic write #"]), ("#", [])]
)
def test_a_name_that_could_open_another_line_or_be_two_users_is_refused(
    user: str, readers: list[str]
) -> None:
    with pytest.raises(ConfigError):
        broker_files(LAB, "bench-1", user, ["pan-a1"], readers)
