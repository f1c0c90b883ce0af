"""The host's own link on a real line in real time, with nothing around it: what it said, and the samples it delivered."""

import os
import select
import time
import tty
from collections.abc import Callable
from pathlib import Path

import numpy as np
from tests.device.recording import PRODUCED, Produced

from nightturn.acquisition.blocks import unpack
from nightturn.acquisition.link import Link, LinkSettings
from nightturn.acquisition.outputs import BlockIn, Missing, Output, Restarted, SendFrame, SessionUp
from nightturn_protocol.framing import Deframer, to_wire
from nightturn_protocol.messages import Probe

TICK_S = 0.02
PROBE_S = 0.2  # a host that says nothing for long is no host
HANG_S = 40.0
READ_BYTES = 65536


class LiveLink:
    """A link that may lose its line and get it back.

    Attributes:
        said: every output but frames to send, oldest first.
    """

    def __init__(self, path: str | Path, settings: LinkSettings, nonce: int = 77) -> None:
        self.link = Link.start(settings, nonce)
        self.settings = settings
        self.said: list[Output] = []
        self._path = path
        self._fd = -1
        self._records = 0
        self._probe_s = 0.0
        self._deframer = Deframer()

    def open(self) -> None:
        """The cable is plugged in; as a serial port does it, what had been waiting there is thrown away."""
        self._fd = os.open(self._path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        tty.setraw(self._fd)
        self._deframer = Deframer()
        self._carry(self.link.opened(time.monotonic_ns()))

    def close(self) -> None:
        """The cable is pulled."""
        os.close(self._fd)
        self._fd = -1
        self._carry(self.link.lost(time.monotonic_ns()))

    def until(self, condition: Callable[[], bool]) -> None:
        """Carry on until it holds."""
        until_s = time.monotonic() + HANG_S
        while not condition():
            assert time.monotonic() < until_s, [type(each).__name__ for each in self.said[-8:]]
            self._turn()

    def play(self, seconds: float) -> None:
        """Carry on for so long."""
        until_s = time.monotonic() + seconds
        while time.monotonic() < until_s:
            self._turn()

    def _turn(self) -> None:
        readable, _, _ = select.select([self._fd], [], [], TICK_S)
        if readable:
            content = os.read(self._fd, READ_BYTES)
            at_ns = time.monotonic_ns()
            for body in self._deframer.receive_bytes(content):
                self._records += 1
                self._carry(self.link.frame(at_ns, self._records, body))
        self._carry(self.link.tick(time.monotonic_ns()))
        if self.link.wants_reopen:
            self.close()
            self.open()
        if time.monotonic() - self._probe_s >= PROBE_S:
            self._probe_s = time.monotonic()
            self._carry([self.link.notice(Probe(time.monotonic_ns(), 0, 0, self._records))])

    def _carry(self, outputs: list[Output]) -> None:
        for output in outputs:
            if not isinstance(output, SendFrame):
                self.said.append(output)
            elif self._fd >= 0:
                os.write(self._fd, to_wire(output.body))

    @property
    def sessions(self) -> list[SessionUp]:
        """Each time that a stream began or went on."""
        return [each for each in self.said if isinstance(each, SessionUp)]

    @property
    def restarts(self) -> list[Restarted]:
        """Each time that the device turned out to be another boot."""
        return [each for each in self.said if isinstance(each, Restarted)]

    @property
    def missing(self) -> list[Missing]:
        """Stretches that it gave up."""
        return [each for each in self.said if isinstance(each, Missing)]

    @property
    def blocks(self) -> list[BlockIn]:
        """Blocks in order."""
        return [each for each in self.said if isinstance(each, BlockIn)]

    def delivered(self, tick_hz: int = 1_000_000) -> Produced:
        """Every sample it delivered, in order."""
        ticks = tick_hz * 1000 // self.settings.rate_millihz
        samples = unpack([block.body for block in self.blocks], ticks)
        found = np.empty(len(samples.index), PRODUCED)
        found["index"], found["torque"], found["encoder"] = samples.index, samples.raw, samples.encoder
        return found
