"""What a service manager is told of the daemon: that it is ready, that it lives, that it stops.

The protocol is a datagram of `NAME=value` lines to the socket that `$NOTIFY_SOCKET` names, as systemd's sd_notify(3) and
sd_watchdog_enabled(3) describe it; where the variable is not set nothing is sent.

A beat of the watchdog is no timer's: it is sent only while every station proves that frames are recorded and synced
(`bench.proof`). A host whose loop or disk hangs sends none, and the service manager starts it again. What may turn then is
what `motion` says of any restart. It is no safety function: the device stops by its lease long before a restart.
"""

import asyncio
import os
import socket
from collections import Counter
from collections.abc import Callable, MutableMapping, Sequence
from typing import NamedTuple, Protocol

import structlog

LOOK_S = 0.5
BEATS_EACH_WATCHDOG = 2  # half the time that the service manager waits, as sd_watchdog_enabled(3) recommends

log: structlog.stdlib.BoundLogger = structlog.get_logger()


class Lacking(Protocol):
    """Signs of life, as `bench.proof.Proof` has them."""

    @property
    def lacks(self) -> str:
        """What is missing, as a sentence; empty when nothing is."""
        ...


class Signs(NamedTuple):
    """One fixture of the daemon as a service manager is told of it.

    Attributes:
        settled: its recovery is over, or has said why it is not.
        proof: signs of life of the run that is open; None without one.
        word: what its shaft may do.
    """

    settled: bool
    proof: Lacking | None
    word: str


class ServiceManager:
    """Sends what `look` finds; every look is cheap."""

    def __init__(self, environment: MutableMapping[str, str], send: Callable[[str, str], None]) -> None:
        """Take the variables out of the environment, so that no child process answers for this one.

        Args:
            environment: of this process.
            send: an address and what to send there.
        """
        self._address = environment.pop("NOTIFY_SOCKET", "")
        microseconds, pid = environment.pop("WATCHDOG_USEC", ""), environment.pop("WATCHDOG_PID", "")
        ours = pid in ("", str(os.getpid()))
        self._beat_s = (
            int(microseconds) / 1e6 / BEATS_EACH_WATCHDOG if microseconds.isdigit() and ours else 0.0
        )
        self._send = send
        self._ready = False
        self._beat_at_s = 0.0
        self._said = ""
        self._lacked = ""

    def look(self, now_s: float, watched: Sequence[Signs]) -> None:
        """Say that the daemon is ready, once; what its fixtures do, when that changes; that it lives, when that is proven."""
        if not self._address:
            return
        lines = []
        if not self._ready and all(each.settled for each in watched):
            self._ready = True
            lines.append("READY=1")
        words = Counter(each.word for each in watched)
        status = f"{len(watched)} fixtures: " + ", ".join(
            f"{count} {word}" for word, count in sorted(words.items())
        )
        if status != self._said:
            self._said = status
            lines.append(f"STATUS={status}")
        if self._beat_s and now_s >= self._beat_at_s and self._proven(watched):
            self._beat_at_s = now_s + self._beat_s
            lines.append("WATCHDOG=1")
        if lines:
            self._send(self._address, "\n".join(lines))

    def stopping(self) -> None:
        """The daemon ends because it was asked to."""
        if self._address:
            self._send(self._address, "STOPPING=1")

    @property
    def look_s(self) -> float:
        """How often to look, seconds."""
        return min(LOOK_S, self._beat_s or LOOK_S)

    def _proven(self, watched: Sequence[Signs]) -> bool:
        lacks = [proof.lacks for each in watched if (proof := each.proof) is not None and proof.lacks]
        if lacks and not self._lacked:
            log.error(
                "watchdog_not_fed", why="; ".join(lacks), next="the service manager starts the host again"
            )
        self._lacked = "; ".join(lacks)
        return not lacks


async def keep_looking(manager: ServiceManager, watched: Callable[[], Sequence[Signs]]) -> None:
    """Look again and again until cancelled."""
    loop = asyncio.get_running_loop()
    while True:
        manager.look(loop.time(), watched())
        await asyncio.sleep(manager.look_s)


def send(address: str, text: str) -> None:
    """One datagram, without waiting; that nobody takes it is never an error of the night."""
    name = f"\0{address[1:]}" if address.startswith("@") else address
    with socket.socket(
        socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC | socket.SOCK_NONBLOCK
    ) as line:
        try:
            line.sendto(text.encode(), name)
        except OSError as error:
            log.warning("service_manager_not_reached", why=str(error))
