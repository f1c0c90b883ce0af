"""A broker of our own for a machine that has none: a child process on loopback, for demo and tests."""

import contextlib
import importlib.util
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

LOOPBACK = "127.0.0.1"
EXTRA_PLACES = (
    "/usr/sbin",
    "/usr/local/sbin",
    "/opt/homebrew/sbin",
)  # daemons are often not on a user's PATH
ATTEMPTS = 3  # another program may take the free port first
MOSQUITTO_START_S = 10.0
AMQTT_START_S = 30.0
POLL_S = 0.02
STOP_S = 5.0
NO_BROKER = "no mosquitto on this machine and amqtt is not installed (pip install 'nightturn[demo]')"


@dataclass(slots=True)
class Broker:
    """A running child."""

    name: str
    port: int
    process: "subprocess.Popen[bytes]"

    @property
    def url(self) -> str:
        """Its address, as `[mqtt] url` takes it."""
        return f"mqtt://{LOOPBACK}:{self.port}"

    @property
    def protocol(self) -> Literal["auto", "3.1.1"]:
        """What `[mqtt] protocol` should be: amqtt says nothing to MQTT 5, and waiting for that takes seconds."""
        return "3.1.1" if self.name == "amqtt" else "auto"

    @property
    def alive(self) -> bool:
        """Whether the child runs."""
        return self.process.poll() is None

    def stop(self) -> None:
        """End the child: politely, then not; calling again does nothing."""
        if self.alive:
            self.process.send_signal(signal.SIGTERM)
            try:
                self.process.wait(STOP_S)
            except subprocess.TimeoutExpired:
                self.process.kill()
        self.process.wait()


def find_mosquitto() -> str | None:
    """The path of the mosquitto binary, also outside PATH."""
    for place in (None, *EXTRA_PLACES):
        found = shutil.which("mosquitto", path=place)
        if found is not None:
            return found
    return None


def start_broker(folder: Path) -> tuple[Broker | None, str]:
    """Start mosquitto, else amqtt, on a free loopback port; its configuration and log go to `folder`.

    Returns the broker and a line that says what runs, or None and why there is none. It takes anyone, which is
    why it listens on loopback only; nothing it holds survives it.
    """
    reasons = []
    binary = find_mosquitto()
    if binary is not None:
        broker, why = start_mosquitto(binary, folder)
        if broker is not None:
            return broker, why
        reasons.append(why)
    if importlib.util.find_spec("amqtt") is not None:
        broker, why = start_amqtt(folder)
        if broker is not None:
            return broker, why
        reasons.append(why)
    return None, "; ".join(reasons) or NO_BROKER


def start_mosquitto(
    binary: str, folder: Path, *, port: int | None = None, extra: Sequence[str] = ()
) -> tuple[Broker | None, str]:
    """Start mosquitto; `extra` lines are added to its configuration."""

    def command(chosen: int) -> list[str]:
        lines = [
            f"listener {chosen} {LOOPBACK}",
            "allow_anonymous true",
            "persistence false",
            "log_dest stderr",
        ]
        config = folder / "mosquitto.conf"
        config.write_text("\n".join([*lines, *extra]) + "\n", encoding="ascii")
        config.chmod(0o644)  # started as root it becomes its own user, who must be able to read
        return [binary, "-c", str(config)]

    return _start("mosquitto", command, folder, port, MOSQUITTO_START_S)


def start_amqtt(folder: Path, *, port: int | None = None) -> tuple[Broker | None, str]:
    """Start amqtt in a Python process of its own: half a millisecond a message must not burden our loop."""

    def command(chosen: int) -> list[str]:
        return [sys.executable, "-m", "nightturn.demo.amqtt_child", "--port", str(chosen)]

    return _start("amqtt", command, folder, port, AMQTT_START_S)


def _start(
    name: str, command: Callable[[int], list[str]], folder: Path, port: int | None, limit_s: float
) -> tuple[Broker | None, str]:
    folder.mkdir(parents=True, exist_ok=True)
    log = folder / f"{name}.log"
    for _ in range(ATTEMPTS):
        chosen = port or _free_port()
        try:
            with log.open("wb") as output:
                process = subprocess.Popen(  # noqa: S603  the command is built above from our own words
                    command(chosen), stdin=subprocess.DEVNULL, stdout=output, stderr=subprocess.STDOUT
                )
        except OSError as problem:
            return None, f"{name} cannot be started: {problem.strerror}"
        broker = Broker(name, chosen, process)
        if _accepts(broker, limit_s):
            return broker, f"{name} on {LOOPBACK}:{chosen}"
        broker.stop()
    return None, f"{name} did not start: {_last_words(log)}"


def _accepts(broker: Broker, limit_s: float) -> bool:
    deadline_s = time.monotonic() + limit_s
    while broker.alive and time.monotonic() < deadline_s:
        with contextlib.suppress(OSError), socket.create_connection((LOOPBACK, broker.port), timeout=1.0):
            return broker.alive
        time.sleep(POLL_S)
    return False


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        port: int = probe.getsockname()[1]
        return port


def _last_words(log: Path) -> str:
    lines = log.read_text(encoding="utf-8", errors="replace").strip().splitlines()
    return " / ".join(lines[-2:]) or "it said nothing"
